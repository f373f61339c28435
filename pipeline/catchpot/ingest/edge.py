"""What is refused at the door because it can't be meant: starts out of all time, clocks and volumes in another unit.

A log whose time stamps count milliseconds reads as any other, and gives a thousand times the resin. Such a factor is
seen at the door, where the log can still be put right, and nowhere later.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from catchpot.dates import odd_start
from catchpot.ingest.reader import LogRefused, Remark

if TYPE_CHECKING:
    from catchpot.ingest.batch import Batch, Candidate
    from catchpot.ingest.reader import ShotMeta
    from catchpot.ingest.scan import Read
    from catchpot.workshop import Workshop

# Overfilling, flushing and a programme that was changed after the log was set up stay below the first (common practice,
# no source), and that is said; the nearest wrong unit of flow or time is a factor of 60, and such a log is refused.
ODD_TIMES, IMPLAUSIBLE_TIMES = 3.0, 20.0
# Where neither programme nor book says what a shot takes: no vacuum-held cover closes over more (common practice, no
# source), and not over this much where samples stand as far apart as no logger of a filling sets them.
LARGEST_SHOT_L, LARGEST_SLOW_SHOT_L, SLOW_STEP_S = 1000.0, 100.0, 5.0
LONGEST_LOG_S = 3 * 86400.0
# Samples this close together in a log this short: a clock in minutes or hours.
SHORTEST_STEP_S, SHORTEST_LOG_S, FEW_ROWS = 0.02, 30.0, 20
# How far a factor may be off a unit's and still be called by its name: shots end short and overfilled.
_NEAR = 1.35


def refuse_odd_starts(batch: Batch, reads: Sequence[Read], now: datetime) -> None:
    """Take files out of a batch one of whose shots started before 1990 or after tomorrow: one wrong year would stretch
    every axis of time, and every month would be looked at that lies between."""
    odd: dict[str, LogRefused] = {}
    for c in batch.candidates:
        why = odd_start(c.meta.started_at, now) if c.meta.started_at is not None else None
        if why and c.found.name not in odd:
            words = f"{why}: mend it in the log (started_at, or its time stamps)"
            odd[c.found.name] = LogRefused(words, c.meta.start_line)
    if not odd:
        return
    by_name = {r.found.name: r for r in reads}
    batch.refused += [(by_name[name], why) for name, why in odd.items()]
    batch.rows_refused += sum(c.state.rows for c in batch.candidates if c.found.name in odd)
    batch.candidates = [c for c in batch.candidates if c.found.name not in odd]


def refuse_odd_magnitudes(frame: pl.DataFrame, candidates: Sequence[Candidate], workshop: Workshop) -> None:
    """Refuse shots whose clock, volume or programme is off by a unit, each in its state, with the likely unit named.

    frame: checked samples, ordered by file_no (place among the candidates), then t_s.
    """
    file_no, t, volume = (frame[n].to_numpy() for n in ("file_no", "t_s", "vol_l"))
    edges = np.searchsorted(file_no, np.arange(len(candidates) + 1))
    for i, c in enumerate(candidates):
        rows = int(edges[i + 1] - edges[i])
        if c.state.refused or rows < 1:
            continue
        last = int(edges[i + 1]) - 1
        metered = float(volume[last]) if np.isfinite(volume[last]) else 0.0
        expected = _expected_l(c.meta, workshop)
        programmed = c.meta.programmed_volume_l
        why = _odd(float(t[last]), rows, metered, programmed, expected)
        if why:
            c.state.refuse(why, c.state.line(0))
        elif hint := _doubt(metered, programmed, expected):
            c.state.remarks.append(Remark("odd_volume", hint, "flow_l_min"))
        elif programmed and metered < programmed / IMPLAUSIBLE_TIMES:
            said = f"no injection in this log, though {programmed:g} l was programmed: it was cut off before, the shot"
            c.state.remarks.append(Remark("no_injection", f"{said} was broken off, or it is a hold check"))


def _expected_l(meta: ShotMeta, workshop: Workshop) -> float | None:
    """What the mould can hold with all that leads to it, without fibre, l; None where the book doesn't say."""
    mould = workshop.book.moulds.get(meta.mould or "")
    if mould is None:
        return None
    mould = mould.on(meta.started_at.date() if meta.started_at else None)
    if mould.part_area_m2 is None or mould.thickness_mm is None:
        return None
    beside = (mould.runner_volume_l, mould.feed_hose_volume_l, mould.vent_hose_volume_l, mould.core_volume_l)
    # 1 m2 x 1 mm = 1 l
    return mould.part_area_m2 * mould.thickness_mm + sum(v or 0.0 for v in beside)


def _odd(seconds: float, rows: int, metered: float, programmed: float | None, cavity: float | None) -> str | None:
    if rows < 2:
        return None
    step = seconds / (rows - 1)
    if seconds > LONGEST_LOG_S:
        return f"t_s runs over {seconds / 86400:.0f} days: {_clock(step)}"
    known = [v for v in (programmed, cavity) if v]
    short = not known or metered < min(known) / ODD_TIMES
    if rows >= FEW_ROWS and step < SHORTEST_STEP_S and seconds < SHORTEST_LOG_S and short:
        return (
            f"samples stand {1000 * step:.3g} ms apart and the whole log lasts {seconds:.3g} s: t_s is probably in "
            "minutes or hours; it is to be in seconds"
        )
    if programmed and metered > 0 and (cavity is None or programmed > ODD_TIMES * cavity):
        times = programmed / metered
        if 1000 / _NEAR < times < 1000 * _NEAR:
            return (
                f"programmed_volume_l = {programmed:g} is {times:.0f} times the {metered:.3g} l that were metered: it "
                "is probably in ml"
            )
    if known and metered > IMPLAUSIBLE_TIMES * max(known):
        which = "that were programmed" if max(known) == programmed else "that the mould holds without fibre"
        times = metered / max(known)
        return f"{metered:.4g} l were metered, {times:.3g} times the {max(known):.3g} l {which}: {_cause(times, step)}"
    if not known and (metered > LARGEST_SHOT_L or (metered > LARGEST_SLOW_SHOT_L and step > SLOW_STEP_S)):
        return f"{metered:.4g} l were metered, more than any such mould takes: {_cause(1000.0, step)}"
    return None


def _cause(times: float, step: float) -> str:
    if step > SLOW_STEP_S and times > 60 * _NEAR:
        return _clock(step)
    if 60 / _NEAR < times < 60 * _NEAR:
        return "flow_l_min is probably in l/h"
    if times > 300:
        return "flow_l_min is probably in ml/min"
    return "wrong unit of flow_l_min or t_s, or more than one shot in the log"


def _clock(step: float) -> str:
    return f"samples would stand {step:.3g} s apart; t_s is probably in milliseconds and is to be in seconds"


def _doubt(metered: float, programmed: float | None, cavity: float | None) -> str | None:
    """What is odd about a volume and may yet be true (a shot broken off, a log of more than one): said, not refused."""
    known = [v for v in (programmed, cavity) if v]
    if not known or metered <= 0:
        return None
    if metered > ODD_TIMES * max(known):
        return f"{metered:.4g} l were metered, {metered / max(known):.2g} times the {max(known):.3g} l expected"
    times = min(known) / metered
    if 60 / _NEAR < times < 60 * _NEAR:
        return f"{metered:.2g} l were metered, a {times:.0f}th of the {min(known):.3g} l expected: is the flow in l/s?"
    return None


__all__ = ["refuse_odd_magnitudes", "refuse_odd_starts"]
