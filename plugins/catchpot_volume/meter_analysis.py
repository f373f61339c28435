"""Each injector's gain over time, from all its moulds and from checks by bucket and scales."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Kept, Result
from catchpot.keeping import Worked
from catchpot.physics.volume import book_volume
from catchpot.stats.changepoint import find_changes, limit_for
from catchpot.tables import Table, empty, from_rows, shape
from catchpot_volume import gather
from catchpot_volume.meters import CHECKED_SD, Check, checks_of, common_step
from catchpot_volume.tables import FOUND_STEP, METER, METER_WITNESS

UNCHECKED_SD = 0.03
"""S.d. of the gain of a meter nobody has checked (common practice, no source)."""
BOOKS_SD = 0.06
"""S.d. of what all books of a workshop may have wrong together: resin arrives before the last corner is full."""
LEAST = 4
REACH = 60
WITNESS_DECIMALS = 9
"""Of log volumes: a millionth of a millilitre. The digits beyond depend on which shots were computed together."""
WINDOW = 500
"""Shots of all moulds of an injector that are looked through for a step at once."""
CLEAR = 3.0
"""Standard errors beyond which a step that the moulds share is one of the meter's."""


class MeterParams(BaseModel):
    """Settings, `[analyses.meter]`: none."""

    model_config = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Step:
    """A log step of the gain at a time. known: from a check, not from the moulds."""

    at: datetime
    size: float
    sd: float
    moulds: int
    source: str


class MeterAnalysis:
    """The analysis `meter`, over the workshop."""

    name = "meter"
    part: Literal["shot", "mould", "workshop"] = "workshop"
    causal = False  # later shots sharpen the step before them
    keeps = "worked_out"
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "shot": ("mould", "started_at", *gather.SHOT_COLUMNS),
            "fill": gather.FILL_COLUMNS,
            "permeability": gather.PERMEABILITY_COLUMNS,
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {"part": gather.PART_COLUMNS, "event": ("time", "mould", "kind", "detail")}
    )
    yields: tuple[Table, ...] = (METER, METER_WITNESS)
    params: type[BaseModel] = MeterParams

    def compute(self, job: Job) -> Result:
        """Compute the workshop."""
        frame = gather.joined(job.tables, job.book)
        frame = frame.filter(pl.col("injector").is_not_null())
        witness = witness_rows(frame)
        if frame.is_empty():
            return Result({METER.name: empty(METER), METER_WITNESS.name: witness})
        events = job.tables["event"].to_dicts() if "event" in job.tables else []
        injectors = frame["injector"].unique().sort().to_list()
        checks = checks_of(events, injectors)
        worked = Worked(job.kept.state if job.kept is not None else None)
        rows = [
            r
            for injector in injectors
            for r in gains(frame.filter(pl.col("injector") == injector),
                           witness.filter(pl.col("injector") == injector),
                           [c for c in checks if c.injector == injector], worked)
        ]  # fmt: skip
        made = {METER.name: from_rows(METER, rows, whole=True), METER_WITNESS.name: witness}
        return Result(made, kept=Kept(0, worked.state()))


