"""Arrival volume and mobility: error, coverage, width over the Cramer-Rao bound and refusals, nuisance by nuisance.

One shot of each mould, logs and book only: no mould is known, nothing is weighed and nobody looks at the vent, so the
place of arrival comes from a single curve. (What a mould's own curve, a weighed pot and many shots add is studied on
plates: `study_plates`.)

Bars: median error <= 2 %, 95 % interval holds 90-99 %, at most 5 % of shots that arrived refused, no arrival where
there was none (<= 1 %). Mobility: median <= 2 % from shot to shot.

What changed with the mould's own curve, and what the tables show (25 moulds a case and geometry):
- Straight fronts were fitted by the closed form that made them, to 0.1-0.3 % with intervals of +-1-2 %. The place is
  now read by weights that know no geometry: median errors 0.2 % (all round, rim-fed), 0.7 (strip), 0.8 (wedge), 1.4
  (disc), intervals of +-1.4 to 6.6 % that hold 100 %: too wide for straight fronts. The bound of a known geometry is no
  aim any more; width_over_bound says how far off it is.
- Discs were refused without a vent hose and are now given, within +-7 %; with 12 % past the vent they read 4 % late.
- Lanes of +-10-20 % read 0.5-2.7 % late. Rim-fed their intervals (+-2.1 to 3.5 %) hold 72-96 %, and with 12 % past the
  vent 8 %, where all geometries read 3-6 % late: what fills after the first lane is taken for filling. Missed.
- Shots that stopped before the vent: nine in ten first shots of a mould are given an arrival, and in a mould whose shop
  always stops before the vent it stays so. Missed by far; once earlier shots of a mould have filled, shots that stop
  before its place say "at least".
- Strokes of 25 ml on a disc: 44 % refused.
- The cover's yield and the fibres' pull in the book no longer move the arrival; unbooked they move it by less than the
  interval (strip 1.0 and 0.2 %). Mobility reads 1-4 % high under a cover, booked or not.
- Mobility: 0.2-2.1 % from shot to shot, but the interval within the shot leaves out the doubt of the place, which here
  is each shot's own: it holds 12-100 % (before: 84 % and more). With the book's tolerances, the place among them, it
  holds 100 %, and 76-100 % with everything at once.

The bound is numerical: Fisher information of the simulated signal about arrival volume, permeability and line
resistance, all three unknown, with the resistance along the path looked up in the generator's own cells; and beside it
the wander of the running volume, since a volume counted by a noisy meter can't be known better than that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from tests.studies.harness import study

from catchpot.testing import made_up as mu
from catchpot.testing.geometry import path
from catchpot.testing.jobs import core_tables
from catchpot.testing.scenario import ALL_CHANNELS
from catchpot.workshop import MouldBook

Floats = NDArray[np.float64]
COPIES = 25
"""Moulds of each geometry in one seed, each with a fabric and lanes of its own, one shot each."""
FLOW_NOISE, PRESSURE_NOISE_PA = 0.012, 400.0
OFF = replace(mu.Nuisances.off(), permeability_sd=0.05, areal_weight_sd=0.01)
"""Straight fronts, but no shot like another: a stroke's or a sample's place is then its own in each."""
NO_BAROMETER = tuple(c for c in ALL_CHANNELS if c != "ambient_pressure_mbar")
GEOMETRIES = ("strip", "all-round", "wedge", "rim-fed", "disc")
PULLED = replace(OFF, capillary_mbar=10.0, capillary_sd_mbar=3.0)

CASES: dict[str, tuple[mu.Nuisances, dict[str, Any]]] = {
    "straight": (OFF, {}),
    "straight, 3 % past the vent": (OFF, {"overflow_share": 0.03}),
    "straight, 12 % past the vent": (OFF, {"overflow_share": 0.12}),
    "straight, noise x 2.5 at 10 Hz": (replace(OFF, sensor_noise=2.5), {"sampling_hz": 10.0}),
    "straight, sampled at 1 Hz": (OFF, {"sampling_hz": 1.0}),
    "lanes +-20 %": (replace(OFF, lane_sd=0.17, lanes=8), {}),
    "lanes +-20 %, 12 % past the vent": (replace(OFF, lane_sd=0.17, lanes=8), {"overflow_share": 0.12}),
    "lanes +-15 %": (replace(OFF, lane_sd=0.125, lanes=8), {}),
    "lanes +-10 %": (replace(OFF, lane_sd=0.085, lanes=8), {}),
    "vent hose 2 m": (replace(OFF, hoses=True), {"vent_hose_m": 2.0}),
    "vent hose 2 m, not booked": (replace(OFF, hoses=True), {"vent_hose_m": 2.0}),
    "runner booked 10 % high": (replace(OFF, runner_error=True), {"runner_volume_l": 0.2, "runner_booked_l": 0.22}),
    "gauge stops at 0": (replace(OFF, gauge_ends=True), {}),
    "strokes of 25 ml": (replace(OFF, strokes=True), {"stroke_ml": 25.0}),
    "strokes of 50 ml": (replace(OFF, strokes=True), {"stroke_ml": 50.0}),
    "strokes of 25 ml, 12 % past the vent": (replace(OFF, strokes=True), {"stroke_ml": 25.0, "overflow_share": 0.12}),
    "vent shut and packing": (replace(OFF, packing=True), {"pack_s": 30.0}),
    "vent 1 m above inlet": (replace(OFF, height=True), {"vent_height_m": 1.0}),
    "weather, no barometer": (replace(OFF, ambient_sd_mbar=12.0), {"channels": NO_BAROMETER}),
    "mould and resin apart": (replace(OFF, mould_apart_k=3.0, season_k=5.0, day_k=2.0), {}),
    "pump ripple 5 %": (replace(OFF, ripple=0.05), {}),
    "cover gives 50 ml a bar": (replace(OFF, cover=True), {"cover_l_bar": 0.05}),
    "cover gives 50 ml a bar, booked": (replace(OFF, cover=True), {"cover_l_bar": 0.05}),
    "cover gives 50 ml a bar within 12 s": (replace(OFF, cover=True), {"cover_l_bar": 0.05, "cover_s": 12.0}),
    "capillary pull 10 mbar, not booked": (PULLED, {}),
    "capillary pull 10 mbar, booked": (PULLED, {}),
    "stopped before the vent": (OFF, {"stop": "operator"}),
    "stopped just before the vent": (OFF, {"stop": "operator", "operator_share": 0.995}),
    "all together": (
        mu.Nuisances(),
        {"vent_hose_m": 1.0, "runner_volume_l": 0.1, "runner_booked_l": 0.105, "vent_height_m": 0.5},
    ),
}  # fmt: skip
BOOKED: dict[str, dict[str, float]] = {
    "vent hose 2 m, not booked": {"vent_hose_volume_l": 0.0},
    "capillary pull 10 mbar, booked": {"capillary_pressure_mbar": 10.0, "capillary_pressure_tolerance_mbar": 6.0},
    "cover gives 50 ml a bar, booked": {"cover_yield_ml_bar": 50.0, "cover_yield_tolerance_ml_bar": 20.0},
}
"""What the mould book says otherwise than the generator would have it."""


def bound_pct(made: mu.MadeUp, geometry: mu.Geometry, truth: dict[str, Any]) -> float:
    """Cramer-Rao bound on the s.d. of one shot's arrival volume, with the meter's wander, in % of the volume."""
    arrival, before = truth["arrival_volume_l"], truth["volume_before_l"]
    if arrival is None:
        return float("nan")
    rows = made.sample.filter(
        (pl.col("shot") == truth["shot"])
        & (pl.col("t_s") > truth["inject_from_s"] + 0.5)
        & (pl.col("t_s") < truth["stop_s"] - 0.25)
    )
    v, q = rows["vol_l"].to_numpy(), rows["flow_l_min"].to_numpy() / 6e4
    cells = path(geometry)
    share, rho = cells.share, cells.resistance_per_m * truth["viscosity_pa_s"] / truth["permeability_m2"]

    def loss(at: float) -> Floats:
        return np.asarray(q * np.interp(np.clip((v - before) / (at - before), 0.0, 1.0), share, rho))

    line = q * truth["viscosity_line_pa_s"] * truth["line_resistance_per_m3"]
    step = 2e-3
    slope = (loss(arrival * (1 + step)) - loss(arrival * (1 - step))) / (2 * step)
    jacobian = np.stack([line, loss(arrival), slope], axis=1)
    noise = made.scenario.nuisances.sensor_noise
    variance = noise**2 * (PRESSURE_NOISE_PA**2 + (FLOW_NOISE * (line + loss(arrival))) ** 2)
    covariance = np.linalg.inv((jacobian / variance[:, None]).T @ jacobian)
    between_s = float(np.median(np.diff(rows["t_s"].to_numpy())))
    wander = noise * FLOW_NOISE * np.sqrt(np.sum((q * 1e3 * between_s) ** 2)) / arrival
    return float(100 * np.hypot(np.sqrt(covariance[2, 2]), wander))


def tries(case: str, seed: int, copies: int = COPIES) -> pl.DataFrame:
    """One row a shot, `copies` moulds of each of five geometries: truth, what the analysis gave, and the bound."""
    nuisances, settings = CASES[case]
    moulds = tuple(
        replace(m, name=f"{m.name}.{i}", weigh_part=False) for m in mu.five_moulds(1, **settings) for i in range(copies)
    )
    made = mu.simulate(mu.Scenario(moulds=moulds, nuisances=nuisances), seed)
    data = made.book_data()
    for mould in data["moulds"].values():
        mould.update(BOOKED.get(case, {}))
    result = mu.filled(core_tables(made), MouldBook.model_validate(data))
    truth = made.truth_shot.filter(pl.col("kind") == "shot")
    geometry = {m.name: m.geometry for m in moulds}
    # of the first mould of each geometry: the bound hardly differs among them
    bound = [
        bound_pct(made, geometry[t["mould"]], t) if case.startswith("straight") and t["mould"].endswith(".0") else None
        for t in truth.iter_rows(named=True)
    ]
    lanes = pl.col("permeability_lanes_m2") / pl.col("viscosity_pa_s")
    return (
        truth.select("shot", mould=pl.col("mould").str.split(".").list.first(), truth_l="arrival_volume_l",
                     truth_mobility=lanes)
        .with_columns(bound_pct=pl.Series(bound, dtype=pl.Float64), case=pl.lit(case), seed=pl.lit(seed))
        .join(result.tables["fill"].select("shot", "^arrival_volume.*$"), on="shot")
        .join(result.tables["permeability"].select("shot", "^mobility.*$"), on="shot")
    )  # fmt: skip


@lru_cache(maxsize=4)
def _all_tries(seeds: tuple[int, ...]) -> pl.DataFrame:
    return pl.concat([tries(case, seed) for case in CASES for seed in seeds], how="vertical_relaxed")


def arrival_table(frame: pl.DataFrame) -> pl.DataFrame:
    """Error and interval of the arrival volume, case by case.

    refused_pct: of shots in which resin did arrive, given "at least" only. false_arrivals: shots given a volume
    although it did not. at_least_holds_pct: of shots given "at least" only, those whose bound the truth keeps, where
    it is known. Bias, error (absolute) and half width: of those given, in % of the truth. width_over_bound: half width
    over 1.96 times the bound's s.d.
    """
    real, given = pl.col("truth_l").is_not_null(), pl.col("arrival_volume_l").is_not_null()
    error = ((pl.col("arrival_volume_l") / pl.col("truth_l")) - 1) * 100

    low, high, truth = (pl.col(c) for c in ("arrival_volume_low_l", "arrival_volume_high_l", "truth_l"))
    held = ((low <= truth) & (truth <= high)).filter(real & given).mean() * 100
    half = ((high - low) / 2 / truth * 100).median()
    least = (low <= truth).filter(real & ~given & low.is_not_null()).mean() * 100

    return (
        frame.group_by("case", "mould", maintain_order=True)
        .agg(
            n=pl.len(),
            refused_pct=(real & ~given).mean() * 100,
            false_arrivals=(~real & given).sum(),
            bias_pct=error.median(),
            median_error_pct=error.abs().median(),
            p95_error_pct=error.abs().quantile(0.95),
            covered_pct=held,
            half_width_pct=half,
            at_least_holds_pct=least,
            bound_pct=pl.col("bound_pct").median(),
            width_over_bound=half / 1.96 / pl.col("bound_pct").median(),
        )
        .pipe(_in_order)
    )


def mobility_table(frame: pl.DataFrame) -> pl.DataFrame:
    """Mobility, case by case: from shot to shot (against the case's own median ratio to the truth) and outright.

    The truth is the mean of the lanes' own mobilities, as the book's thickness and the meter make it look.
    """
    ratio = pl.col("mobility_m2_pa_s") / pl.col("truth_mobility")
    frame = frame.with_columns(ratio=ratio, usual=ratio.median().over("case", "mould"))
    truth = pl.col("truth_mobility")

    def held(kind: str, aim: pl.Expr) -> pl.Expr:
        low, high = (pl.col(f"mobility_{kind}{end}_m2_pa_s") for end in ("low", "high"))
        return ((low <= aim) & (aim <= high)).mean() * 100

    half = (pl.col("mobility_high_m2_pa_s") - pl.col("mobility_low_m2_pa_s")) / 2 / pl.col("mobility_m2_pa_s") * 100
    scatter = (pl.col("ratio") / pl.col("usual") - 1).abs() * 100
    return (
        frame.group_by("case", "mould", maintain_order=True)
        .agg(
            n=pl.len(),
            refused_pct=pl.col("mobility_m2_pa_s").is_null().mean() * 100,
            over_truth_pct=(pl.col("ratio").median() - 1) * 100,
            median_error_pct=scatter.median(),
            p95_error_pct=scatter.quantile(0.95),
            covered_pct=held("", truth * pl.col("usual")),
            covered_outright_pct=held("", truth),
            absolute_covered_pct=held("absolute_", truth),
            half_width_pct=half.median(),
        )
        .pipe(_in_order)
    )


def _in_order(table: pl.DataFrame) -> pl.DataFrame:
    place = pl.col("case").replace_strict(list(CASES), range(len(CASES))) * len(GEOMETRIES)
    return table.sort(place + pl.col("mould").replace_strict(list(GEOMETRIES), range(len(GEOMETRIES))))


@study("arrival", seeds=4, slice_seeds=1)
def arrival(seeds: Sequence[int]) -> pl.DataFrame:
    """Arrival volume on straight fronts and with each nuisance, five geometries, 25 moulds of each a seed."""
    return arrival_table(_all_tries(tuple(seeds)))


@study("mobility", seeds=4, slice_seeds=1)
def mobility(seeds: Sequence[int]) -> pl.DataFrame:
    """Mobility from shot to shot, on straight fronts and with each nuisance, five geometries."""
    return mobility_table(_all_tries(tuple(seeds)))
