"""The series that are watched: each tracked measure of a mould in time order, with what else may move it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.report.words import count, words_of
from catchpot.stats.stretch import lasting_sd
from catchpot.tables import Table
from catchpot_drift.settings import EXPANDING, SHARED_ERRORS, DriftParams

Floats = NDArray[np.float64]
LEAST_SHOTS = 20
USUAL_SHOTS = 60
"""Of the first so many shots the median temperature difference counts as usual."""


@dataclass(frozen=True)
class Series:
    """One measure of one mould: the shots that have it, in order. beside: (shots, columns); taken_out: in words.

    lasting_sd: by which levels of it err apart however many shots they have; 0 where all errors average out.
    """

    measure: str
    label: str
    unit: str
    frame: pl.DataFrame
    values: Floats
    beside: Floats | None
    taken_out: str
    lasting_sd: float = 0.0


def column_of(measure: str, columns: Sequence[str]) -> str | None:
    """The column of the wide frame that a measure means: of that name, or `table.name` (fill's first); None for none.

    >>> column_of("resin_temp_c", ["curve.resin_temp_c", "fill.resin_temp_c"])
    'fill.resin_temp_c'
    """
    if measure in columns:
        return measure
    named = sorted((c for c in columns if c.endswith(f".{measure}")), key=lambda c: (not c.startswith("fill."), c))
    return named[0] if named else None


def label_and_unit(column: str, declared: Table) -> tuple[str, str]:
    """A column's words and unit."""
    try:
        found = declared.column(column)
    except KeyError:
        return words_of(column), ""
    words = (found.label or found.doc.split(";")[0].split(" (")[0]).split(":")[0].split(",")[0]
    return words, found.unit


def unknown_batches(shots: pl.DataFrame) -> list[str | None]:
    """For each shot its resin batch where that has no viscosity of its own; None where it has one or none is noted.

    shots: resin_batch, batch_viscosity_pa_s.
    """
    own = pl.col("batch_viscosity_pa_s").is_not_null()
    return shots.select(pl.when(own).then(None).otherwise(pl.col("resin_batch")).alias("batch"))["batch"].to_list()


def gather(
    wide: pl.DataFrame, declared: Table, batches: Sequence[str | None], tracked: Sequence[str], params: DriftParams
) -> tuple[list[Series], dict[str, str]]:
    """The series of a mould, and for each tracked measure without one the reason.

    wide: one row a shot in time order, measures as columns. batches: as `unknown_batches`, a row each.
    """
    made: list[Series] = []
    refused: dict[str, str] = {}
    batch = pl.Series("batch", list(batches), dtype=pl.String)
    for measure in tracked:
        column = column_of(measure, wide.columns)
        if column is None:
            refused[measure] = "nothing in use has computed it for this mould"
            continue
        known = wide[column].is_not_null()
        frame = wide.filter(known)
        if frame.height < LEAST_SHOTS:
            have = "no shot has" if frame.is_empty() else f"only {count(frame.height, 'shot')} with"
            refused[measure] = f"{have} this measure; {LEAST_SHOTS} are needed before a change can be told"
            continue
        label, unit = label_and_unit(column, declared)
        beside, words = _beside(measure, frame, batch.filter(known), params)
        values = frame[column].to_numpy().astype(float)
        if measure in EXPANDING:
            factor = _expansion(frame, params.expansion_per_k)
            values, words = values * factor, "expansion between meter and mould" if np.ptp(factor) > 0 else words
        lasting = _lasting_sd(measure, frame, values)
        made.append(Series(measure, label, unit, frame.select("shot", "started_at"), values, beside, words, lasting))
    return made, refused


def _lasting_sd(measure: str, frame: pl.DataFrame, values: Floats) -> float:
    """By what all shots of a mould share of their error, in the measure's own unit."""
    shared = column_of(SHARED_ERRORS.get(measure, ""), frame.columns)
    if shared is None:
        return 0.0
    return lasting_sd(frame[shared].cast(pl.Float64).fill_null(np.nan).to_numpy()) * float(np.median(values))


def _expansion(frame: pl.DataFrame, per_k: float) -> Floats:
    """What brings a metered volume to the temperature difference that was usual among the mould's first shots; 1 where
    a temperature is missing. Of the first ones, so that a new shot changes nothing of the earlier ones."""
    mould, resin = (column_of(c, frame.columns) for c in ("mould_temp_c", "resin_temp_c"))
    if mould is None or resin is None:
        return np.ones(frame.height)
    warmer = (frame[mould] - frame[resin]).cast(pl.Float64)
    usual = warmer.drop_nulls().head(USUAL_SHOTS).median()
    if not isinstance(usual, float):
        return np.ones(frame.height)
    return np.asarray(1 + per_k * (warmer.fill_null(usual).to_numpy() - usual))


def _beside(measure: str, frame: pl.DataFrame, batch: pl.Series, params: DriftParams) -> tuple[Floats | None, str]:
    columns: list[Floats] = []
    said: list[str] = []
    for name in params.beside.get(measure, ()):
        column = column_of(name, frame.columns)
        if column is None or frame[column].null_count() > frame.height // 2:
            continue
        # as it was last read; before it was ever read, as it was first
        filled = frame[column].forward_fill().backward_fill().to_numpy().astype(float)
        if filled.std() > 1e-9 * max(1.0, abs(float(filled.mean()))) or filled.std() > 1e-6:
            columns.append(filled)
            said.append(
                words_of(name.removesuffix("_temp_c")) + " temperature"
                if name.endswith("_temp_c")
                else "viscosity at temperature"
            )
    if measure in params.resin_bound:
        names = batch.drop_nulls().unique(maintain_order=True).to_list()
        present = batch.to_list()
        flags = [np.array([b == n for b in present], dtype=float) for n in names]
        flags = [f for f in flags if 0 < f.sum() < f.size]
        if flags:
            columns += flags
            said.append("the level of each resin batch whose viscosity is not in the mould book")
    return (np.column_stack(columns), ", ".join(said)) if columns else (None, "")
