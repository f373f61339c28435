"""Times that don't ascend: mended by rule, or the log is refused."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from catchpot.ingest.reader import Remark
from catchpot.ingest.state import BAD_SHARE, FileState

if TYPE_CHECKING:
    from numpy.typing import NDArray

DAY_S = 86400.0


def mend_times(
    frame: pl.DataFrame,
    states: Sequence[FileState],
    suspects: NDArray[np.int32],
    starts: NDArray[np.int64],
    counts: NDArray[np.int64],
    shift: NDArray[np.float64],
) -> tuple[pl.DataFrame, NDArray[np.float64]]:
    t_all = frame["t_s"].to_numpy().copy()
    keep = np.ones(frame.height, bool)
    order = np.arange(frame.height)
    for number in suspects:  # rare files: each is looked at by itself
        state, a, n = states[number], int(starts[number]), int(counts[number])
        t = t_all[a : a + n]
        top = np.maximum.accumulate(t)
        late = np.flatnonzero(t < top)
        put_forward = _clock_set_back(t, len(late))
        if put_forward is not None:
            back = np.flatnonzero(np.diff(t) < 0)
            seconds = ", ".join(f"{t[b] - t[b + 1]:.1f} s" for b in back)
            detail = f"the clock went back by {seconds}; the samples after it were taken as going on without a break"
            state.remarks.append(Remark("clock_set_back", detail, "t_s", state.line(int(back[0]) + 1), len(back)))
            t_all[a : a + n] = t = put_forward
            late = late[:0]
        if len(late) > max(3, 0.01 * n):
            row = int(late[0])
            state.refuse(
                f"t_s goes back from {t[row - 1]:g} s to {t[row]:g} s and {len(late)} of {n} rows lie behind an earlier"
                " one: two recordings in one file, or a clock that was set back",
                state.line(row),
            )
            continue
        if len(late):
            detail = f"{len(late)} rows came late (the first at {t[late[0]]:g} s) and were put in order of time"
            state.remarks.append(Remark("out_of_order", detail, "t_s", state.line(int(late[0])), len(late)))
            order[a : a + n] = a + np.argsort(t, kind="stable")
        sorted_t = t_all[order[a : a + n]]
        shift[number] = sorted_t[0] if sorted_t[0] < 0 or sorted_t[0] > DAY_S else 0.0
        again = np.flatnonzero(np.diff(sorted_t) == 0) + 1
        if len(again):
            rows = frame[order[a : a + n].tolist()]
            same = np.all([_equal(rows[c].to_numpy(), again) for c in rows.columns], axis=0)
            keep[a + again] = False
            state.repeated += len(again)
            equal, other = int(same.sum()), int((~same).sum())
            if equal:
                line = state.line(int(order[a + again[same][0]] - a))
                detail = f"{equal} rows repeat the row before them in every cell and were left out once"
                state.remarks.append(Remark("duplicate_row", detail, "t_s", line, equal))
            if other:
                line = state.line(int(order[a + again[~same][0]] - a))
                detail = f"{other} rows have the time of the row before them with other readings; the first was kept"
                state.remarks.append(Remark("duplicate_time", detail, "t_s", line, other))
                if other > BAD_SHARE * n:
                    state.refuse(f"{other} of {n} rows repeat a time with other readings, more than 1 %", line)
        state.rearranged(order[a : a + n][keep[a : a + n]] - a)
    frame = frame.with_columns(t_s=pl.Series(t_all))
    return frame[order.tolist()].filter(pl.Series(keep)), shift


def within_seconds(t: NDArray[np.float64]) -> tuple[NDArray[np.float64], int] | None:
    """Times of a log stamped in whole seconds, several rows in each, spread evenly; and how many rows a second has.

    None for anything else: times that fall, fractions, or seconds that hold now two rows and now ten.

    >>> within_seconds(np.array([0., 1., 1., 2., 2., 3., 3.]))[0].tolist()
    [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    """
    step = np.diff(t)
    if len(t) < 4 or (step < 0).any() or (np.abs(step - np.round(step)) > 1e-6).any():
        return None
    begin = np.concatenate(([0], np.flatnonzero(step > 0) + 1))
    rows = np.diff(np.append(begin, len(t)))
    if len(rows) < 3:
        return None
    usual = int(np.median(rows[1:-1]))
    # a clock that is no whole number of rows a second puts one more or one less into some seconds
    if usual < 2 or (np.abs(rows[1:-1] - usual) > 1).mean() > BAD_SHARE or rows[0] > usual + 1 or rows[-1] > usual + 1:
        return None
    share = np.maximum(rows, 1).astype(float)
    share[[0, -1]] = np.maximum(rows[[0, -1]], usual)
    place = np.arange(len(t)) - np.repeat(begin, rows)
    place[: rows[0]] += max(usual - int(rows[0]), 0)  # a log begins within a second and ends within one
    new = t + place / np.repeat(share, rows)
    return new - new[0] + t[0], usual


def _clock_set_back(t: NDArray[np.float64], late: int) -> NDArray[np.float64] | None:
    """Times of a log whose clock was set back while it ran, with the steps taken out; None for anything else.

    Taken as that: one or two steps back of less than two hours, many samples behind an earlier one, no step to the
    log's beginning (two recordings in one file), and no leap forward (rows out of place).
    """
    step = np.diff(t)
    back = np.flatnonzero(step < 0)
    if late <= max(3, 0.01 * len(t)) or not 1 <= len(back) <= 2:
        return None
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 0.0
    if usual <= 0 or (-step[back] > 7200.0).any() or (t[back + 1] <= t[0] + 10 * usual).any():
        return None
    if (step[back[0] :] > max(20 * usual, 5.0)).any():
        return None
    mended = step.copy()
    mended[back] = usual
    return np.asarray(t[0] + np.concatenate(([0.0], np.cumsum(mended))))


def _equal(values: NDArray[np.float64], at: NDArray[np.int64]) -> NDArray[np.bool_]:
    a, b = values[at], values[at - 1]
    return np.asarray((a == b) | (np.isnan(a) & np.isnan(b)))
