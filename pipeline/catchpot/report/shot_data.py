"""The data file of a mould's month of shots: each shot's channels over time, its phases and its curve.

A file is made from the logs alone (channels, phases, what was wrong, the curve on the shot's own volume), so that a
month's file never changes once its shots are logged. What other shots can change (numbers with intervals, findings)
stands on the mould's page of shots.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from catchpot.channels import CHANNELS
from catchpot.report import theme
from catchpot.report.words import pretty_unit
from catchpot.shop_units import in_shop

if TYPE_CHECKING:
    import polars as pl

    from catchpot.reads import Source
    from catchpot.report.pages import Pages

STRETCHES = 120
"""Stretches of time a shot is drawn in; each keeps its lowest and highest value of every channel."""
CURVE_POINTS = 100
SHOWN = tuple(c for c in CHANNELS if c.name not in ("pump_strokes", "vent_open", "resin_at_vent", "vacuum_isolated"))
NO_SAMPLES = '"t":[]'
_STEPS = {"l/min": 0.001, "bar": 0.001, "mbar": 0.1, "deg C": 0.1, "ml/min": 0.1, "mm": 0.01}
CURVE_COLUMNS = ("shot", "injected_volume_l", "bed_viscosity_pa_s", "resistance_per_m3")


def channels_described() -> dict[str, list[Any]]:
    """Channel -> its words with the unit that is printed, and the step its numbers are counted in, in that unit."""
    made: dict[str, list[Any]] = {}
    for c in SHOWN:
        unit, factor, _ = in_shop(c.unit)
        made[c.name] = [f"{c.doc.split(',')[0]} [{pretty_unit(unit)}]", float(f"{_STEPS[c.unit] * factor:.6g}")]
    return made


def month_file(source: Source, pages: Pages, name: str, key: str, shots: Sequence[str]) -> None:
    """Write the data file of some shots; one made from the same is kept."""
    if pages.unchanged(name, key):
        return
    from catchpot.report.pages import OURS

    with source.reading() as reads:
        names = [c.name for c in SHOWN]
        thin = reads.thinned(list(shots), names, STRETCHES)
        phases = reads.table("phase", ["shot", "phase", "start_s", "end_s"], shots=list(shots))
        quality = reads.table("quality", ["shot", "detail", "count"], shots=list(shots))
        about = reads.table("shot", ["shot", "source_file", "injector", "programmed_volume_l"], shots=list(shots))
        declared = reads.tables()
        curves = None
        if "injection" in declared and set(CURVE_COLUMNS) <= set(declared["injection"].names):
            curves = reads.table("injection", list(CURVE_COLUMNS), shots=list(shots))
    drawn = _channels(thin)
    curve = _curves(curves) if curves is not None else {}
    of_phase = _grouped(phases)
    of_quality = _grouped(quality)
    content: list[str] = []
    for row in about.iter_rows(named=True):
        shot = row["shot"]
        fields = {
            "file": row["source_file"],
            "injector": row["injector"],
            "set": row["programmed_volume_l"],
            "phases": [[p, round(a, 1), round(b, 1)] for p, a, b in of_phase.get(shot, ())],
            "log": [d for d, _ in of_quality.get(shot, ()) if d],
            **({"curve": curve[shot]} if shot in curve else {}),
        }
        text = theme.to_script_json(fields)[1:-1]
        content.append(f"{theme.to_script_json(shot)}:{{{text},{drawn.get(shot, NO_SAMPLES)}}}")
    pages.put(name, f"{OURS}\ncatchpot.shots.take({{{','.join(content)}}});\n", key=key)


def _grouped(frame: pl.DataFrame) -> Mapping[str, list[tuple[Any, ...]]]:
    made: dict[str, list[tuple[Any, ...]]] = {}
    for shot, *rest in frame.iter_rows():
        made.setdefault(shot, []).append(tuple(rest))
    return made


def _channels(thin: pl.DataFrame) -> dict[str, str]:
    """Shot -> `"t":[...],"c":{channel:[low, high, low, ...]}`; counted in steps, so that the numbers are short."""
    import polars as pl

    if thin.is_empty():
        return {}

    def counted(column: pl.Expr, step: float) -> pl.Expr:
        return (column / step).round(0).cast(pl.Int64).cast(pl.String).fill_null("null")

    rows = thin.select(
        "shot",
        counted(pl.col("t_s"), 0.1).alias("t"),
        *(
            (counted(pl.col(f"{c.name}_low"), _STEPS[c.unit]) + "," + counted(pl.col(f"{c.name}_high"), _STEPS[c.unit]))
            .alias(c.name)
            for c in SHOWN
        ),
        *(pl.col(f"{c.name}_low").is_not_null().alias(f"has {c.name}") for c in SHOWN),
    )  # fmt: skip
    joined = rows.group_by("shot", maintain_order=True).agg(
        pl.col("t", *(c.name for c in SHOWN)).str.join(","), pl.col(*(f"has {c.name}" for c in SHOWN)).any()
    )
    made = {}
    for row in joined.iter_rows(named=True):
        some = ",".join(f'"{c.name}":[{row[c.name]}]' for c in SHOWN if row[f"has {c.name}"])
        made[row["shot"]] = f'"t":[{row["t"]}],"c":{{{some}}}'
    return made


def _curves(rows: pl.DataFrame) -> dict[str, list[Any]]:
    """Shot -> [injected volume l, resistances in bar min/l at equal shares of it, the shot's viscosity in Pa s]."""
    import numpy as np

    made: dict[str, list[Any]] = {}
    for shot, volume, viscosity, cells in rows.iter_rows():
        if volume is None or viscosity is None or cells is None:
            continue
        own = np.array([np.nan if v is None else v for v in cells], dtype=float) * viscosity / (1e5 * 6e4)
        pairs = own[: len(own) // CURVE_POINTS * CURVE_POINTS].reshape(CURVE_POINTS, -1)
        known = np.isfinite(pairs)
        mean = np.where(known.any(1), np.where(known, pairs, 0.0).sum(1) / np.maximum(known.sum(1), 1), np.nan)
        made[shot] = [
            round(volume, 4),
            [None if np.isnan(v) else float(f"{v:.3g}") for v in mean],
            float(f"{viscosity:.4g}"),
        ]
    return made


__all__ = ["CURVE_COLUMNS", "SHOWN", "STRETCHES", "channels_described", "month_file"]
