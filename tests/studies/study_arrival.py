"""Arrival volume and mobility: error, coverage, width over the Cramer-Rao bound and refusals, nuisance by nuisance.

Bars: straight fronts, strip and all-round: median error <= 0.3 %, 95th percentile <= 1 %, interval holds 90-99 % and is
at most twice the bound's, refusals <= 5 %. Nuisances: median <= 2 %, interval holds 90-99 %. Disc: refused rather than
wrong. Mobility: median <= 2 % from shot to shot, interval honest.

What the tables show and the fit can't mend (so it widens or refuses, or says here that it does not hold):
- A strip bends least. With lanes of +-15-20 % its bend is longer than what usually goes past the vent: half of such
  shots are refused, and of those given the volume tends to lie 2-3 % late, within intervals of +-4 %. Were the interval
  that of a straight front only, straight strips would be known to 0.4 % and uneven ones wrongly.
- With strokes of 25 ml a strip is refused: the time stamps of four strokes past the vent don't show the bend.
- A disc fed at a port is refused unless a vent hose makes the arrival plain.
- A pull of the fibres that the book doesn't state ends at arrival, as does what a yielding cover takes up: both lift
  the resistance there by their share of the driving pressure, and the volume found is late by as much (1 % for 10 mbar
  on a strip, 0.2 % all round). The interval, given the book, does not hold it; stated in the book it is taken out.

The bound is numerical: Fisher information of the simulated signal about arrival volume, permeability and line
resistance, all three unknown, with the resistance along the path looked up in the generator's own cells; and beside it
the wander of the running volume, since a volume counted by a noisy meter can't be known better than that.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from tests.studies.harness import study

from catchpot.ingest.strokes import from_strokes
from catchpot.testing import made_up as mu
from catchpot.testing.geometry import path
from catchpot.testing.jobs import core_tables
from catchpot.testing.scenario import ALL_CHANNELS
from catchpot_fill.analysis import FillAnalysis

Floats = NDArray[np.float64]
SHOTS = 8
NUISANCE_SEEDS = 3
FLOW_NOISE, PRESSURE_NOISE_PA = 0.012, 400.0
OFF = mu.Nuisances.off()
NO_BAROMETER = tuple(c for c in ALL_CHANNELS if c != "ambient_pressure_mbar")

CASES: dict[str, tuple[mu.Nuisances, dict[str, Any]]] = {
    "straight": (OFF, {}),
    "straight, 3 % past the vent": (OFF, {"overflow_share": 0.03}),
    "lanes +-20 %": (replace(OFF, lane_sd=0.17, lanes=8), {}),
    "lanes +-20 %, 12 % past the vent": (replace(OFF, lane_sd=0.17, lanes=8), {"overflow_share": 0.12}),
    "lanes +-15 %": (replace(OFF, lane_sd=0.125, lanes=8), {}),
    "vent hose 2 m": (replace(OFF, hoses=True), {"vent_hose_m": 2.0}),
    "runner booked 10 % high": (replace(OFF, runner_error=True), {"runner_volume_l": 0.2, "runner_booked_l": 0.22}),
    "gauge stops at 0": (replace(OFF, gauge_ends=True), {}),
    "strokes of 25 ml": (replace(OFF, strokes=True), {"stroke_ml": 25.0}),
    "strokes of 50 ml": (replace(OFF, strokes=True), {"stroke_ml": 50.0}),
    "vent shut and packing": (replace(OFF, packing=True), {"pack_s": 30.0}),
    "vent 1 m above inlet": (replace(OFF, height=True), {"vent_height_m": 1.0}),
    "weather, no barometer": (replace(OFF, ambient_sd_mbar=12.0), {"channels": NO_BAROMETER}),
    "mould and resin apart": (replace(OFF, mould_apart_k=3.0, season_k=5.0, day_k=2.0), {}),
    "pump ripple 5 %": (replace(OFF, ripple=0.05), {}),
    "cover gives 50 ml a bar": (replace(OFF, cover=True), {"cover_l_bar": 0.05}),
    "capillary pull 10 mbar, not booked": (replace(OFF, capillary_mbar=10.0, capillary_sd_mbar=3.0), {}),
    "stopped before the vent": (OFF, {"stop": "operator"}),
    "all together": (
        mu.Nuisances(),
        {"vent_hose_m": 1.0, "runner_volume_l": 0.1, "runner_booked_l": 0.105, "vent_height_m": 0.5},
    ),
}  # fmt: skip


def _counted(made: mu.MadeUp) -> mu.MadeUp:
    """Flow and volume from the strokes where strokes were logged, as the reader would have it."""
    strokes = {s: v for s, v in made.shot.select("shot", "stroke_volume_ml").iter_rows() if v is not None}
    if not strokes:
        return made
    frames = []
    for (shot,), rows in made.sample.group_by("shot", maintain_order=True):
        if shot in strokes and rows["flow_l_min"].null_count() == rows.height:
            counts = rows["pump_strokes"].to_numpy()
            flow, volume, _ = from_strokes(rows["t_s"].to_numpy(), counts, strokes[str(shot)])
            rows = rows.with_columns(flow_l_min=pl.Series(flow), vol_l=pl.Series(volume))
        frames.append(rows)
    return replace(made, sample=pl.concat(frames))


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
    variance = PRESSURE_NOISE_PA**2 + (FLOW_NOISE * (line + loss(arrival))) ** 2
    covariance = np.linalg.inv((jacobian / variance[:, None]).T @ jacobian)
    wander = FLOW_NOISE * np.sqrt(np.sum((q * 0.25e3) ** 2)) / arrival
    return float(100 * np.hypot(np.sqrt(covariance[2, 2]), wander))


def tries(case: str, seed: int) -> pl.DataFrame:
    """One row a shot of five moulds: truth, what the analysis gave, and the bound."""
    nuisances, settings = CASES[case]
    moulds = mu.five_moulds(SHOTS, **settings)
    made = _counted(mu.simulate(mu.Scenario(moulds=moulds, nuisances=nuisances), seed))
    result = mu.compute(FillAnalysis(), core_tables(made), made.book())
    truth = made.truth_shot.filter(pl.col("kind") == "shot")
    geometry = {m.name: m.geometry for m in moulds}
    bound = [bound_pct(made, geometry[t["mould"]], t) if case.startswith("straight") else None
             for t in truth.iter_rows(named=True)]  # fmt: skip
    return (
        truth.select("shot", "mould", truth_l="arrival_volume_l", truth_mobility="mobility_m2_pa_s",
                     seen=pl.col("permeability_seen_m2") / pl.col("viscosity_pa_s"))
        .with_columns(bound_pct=pl.Series(bound, dtype=pl.Float64), case=pl.lit(case), seed=pl.lit(seed))
        .join(result.tables["fill"].select("shot", "^arrival_volume.*$"), on="shot")
        .join(result.tables["permeability"].select("shot", "^mobility.*$"), on="shot")
    )  # fmt: skip


@lru_cache(maxsize=4)
def _all_tries(seeds: tuple[int, ...]) -> pl.DataFrame:
    def each() -> Iterator[pl.DataFrame]:
        for case in CASES:
            # straight fronts have the sharper bars, so they get all the seeds
            for seed in seeds if case == "straight" else seeds[:NUISANCE_SEEDS]:
                yield tries(case, seed)

    return pl.concat(list(each()), how="vertical_relaxed")


def arrival_table(frame: pl.DataFrame) -> pl.DataFrame:
    """Error and interval of the arrival volume, case by case; see the column docs in the code."""
    real, given = pl.col("truth_l").is_not_null(), pl.col("arrival_volume_l").is_not_null()
    error = ((pl.col("arrival_volume_l") / pl.col("truth_l")) - 1) * 100
    held = (pl.col("arrival_volume_low_l") <= pl.col("truth_l")) & (
        pl.col("truth_l") <= pl.col("arrival_volume_high_l")
    )
    half = (pl.col("arrival_volume_high_l") - pl.col("arrival_volume_low_l")) / 2 / pl.col("truth_l") * 100
    return frame.group_by("case", "mould", maintain_order=True).agg(
        n=pl.len(),
        refused_pct=(real & ~given).mean() * 100,
        false_arrivals=(~real & given).sum(),
        bias_pct=error.median(),
        median_error_pct=error.abs().median(),
        p95_error_pct=error.abs().quantile(0.95),
        covered_pct=held.filter(real & given).mean() * 100,
        half_width_pct=half.median(),
        bound_pct=pl.col("bound_pct").median(),
        width_over_bound=(half / 1.96 / pl.col("bound_pct")).median(),
    )


def mobility_table(frame: pl.DataFrame) -> pl.DataFrame:
    """Mobility from shot to shot: each against its mould's own median ratio to the truth, in its own seed."""
    ratio = pl.col("mobility_m2_pa_s") / pl.col("truth_mobility")
    usual = ratio.median().over("case", "seed", "mould")
    frame = frame.with_columns(ratio=ratio, usual=usual)
    aim = pl.col("truth_mobility") * pl.col("usual")
    held = (pl.col("mobility_low_m2_pa_s") <= aim) & (aim <= pl.col("mobility_high_m2_pa_s"))
    right = (pl.col("mobility_low_m2_pa_s") <= pl.col("truth_mobility")) & (
        pl.col("truth_mobility") <= pl.col("mobility_high_m2_pa_s")
    )
    half = (pl.col("mobility_high_m2_pa_s") - pl.col("mobility_low_m2_pa_s")) / 2 / pl.col("mobility_m2_pa_s") * 100
    return frame.group_by("case", "mould", maintain_order=True).agg(
        n=pl.len(),
        refused_pct=pl.col("mobility_m2_pa_s").is_null().mean() * 100,
        over_truth_pct=(pl.col("ratio").median() - 1) * 100,
        median_error_pct=((pl.col("ratio") / pl.col("usual") - 1).abs() * 100).median(),
        p95_error_pct=((pl.col("ratio") / pl.col("usual") - 1).abs() * 100).quantile(0.95),
        covered_pct=held.mean() * 100,
        covered_outright_pct=right.mean() * 100,
        half_width_pct=half.median(),
    )


@study("arrival", seeds=5, slice_seeds=1)
def arrival(seeds: Sequence[int]) -> pl.DataFrame:
    """Arrival volume on straight fronts and with each nuisance, five geometries."""
    return arrival_table(_all_tries(tuple(seeds)))


@study("mobility", seeds=5, slice_seeds=1)
def mobility(seeds: Sequence[int]) -> pl.DataFrame:
    """Mobility from shot to shot, on straight fronts and with each nuisance, five geometries."""
    return mobility_table(_all_tries(tuple(seeds)))