def witness_rows(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of meter_witness: shots whose arrival volume is known or whose resin was weighed."""
    if frame.is_empty():
        return empty(METER_WITNESS)
    made = shape(METER_WITNESS, {
        "injector": frame["injector"], "at": frame["started_at"], "of_shot": frame["shot"], "of_mould": frame["mould"],
        "log_volume": pl.Series(gather.log_relative_volume(frame)).fill_nan(None).round(WITNESS_DECIMALS),
        "shared_sd": frame["arrival_relative_shared_sd"].round(WITNESS_DECIMALS),
        "log_balance": pl.Series(gather.log_balance(frame)).fill_nan(None).round(WITNESS_DECIMALS),
    })  # fmt: skip
    return made.filter(pl.col("log_volume").is_not_null() | pl.col("log_balance").is_not_null())


def gains(
    frame: pl.DataFrame, witness: pl.DataFrame, checks: list[Check], worked: Worked | None = None
) -> list[dict[str, Any]]:
    """Rows of `meter` of one injector: the gain from its first shot on, and after every step."""
    start = frame["started_at"][0]
    steps = steps_of(witness, checks, start, worked)
    log_gain, sd, source = _level(frame, steps, checks)
    rows: list[dict[str, Any]] = []
    edges = [start, *(s.at for s in steps)]
    for i, since in enumerate(edges):
        until = edges[i + 1] if i + 1 < len(edges) else None
        inside = (frame["started_at"] >= since) & ((frame["started_at"] < until) if until else True)
        mine = frame.filter(inside)
        step = steps[i - 1] if i else None
        value, spread = log_gain[i], sd[i]
        rows.append({
            "injector": frame["injector"][0], "since": since, "until": until, "gain": float(np.exp(value)),
            "gain_low": float(np.exp(value - 1.96 * spread)), "gain_high": float(np.exp(value + 1.96 * spread)),
            "change_pct": 100 * float(np.expm1(step.size)) if step else None,
            "change_low_pct": 100 * float(np.expm1(step.size - 1.96 * step.sd)) if step else None,
            "change_high_pct": 100 * float(np.expm1(step.size + 1.96 * step.sd)) if step else None,
            "moulds": step.moulds if step else mine["mould"].n_unique(), "shots": mine.height,
            "source": (step.source + "; " if step else "") + source,
        })  # fmt: skip
    return rows


def steps_of(witness: pl.DataFrame, checks: list[Check], start: datetime, worked: Worked | None = None) -> list[Step]:
    """Steps that two moulds or more share, at calibrations or where the pooled volumes change; and what checks tell."""
    if witness.is_empty():
        return []
    places = [(c.at, f"{c.kind.replace('_', ' ')}") for c in checks if c.kind == "meter_calibrated" and c.at > start]
    for at in _pooled_changes(witness, worked or Worked(None)):
        if all(abs((at - p).total_seconds()) > 3 * 86400 for p, _ in places):
            places.append((at, FOUND_STEP))
    places.sort(key=lambda p: p[0])
    made: list[Step] = []
    at_all = witness["at"].to_list()  # in order of time, as the frame is
    for i, (at, why) in enumerate(places):
        low = places[i - 1][0] if i else at_all[0]
        high = places[i + 1][0] if i + 1 < len(places) else at_all[-1]
        here = bisect_left(at_all, at)
        before = at_all[max(bisect_left(at_all, low), here - REACH * 3) : here]
        after = at_all[here : min(bisect_right(at_all, high), here + REACH * 3)]
        if len(before) < LEAST or len(after) < LEAST:
            continue
        found, moulds = common_step(witness, (before[0], before[-1], after[0], after[-1]))
        told = next((c.gain for c in checks if c.at == at and c.gain is not None), None)
        size_sd = found if moulds >= 2 else None
        if told is not None:  # what was found before it was set
            known = (-float(np.log(told)), 2 * CHECKED_SD)
            if size_sd is None:
                size_sd = known
            else:
                w = np.array([1 / size_sd[1] ** 2, 1 / known[1] ** 2])
                size_sd = (float(w @ [size_sd[0], known[0]] / w.sum()), float(w.sum() ** -0.5))
        if size_sd is None or (told is None and abs(size_sd[0]) < CLEAR * size_sd[1]):
            continue
        made.append(Step(at, *size_sd, moulds, why))
    return made


def _pooled_changes(witness: pl.DataFrame, worked: Worked) -> list[datetime]:
    """Where the volumes of all moulds together, each about its own median, change.

    A long history is looked at in windows that overlap by half, each about its own medians: what a window says stands
    once it is full, and a change counts where it lies a quarter of a window or more from the window's ends.
    """
    known = witness.filter(pl.col("log_volume").is_not_null()).sort("at", "of_shot")
    if known.height < 20:
        return []
    found: list[datetime] = []
    begins = range(0, max(known.height - WINDOW, 0) + WINDOW // 2, WINDOW // 2)
    for begin in begins:
        part = known[begin : begin + WINDOW]
        low = WINDOW // 4 if begin else 0
        high = 3 * WINDOW // 4 if begin != begins[-1] else WINDOW
        moulds = part["of_mould"].to_list()
        values = part["log_volume"].to_numpy().astype(float)
        places = worked.out("window", (moulds, values), partial(_pooled, part))
        found += [part["at"][i] for i in places if low <= i < high]
    return found


def _pooled(part: pl.DataFrame) -> list[int]:
    """The places of a window where its moulds' volumes step together."""
    own = part.with_columns(d=pl.col("log_volume") - pl.col("log_volume").median().over("of_mould"))
    if own["of_mould"].n_unique() < 2:
        return []
    changes = find_changes(own["d"].to_numpy().astype(float), None, limit_for(2))
    return [int(c.at) for c in changes if c.kind == "step"]


def _level(frame: pl.DataFrame, steps: list[Step], checks: list[Check]) -> tuple[list[float], list[float], str]:
    """Log gain and its s.d. from the start and after each step: prior, moulds' books and checks, by least squares."""
    edges = [s.at for s in steps]
    k = len(edges) + 1
    information = np.zeros((k, k))
    target = np.zeros(k)
    information[0, 0] += 1 / UNCHECKED_SD**2
    for i, s in enumerate(steps):
        row = np.zeros(k)
        row[i], row[i + 1] = -1.0, 1.0
        information += np.outer(row, row) / s.sd**2
        target += row * s.size / s.sd**2

    def see(i: int, value: float, sd: float) -> None:
        information[i, i] += 1 / sd**2
        target[i] += value / sd**2

    said = ["no check by bucket and scales"]
    seen = 0
    for c in checks:
        if c.gain is None:
            continue
        place = int(np.searchsorted(np.array([e.timestamp() for e in edges]), c.at.timestamp(), side="right"))
        place = max(place - 1, 0) if c.kind == "meter_calibrated" and c.at in edges else place
        see(place, float(np.log(c.gain)), CHECKED_SD)
        seen += 1
    if seen:
        said = [f"{seen} check{'s' if seen > 1 else ''} by bucket and scales"]
    against_book: list[tuple[float, float]] = []
    for own in frame.sort("mould", maintain_order=True).partition_by("mould", maintain_order=True):
        logs = gather.log_volume(own)
        first = (own["started_at"] < edges[0]).to_numpy() if edges else np.ones(own.height, bool)
        known = np.flatnonzero(first & np.isfinite(logs))
        if len(known) < LEAST:
            continue
        usual = float(np.median(logs[known]))
        book = gather.part_book(own, int(known[-1]), float(np.exp(usual)))
        if book is None or book.bed_l <= 0:
            continue
        expected, sd = book_volume(book, 0.05, 0.025, 0.05)
        against_book.append((float(usual - np.log(expected)), sd / expected))
    books = len(against_book)
    if books:
        values, sds = np.array(against_book).T
        weight = 1 / sds**2
        see(0, float(weight @ values / weight.sum()), float(np.hypot(weight.sum() ** -0.5, BOOKS_SD)))
    if books:
        said.append(f"the mould book of {books} mould{'s' if books > 1 else ''}")
    covariance = np.linalg.inv(information)
    level = covariance @ target
    return level.tolist(), np.sqrt(np.diag(covariance)).tolist(), " and ".join(said)


__all__ = ["MeterAnalysis"]
