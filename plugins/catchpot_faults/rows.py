"""From judgements to the rows of the tables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from catchpot.core_tables import FINDING
from catchpot.stats.healthy_curve import GRID
from catchpot.tables import from_rows, shape
from catchpot_faults.tables import FAULT_EVIDENCE, FAULT_ODDS, ODD_CURVE

if TYPE_CHECKING:
    import polars as pl

    from catchpot_faults.decide import Odds
    from catchpot_faults.hypothesis import Kind
    from catchpot_faults.judge import Finding, Judged
    from catchpot_faults.shots import Shots

Floats = NDArray[np.float64]
TO_BAR_MIN_L = 1e-5 * 1e-3 / 60.0
"""Pa s/m3 in bar min/l."""
HEALTHY_WORDS = "nothing wrong"


def tables(
    shots: Shots, judged: Judged, kinds: Mapping[str, Kind], odds: Odds, first: int = 0
) -> dict[str, pl.DataFrame]:
    """All tables of `faults` for one mould, without its first shots."""
    found = [(i, f) for i, fs in enumerate(judged.findings) for f in fs]
    return {
        FINDING.name: from_rows(FINDING, finding_rows(shots, judged), whole=True),
        FAULT_EVIDENCE.name: _evidence(shots, judged)[first:],
        FAULT_ODDS.name: from_rows(FAULT_ODDS, [_odds_row(shots, i, f, kinds, odds) for i, f in found], whole=True),
        ODD_CURVE.name: from_rows(
            ODD_CURVE,
            [
                _drawn(shots, judged, i)
                for i, fs in enumerate(judged.findings)
                if fs and np.isfinite(judged.expected[i]).any()
            ],
            whole=True,
        ),
    }


def finding_rows(shots: Shots, judged: Judged) -> list[dict[str, object]]:
    """Rows of `finding`; the anchor is analysis, kind and shot."""
    return [
        {
            "shot": shots.shot[i], "mould": shots.mould, "kind": f.found.kind, "severity": f.found.severity,
            "since": shots.started_at[i], "message": f"{f.found.message} {said(f)}", "advice": f.found.advice,
            "analysis": "faults", "anchor": f"faults-{f.found.kind}-{shots.shot[i]}", "until": None,
            "from_volume_l": f.found.from_l, "to_volume_l": f.found.to_l, "rank": 1, "about": None, "cause": None,
            "chance": float(f.chance),
        }
        for i, of_shot in enumerate(judged.findings) for f in of_shot
    ]  # fmt: skip


def said(f: Finding) -> str:
    """How sure it is, and what else it may be."""
    other, chance = f.runner_up
    sure = f"It is so with a chance of {percent(f.chance)}"
    if chance < 0.01:
        return sure + "."
    name = HEALTHY_WORDS if other == "healthy" else other.replace("_", " ")
    return f"{sure}, {name} with {percent(chance)}. To settle it: {f.settles[0].lower()}{f.settles[1:]}"


def percent(chance: float) -> str:
    """A chance as people say it.

    >>> percent(0.973), percent(0.9999)
    ('97 %', 'more than 99 %')
    """
    return "more than 99 %" if chance > 0.995 else f"{100 * chance:.0f} %"


def _evidence(shots: Shots, judged: Judged) -> pl.DataFrame:
    level = np.array([_middle(r) for r in np.log(shots_over(shots, judged))])
    return shape(FAULT_EVIDENCE, {
        "shot": shots.shot, "mould": [shots.mould] * len(shots), "usual_shots": judged.usual_shots.astype(int),
        "chance_healthy_pct": listed(100 * judged.chance_healthy), "resistance_pct": listed(100 * np.expm1(level)),
        "resistance_scatter_pct": listed(100 * judged.level_sd),
    })  # fmt: skip


def shots_over(shots: Shots, judged: Judged) -> Floats:
    """Resistance of each shot over what was expected of it (shots, CELLS)."""
    return np.asarray(np.exp(judged.resistance - judged.expected))


def _middle(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _odds_row(shots: Shots, i: int, f: Finding, kinds: Mapping[str, Kind], odds: Odds) -> dict[str, object]:
    told = sorted(f.by_channel.items(), key=lambda c: -abs(c[1]))
    return {
        "shot": shots.shot[i], "mould": shots.mould, "kind": f.found.kind, "chance_pct": 100 * f.chance,
        "log_odds_before": -odds.log_against(kinds[f.found.kind]), "log_ratio": float(sum(f.by_channel.values())),
        "by_channel": "; ".join(f"{c.replace('_', ' ')} {v:+.1f}" for c, v in told),
        "parameters": "; ".join(f"{k} {v:.3g}" for k, v in f.parameter.items() if np.isfinite(v)),
        "runner_up": f.runner_up[0], "runner_up_chance_pct": 100 * f.runner_up[1], "settles": f.settles,
    }  # fmt: skip


def _drawn(shots: Shots, judged: Judged, i: int) -> dict[str, object]:
    """One row of `odd_curve`, at this shot's viscosity: the resistances are those of the day."""
    a = judged.aligned
    to_bar = float(np.nan_to_num(shots.number["bed_viscosity_pa_s"][i], nan=1.0)) * TO_BAR_MIN_L
    expected, half = judged.expected[i], 1.96 * judged.scatter[i]
    shapes = [f.deformation for f in judged.findings[i] if f.deformation is not None]
    fault = expected + np.sum(shapes, axis=0) if shapes else np.full(len(GRID), np.nan)
    unit, place = float(judged.scale_l[i]), float(a.place_l[i])
    return {
        "shot": shots.shot[i], "mould": shots.mould, "usual_arrival_l": place if np.isfinite(place) else unit,
        "vol_l": [float(v) for v in GRID * unit],
        "resistance_bar_min_l": listed(np.exp(judged.resistance[i]) * to_bar),
        "usual_bar_min_l": listed(np.exp(expected) * to_bar),
        "usual_low_bar_min_l": listed(np.exp(expected - half) * to_bar),
        "usual_high_bar_min_l": listed(np.exp(expected + half) * to_bar),
        "fault_bar_min_l": listed(np.exp(fault) * to_bar),
    }  # fmt: skip


def listed(values: Floats) -> list[float | None]:
    """A list with None for what is unknown."""
    return [float(v) if np.isfinite(v) else None for v in values]


__all__ = ["finding_rows", "listed", "said", "tables"]
