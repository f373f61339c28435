"""The data file of a mould's month of shots: each shot's channels over time, its phases and its curve.

A file is made from the logs alone (channels, phases, what was wrong, the curve on the shot's own volume), so that a
month's file never changes once its shots are logged. What other shots can change (numbers with intervals, findings)
stands on the mould's page of shots.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
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
SHOTS_AT_ONCE = 1000
NO_SAMPLES = '"t":[]'
_STEPS = {"l/min": 0.001, "bar": 0.001, "mbar": 0.1, "deg C": 0.1, "ml/min": 0.1, "mm": 0.01}
CURVE_COLUMNS = ("shot", "injected_volume_l", "bed_viscosity_pa_s", "resistance_per_m3")


@dataclass(frozen=True)
class MonthFile:
    """A data file: its name, its shots, and what it is made from as a key."""

    name: str
    shots: Sequence[str]
    key: str


def channels_described() -> dict[str, list[Any]]:
    """Channel -> its words with the unit that is printed, and the step its numbers are counted in, in that unit."""
    made: dict[str, list[Any]] = {}
    for c in SHOWN:
        unit, factor, _ = in_shop(c.unit)
        words = re.split(", | between ", c.doc)[0]
        made[c.name] = [f"{words} [{pretty_unit(unit)}]", float(f"{_STEPS[c.unit] * factor:.6g}")]
    return made


def month_files(source: Source, pages: Pages, files: Iterable[MonthFile]) -> None:
    """Write the data files of some months; those made from the same are kept."""
    some: list[MonthFile] = []
    shots = 0
    for file in files:
        if pages.unchanged(file.name, file.key):
            continue
        some.append(file)
        shots += len(file.shots)
        if shots >= SHOTS_AT_ONCE:
            _write(source, pages, some)
            some, shots = [], 0
    if some:
        _write(source, pages, some)


def _write(source: Source, pages: Pages, files: Sequence[MonthFile]) -> None:
    from catchpot.report.pages import OURS

    shots = [shot for file in files for shot in file.shots]
    with source.reading() as reads:
        thin = reads.thinned(shots, [c.name for c in SHOWN], STRETCHES)
        phases = reads.table("phase", ["shot", "phase", "start_s", "end_s"], shots=shots)
        quality = reads.table("quality", ["shot", "detail", "count"], shots=shots)
        about = reads.table("shot", ["shot", "source_file", "injector", "programmed_volume_l"], shots=shots)
        declared = reads.tables()
        curves = None
        if "injection" in declared and set(CURVE_COLUMNS) <= set(declared["injection"].names):
            curves = reads.table("injection", list(CURVE_COLUMNS), shots=shots)
    drawn = _channels(thin)
    curve = _curves(curves) if curves is not None else {}
    of_phase = _grouped(phases)
    of_quality = _grouped(quality)
    content: dict[str, str] = {}
    for row in about.iter_rows(named=True):
        shot = row["shot"]
        fields = {
            "file": row["source_file"],
            "injector": row["injector"],
            "set": row["programmed_volume_l"],
            "phases": [[p, round(a, 1), round(b, 1)] for p, a, b in of_phase.get(shot, ())],
            "log": [d for d, _ in of_quality.get(shot, ()) if d],
        }
        texts = [theme.to_script_json(fields)[1:-1], curve.get(shot, ""), drawn.get(shot, NO_SAMPLES)]
        content[shot] = f"{theme.to_script_json(shot)}:{{{','.join(filter(None, texts))}}}"
    for file in files:
        own = ",".join(content[shot] for shot in sorted(file.shots) if shot in content)
        pages.put(file.name, f"{OURS}\ncatchpot.shots.take({{{own}}});\n", key=file.key)


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


def _curves(rows: pl.DataFrame) -> dict[str, str]:
    """Shot -> `"curve":[...]`: injected volume l, resistances in bar min/l at equal shares of it, viscosity Pa s."""
    import numpy as np
    import polars as pl

    rows = rows.drop_nulls()
    if rows.is_empty():
        return {}
    cells = rows["resistance_per_m3"].explode().cast(pl.Float64).fill_null(np.nan).to_numpy().reshape(rows.height, -1)
    own = cells * rows["bed_viscosity_pa_s"].to_numpy()[:, None] / (1e5 * 6e4)
    groups = own[:, : own.shape[1] // CURVE_POINTS * CURVE_POINTS].reshape(rows.height, CURVE_POINTS, -1)
    known = np.isfinite(groups)
    total = np.where(known, groups, 0.0).sum(axis=2)
    mean = np.where(known.any(axis=2), total / np.maximum(known.sum(axis=2), 1), np.nan)
    made = {}
    facts = rows.select("shot", "injected_volume_l", "bed_viscosity_pa_s").iter_rows()
    for (shot, volume, viscosity), values in zip(facts, mean.tolist(), strict=True):
        points = ",".join([repr(float(f"{v:.3g}")) if v == v else "null" for v in values])  # NaN equals nothing
        made[shot] = f'"curve":[{round(volume, 4)!r},[{points}],{float(f"{viscosity:.4g}")!r}]'
    return made


__all__ = ["CURVE_COLUMNS", "SHOWN", "STRETCHES", "MonthFile", "channels_described", "month_files"]
