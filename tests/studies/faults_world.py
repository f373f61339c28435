"""Made-up moulds with faults put in, and what is found of them beside the truth.

Truth is the generator's own: a shot counts for a kind where that fault was put in and the shot got that far. A short
fill that follows from another fault, or an overfill where nothing was put in, counts as right where it is so in truth.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl

from catchpot.testing import made_up as mu

MOULD_SHOTS = 43
FIRST_FAULT = 13
Draw = Callable[[np.random.Generator], dict[str, Any]]

VARIANTS: tuple[dict[str, Any], ...] = (
    {"pump": "receiver"},
    {"stroke_ml": 30.0, "programme": "follow"},
    {"vent_hose_m": 2.0, "pack_s": 20.0, "sampling_hz": 2.0},
    {"sampling_hz": 1.0, "programme": "fixed"},
    {"sampling_hz": 10.0, "feed_hose_volume_l": 0.1, "hose_m": 3.0, "programme": "follow", "bleed_target_l": 0.05,
     "overflow_share": 0.08},
)  # fmt: skip
"""Loggers and machines, taken in turn by mould and seed; 1 to 10 Hz, strokes, hoses, packing, a bleed wanted."""


def _uniform(**ranges: tuple[float, float]) -> Draw:
    return lambda rng: {k: float(rng.uniform(*r)) for k, r in ranges.items()}


def _ratio(rng: np.random.Generator) -> dict[str, Any]:
    size = float(rng.choice([-1, 1]) * rng.uniform(0.15, 0.3))
    return {"severity": size, "begins": float(rng.uniform(0.05, 0.7)), "span": float(rng.uniform(0.1, 0.2))}


def _slugs(rng: np.random.Generator) -> dict[str, Any]:
    draw = _uniform(begins=(0.1, 0.5), span=(0.2, 0.4), lasts_s=(1.0, 2.0))(rng)
    return {"severity": float(rng.integers(3, 7)), **draw}


def _offset(rng: np.random.Generator) -> dict[str, Any]:
    if rng.random() < 0.5:
        return {"channel": "line_pressure_bar", "severity": float(rng.uniform(0.03, 0.06))}
    return {"channel": "cavity_pressure_mbar", "severity": float(rng.choice([-1, 1]) * rng.uniform(20, 40))}


def _stuck(rng: np.random.Generator) -> dict[str, Any]:
    channels = ["line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar"]  # strokes log no flow
    return {"channel": str(rng.choice(channels)), **_uniform(severity=(10.0, 20.0), begins=(0.1, 0.6))(rng)}


MUST_BE_FOUND: dict[str, Draw] = {
    "race_tracking": _uniform(severity=(0.25, 0.5)),
    "flow_restriction": _uniform(severity=(4.0, 8.0), begins=(0.1, 0.85)),
    "early_gel": _uniform(severity=(60.0, 120.0), begins=(0.2, 0.8)),
    "air_in_line": _slugs,
    "short_fill": _uniform(severity=(0.04, 0.08)),
    "overfill": _uniform(severity=(0.10, 0.20)),
    "ratio_off": _ratio,
    "sensor_offset": _offset,
    "sensor_stuck": _stuck,
    "vacuum_lost": _uniform(severity=(100.0, 200.0), begins=(0.1, 0.7)),
}
"""Kinds with the severities that must be found, and up to twice those."""
BESIDES: dict[str, Draw] = {
    "catalyst_starved": _uniform(severity=(0.8, 1.0), begins=(0.1, 0.8)),
    "cover_lifting": _uniform(severity=(0.3, 0.8), begins=(0.2, 0.7)),
    "vent_blocked": _uniform(severity=(0.9, 1.0), begins=(0.1, 0.6)),
    "clamp_margin_low": _uniform(severity=(200.0, 600.0)),
    "unusual_shape": _uniform(severity=(0.4, 0.7), begins=(0.2, 0.6)),
}
"""Kinds without a stated severity."""
FAINTER: dict[str, tuple[tuple[float, ...], dict[str, Any]]] = {
    "race_tracking": ((0.15, 0.2, 0.25, 0.35), {}),
    "flow_restriction": ((2.0, 3.0, 4.0, 6.0), {"begins": 0.4}),
    "early_gel": ((240.0, 180.0, 120.0, 60.0), {"begins": 0.5}),
    "air_in_line": ((1.0, 2.0, 3.0, 5.0), {"lasts_s": 1.0, "begins": 0.2}),
    "short_fill": ((0.02, 0.03, 0.04, 0.06), {}),
    "overfill": ((0.08, 0.1, 0.13, 0.2), {}),
    "ratio_off": ((0.1, 0.12, 0.15, 0.2), {"span": 0.1}),
    "sensor_offset": ((0.01, 0.02, 0.03, 0.05), {"channel": "line_pressure_bar"}),
    "sensor_stuck": ((6.0, 8.0, 10.0, 20.0), {"channel": "line_pressure_bar"}),
    "vacuum_lost": ((50.0, 75.0, 100.0, 200.0), {"begins": 0.4}),
    "cover_lifting": ((0.1, 0.2, 0.4), {"begins": 0.4}),
    "vent_blocked": ((0.7, 0.8, 0.9), {"begins": 0.4}),
}
"""Severities around the one that must be found, and what else is fixed."""


def moulds(seed: int, shots: int = MOULD_SHOTS, **settings: Any) -> tuple[mu.Mould, ...]:
    """One mould of each geometry, its logger and machine by turns; fronts from a port even out, as in `five_moulds`."""
    made = []
    for i, (name, geometry) in enumerate(mu.five_geometries().items()):
        even = 0.5 if geometry.fill == "radial" else 1.0
        own = {"programme": "each", "lane_scale": even, **VARIANTS[(i + seed) % len(VARIANTS)], **settings}
        made.append(mu.Mould(name, geometry, shots=shots, flange_gap=(i + seed) % 2 == 0, **own))
    return tuple(made)


def with_filled_flow(made: mu.MadeUp) -> mu.MadeUp:
    """Flow from strokes where a mould counts strokes, as taking logs in does."""
    from dataclasses import replace

    from catchpot.ingest.strokes import from_strokes

    strokes = dict(
        made.shot.filter(pl.col("stroke_volume_ml").is_not_null()).select("shot", "stroke_volume_ml").iter_rows()
    )
    if not strokes:
        return made
    parts = []
    for (shot,), part in made.sample.group_by("shot", maintain_order=True):
        if shot in strokes:
            count = part["pump_strokes"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
            flow, _, _ = from_strokes(part["t_s"].to_numpy(), count, strokes[str(shot)])
            part = part.with_columns(flow_l_min=pl.Series(flow))
        parts.append(part)
    return replace(made, sample=pl.concat(parts))


def findings(scenario: mu.Scenario, seed: int) -> tuple[pl.DataFrame, pl.DataFrame, mu.MadeUp]:
    """Findings of `faults` on a scenario, one row a shot with its truth, and what was simulated."""
    from catchpot_faults.analysis import Faults
    from catchpot_faults.signs import FaultSigns
    from catchpot_faults.tables import FAULT_SIGN
    from catchpot_fill.analysis import FillAnalysis
    from catchpot_fill.injection_analysis import InjectionAnalysis
    from catchpot_fill.tables import FILL, INJECTION

    declared = {t.name: t for t in (FILL, INJECTION, FAULT_SIGN)}
    made = with_filled_flow(mu.simulate(scenario, seed=seed))
    tables, book = made.tables(), made.book()
    for analysis in (InjectionAnalysis(), FillAnalysis(), FaultSigns()):
        tables |= dict(mu.compute(analysis, tables, book, declared=declared).tables)
    result = mu.compute(Faults(), tables, book, declared=declared)
    happened = made.truth_fault.select("shot", "severity", "happened")
    truth = made.truth_shot.filter(pl.col("kind") == "shot") if "kind" in made.truth_shot.columns else made.truth_shot
    bleed = {m.name: m.bleed_target_l for m in scenario.moulds}
    truth = truth.join(happened, on="shot", how="left").with_columns(
        pl.col("happened").fill_null(True), bleed_l=pl.col("mould").replace_strict(bleed, return_dtype=pl.Float64)
    )
    odds = result.tables["fault_odds"].select("shot", "kind", "chance_pct")
    return result.tables["finding"].join(odds, on=["shot", "kind"], how="left"), truth, made


def outcomes(found: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """One row a shot and finding: shot, mould, severity, true kind ("" for healthy), found kind ("" for nothing)."""
    shots = truth.filter(pl.col("happened")).select(
        "shot", "mould", "severity", pl.col("faults").alias("true"),
        (pl.col("arrival_volume_l").is_null() & (pl.col("filled_share") < 0.96)).alias("unfilled"),
        (((pl.col("overflow_l") - pl.col("bleed_l")) / pl.col("arrival_volume_l")) >= 0.095)
        .fill_null(False).alias("overfilled"),
    )  # fmt: skip
    likeliest = found.filter(pl.col("rank") == 1).select("shot", pl.col("kind").alias("found")).unique()
    joined = shots.join(likeliest, on="shot", how="left").with_columns(pl.col("found").fill_null(""))
    # A fixed programme lets more than a tenth past now and then with nothing put in: that is an overfill all the same.
    joined = joined.filter(~((pl.col("found") == "overfill") & pl.col("overfilled") & (pl.col("true") != "overfill")))
    follows = (pl.col("found") == "short_fill") & pl.col("unfilled") & ~pl.col("true").is_in(["", "short_fill"])
    return joined.filter(~follows)


def held_against(found: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """One row a shot and finding (`found` empty for none): its chance, 0 to 1, and whether it is right.

    A short fill is right where resin had not arrived, an overfill where 9.5 % or more went past, whoever put it in.
    """
    said = found.select("shot", found="kind", told="severity", chance=pl.col("chance_pct") / 100)
    rows = truth.filter(pl.col("happened")).join(said, on="shot", how="left")
    rows = rows.with_columns(pl.col("found").fill_null(""), pl.col("faults").fill_null("").alias("true"))
    past = (pl.col("overflow_l") - pl.col("bleed_l")) / pl.col("arrival_volume_l")
    short = pl.col("found").is_in(["short_fill", "stopped_before_vent"]) & pl.col("arrival_volume_l").is_null()
    over = (pl.col("found") == "overfill") & (past >= 0.095).fill_null(False)
    return rows.with_columns(right=(pl.col("found") == pl.col("true")) | short | over)


def confusion(rows: pl.DataFrame) -> pl.DataFrame:
    """Shots by true kind (rows) and found kind (columns), with recall (by geometry too) and precision."""
    kinds = sorted(set(rows["true"]) | set(rows["found"]) - {""})
    made = []
    for true in kinds:
        mine = rows.filter(pl.col("true") == true)
        shots = mine["shot"].n_unique() if mine.height else 0
        row: dict[str, Any] = {"true": true or "healthy", "shots": shots}
        if true:
            hit = mine.filter(pl.col("found") == true)["shot"].n_unique()
            called = rows.filter(pl.col("found") == true)["shot"].n_unique()
            row |= {
                "recall": round(hit / shots, 3) if shots else None,
                "precision": round(hit / called, 3) if called else None,
            }
            for geometry in mu.five_geometries():
                part = mine.filter(pl.col("mould") == geometry)
                n = part["shot"].n_unique()
                found = part.filter(pl.col("found") == true)["shot"].n_unique()
                row[f"recall_{geometry}"] = round(found / n, 3) if n else None
        else:
            any_of = mine.filter(pl.col("found") != "")["shot"].n_unique()
            row |= {"recall": None, "precision": None, "flagged_pct": round(100 * any_of / max(shots, 1), 2)}
        row |= {f"as_{k}": mine.filter(pl.col("found") == k)["shot"].n_unique() for k in kinds if k}
        made.append(row | {"as_nothing": mine.filter(pl.col("found") == "")["shot"].n_unique()})
    return pl.DataFrame(made, infer_schema_length=None)


__all__ = [
    "BESIDES",
    "FAINTER",
    "FIRST_FAULT",
    "MOULD_SHOTS",
    "MUST_BE_FOUND",
    "confusion",
    "findings",
    "held_against",
    "moulds",
    "outcomes",
]
