"""Checks of whole batches of samples: bad rows, times, readings that are none, columns that changed places; volume.

All works on whole columns of a batch; only a file that a whole-column look found suspect is looked at by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from catchpot.channels import BY_NAME, REQUIRED
from catchpot.ingest.order import DAY_S, mend_times, within_seconds
from catchpot.ingest.reader import Remark
from catchpot.ingest.state import BAD_SHARE, FileState
from catchpot.ingest.strokes import from_strokes
from catchpot.ingest.unknown import possible

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Over which share of readings a channel must be impossible before its column is called a wrong one.
_WRONG_SHARE = 0.5
# No channel's reading, and no time in ms since 1970, comes near it: an overflow or a broken cell, not a reading.
# If this share of the rows that repeat a time repeats every reading too, they are copies.
_COPIES = 0.9
NO_READING = 1e13
_NEVER_AMBIENT_MBAR = 130.0
# Below it a meter shows no injection: the slowest machine gives more than ten times that (common practice, no source).
STANDING_L_MIN = 0.02


def _starts(file_no: NDArray[np.int32], n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    counts = np.bincount(file_no, minlength=n).astype(np.int64)
    return np.concatenate(([0], np.cumsum(counts)))[:-1], counts


def check_batch(frame: pl.DataFrame, states: Sequence[FileState]) -> pl.DataFrame:
    """Check and complete a batch.

    frame: file_no (ascending; index into states), t_s, channels, in file order. Returns file_no, t_s, vol_l and the
    channels of the files that passed, ordered by file_no, t_s; what was met is said in the states.
    """
    frame = _drop_without_time(frame, states)
    frame = _in_time_order(frame, states)
    frame = _finite(frame, states)
    _look_for_wrong_columns(frame, states)
    for state in states:
        if state.refused is None and not state.judged and state.dropped > BAD_SHARE * state.rows:
            first = min((r.line for r in state.remarks if r.kind == "dropped_row"), default=0)
            reasons = "; ".join(r.detail for r in state.remarks if r.kind == "dropped_row")
            state.refuse(f"{state.dropped} of {state.rows} rows are bad, more than 1 %: {reasons}", first)
    refused = [i for i, s in enumerate(states) if s.refused]
    if refused:
        frame = frame.filter(~pl.col("file_no").is_in(refused))
    return _with_volume(frame, states)


def _drop_without_time(frame: pl.DataFrame, states: Sequence[FileState]) -> pl.DataFrame:
    t = frame["t_s"]
    good = (t.is_finite() & (t.abs() < NO_READING)).fill_null(False)
    if bool(good.all()):
        return frame
    position = pl.int_range(pl.len()).over("file_no")
    bad = frame.with_columns(_row=position, _all=pl.len().over("file_no")).filter(~good)
    for (number,), rows in bad.group_by("file_no", maintain_order=True):
        state = states[int(str(number))]
        gone = rows["_row"].to_numpy()
        line = state.line(int(gone[0]))
        state.dropped += rows.height
        state.rearranged(np.delete(np.arange(int(rows["_all"][0])), gone))
        state.remarks.append(Remark("dropped_row", "t_s holds no time", "t_s", line, rows.height))
    return frame.filter(good)


def _in_time_order(frame: pl.DataFrame, states: Sequence[FileState]) -> pl.DataFrame:
    """Times ascending within each file, by rule: equal rows and equal times go, a few late rows are sorted in."""
    file_no = frame["file_no"].to_numpy()
    t = frame["t_s"].to_numpy()
    starts, counts = _starts(file_no, len(states))
    for number in np.flatnonzero(counts == 0).tolist():
        bad = [r for r in states[number].remarks if r.kind == "dropped_row"]
        reasons = "; ".join(r.detail for r in bad)
        words = f"no row can be read: {reasons}" if bad else "the log holds no samples"
        states[number].refuse(words, min((r.line for r in bad), default=0))
    first = t[np.minimum(starts, max(len(t) - 1, 0))] if len(t) else np.zeros(len(states))
    shift = np.where((counts > 0) & ((first < 0) | (first > DAY_S)), first, 0.0)
    if len(t) > 1:
        back = np.flatnonzero((np.diff(t) <= 0) & (np.diff(file_no) == 0))
        if len(back):
            frame, t, first = _spread(frame, states, np.unique(file_no[back]), starts, counts, first)
            back = np.flatnonzero((np.diff(t) <= 0) & (np.diff(file_no) == 0))
        if len(back):
            shift = np.where((counts > 0) & ((first < 0) | (first > DAY_S)), first, 0.0)
            frame, shift = mend_times(frame, states, np.unique(file_no[back]), starts, counts, shift)
    for number in np.flatnonzero(shift).tolist():
        detail = f"t_s began at {shift[number]:.10g} s; the first sample was put at 0"
        states[number].remarks.append(Remark("assumed", detail, "t_s", states[number].line(0)))
    if shift.any():
        moved = pl.Series(shift)[frame["file_no"].cast(pl.Int64)]
        frame = frame.with_columns(t_s=pl.col("t_s") - moved)
    return frame


def _spread(
    frame: pl.DataFrame,
    states: Sequence[FileState],
    suspects: NDArray[np.int32],
    starts: NDArray[np.int64],
    counts: NDArray[np.int64],
    first: NDArray[np.float64],
) -> tuple[pl.DataFrame, NDArray[np.float64], NDArray[np.float64]]:
    """Rows of loggers that stamp whole seconds and write several rows in each, set evenly within their second."""
    t = frame["t_s"].to_numpy().copy()
    first = first.copy()
    for number in suspects.tolist():
        a, n = int(starts[number]), int(counts[number])
        placed = within_seconds(t[a : a + n])
        if placed is None:
            continue
        new, rows = placed
        again = np.flatnonzero(np.diff(t[a : a + n]) == 0) + 1
        part = frame[a : a + n].drop("file_no", "t_s")
        if np.all([_same_as_before(part[c].to_numpy(), again) for c in part.columns], axis=0).mean() > _COPIES:
            continue  # rows written twice, not a faster clock
        detail = f"times are whole seconds with {rows} rows each; the rows were spread evenly within their second"
        states[number].remarks.append(Remark("assumed", detail, "t_s", states[number].line(int(again[0])), n))
        t[a : a + n] = new
        first[number] = new[0]
    return frame.with_columns(t_s=pl.Series(t)), t, first


def _same_as_before(values: NDArray[np.float64], at: NDArray[np.int64]) -> NDArray[np.bool_]:
    a, b = values[at], values[at - 1]
    return np.asarray((a == b) | (np.isnan(a) & np.isnan(b)))


def _finite(frame: pl.DataFrame, states: Sequence[FileState]) -> pl.DataFrame:
    """Readings that are no finite number become null and are said; a channel without any reading is absent."""
    for name in [c for c in frame.columns if c in BY_NAME]:
        odd = ~(frame[name].abs() < NO_READING)
        if odd.any():
            rows = frame.with_columns(_row=pl.int_range(pl.len()).over("file_no")).filter(odd.fill_null(False))
            for (number,), group in rows.group_by("file_no", maintain_order=True):
                state = states[int(str(number))]
                line = state.line(int(group["_row"][0]))
                words = "are no finite number, or beyond all measure, and were stored as missing"
                detail = f"{group.height} readings of {name} {words}"
                state.remarks.append(Remark("non_finite", detail, name, line, group.height))
            frame = frame.with_columns(pl.when(odd).then(None).otherwise(pl.col(name)).alias(name))
            if name == "flow_l_min":
                _refuse_all_flow_lost(frame, odd.fill_null(False), states)
    return frame


def _refuse_all_flow_lost(frame: pl.DataFrame, odd: pl.Series, states: Sequence[FileState]) -> None:
    """Refuse a log in which resin flowed, if at all, only where the flow is no number: it would pass for a log without
    an injection. Where pump strokes can stand in they may."""
    looked = frame.select("file_no", pl.col("flow_l_min").abs().alias("flow"), odd.alias("odd"))
    sums = looked.group_by("file_no").agg(
        pl.col("flow").max(), pl.col("odd").sum(), pl.col("odd").arg_max().alias("at")
    )
    for number, flow, lost, at in sums.filter(pl.col("odd") > 0).iter_rows():
        state = states[number]
        strokes = state.stroke_volume_ml and "pump_strokes" in frame.columns
        if flow is not None and flow < STANDING_L_MIN and lost > BAD_SHARE * state.rows and not strokes:
            words = (
                f"flow_l_min is no finite number in {lost} rows and shows no flow in any other: no volume can be known"
            )
            state.refuse(words, state.line(int(at)))


def _look_for_wrong_columns(frame: pl.DataFrame, states: Sequence[FileState]) -> None:
    """Refuse a log whose columns clearly changed places or came in another unit."""
    names = [c for c in frame.columns if c in BY_NAME]
    if not names or frame.is_empty():
        return
    looks = []
    for n in _worth_a_look(frame, names):
        c, column = BY_NAME[n], pl.col(n)
        looks.append(((column < c.low) | (column > c.high)).any())
        if n in REQUIRED:
            looks.append(column.count() == 0)
    if "cavity_pressure_mbar" in names:
        looks.append(pl.col("cavity_pressure_mbar").max() < 2.0)
    if not looks:
        return
    looked = frame.group_by("file_no").agg(pl.any_horizontal(*looks).fill_null(False).alias("suspect"))
    suspects = looked.filter("suspect")["file_no"].to_list()
    if not suspects:
        return
    stats = []
    for n in names:
        c, column = BY_NAME[n], pl.col(n)
        outside = ((column < c.low) | (column > c.high)).sum()
        stats += [outside.alias(f"{n}|out"), column.count().alias(f"{n}|n")]
        stats += [column.min().alias(f"{n}|min"), column.max().alias(f"{n}|max")]
    mine = frame.filter(pl.col("file_no").is_in(suspects))
    for row in mine.group_by("file_no", maintain_order=True).agg(stats).iter_rows(named=True):
        state = states[row["file_no"]]
        strokes = bool(row.get("pump_strokes|n") and state.stroke_volume_ml)
        reason = _wrong_column(row, names, strokes)
        if reason:
            state.refuse(reason, state.line(0))


def _worth_a_look(frame: pl.DataFrame, names: Sequence[str]) -> list[str]:
    """Channels of which some file of the batch may lack readings or have impossible ones: seldom any."""
    found = []
    for n in names:
        possible = frame[n].is_between(BY_NAME[n].low, BY_NAME[n].high)
        if not possible.all() or (n in REQUIRED and frame[n].null_count()):
            found.append(n)
    return found


def _wrong_column(row: dict[str, Any], names: Sequence[str], strokes: bool) -> str | None:
    """What is wrong with a file's columns, by its readings. strokes: whether pump strokes can stand in for the flow."""
    for n in names:
        if n in REQUIRED and row[f"{n}|n"] == 0 and not (n == "flow_l_min" and strokes):
            lacking = n == "flow_l_min" and row.get("pump_strokes|n")
            hint = "; the pump strokes could stand in for it, were stroke_volume_ml given" if lacking else ""
            return f"{n} holds not one reading{hint}"

    def fits(values: str, channel: str) -> bool:
        c = BY_NAME[channel]
        low, high = row[f"{values}|min"], row[f"{values}|max"]
        return low is not None and low >= c.low and high <= c.high

    def shown(n: str) -> str:
        return f"{n} runs from {row[f'{n}|min']:g} to {row[f'{n}|max']:g}"

    wrong = [n for n in names if row[f"{n}|n"] and row[f"{n}|out"] > _WRONG_SHARE * row[f"{n}|n"]]
    # a pressure that never comes near ambient and suits a channel whose own readings are impossible
    odd = [n for n in ("cavity_pressure_mbar", "clamp_pressure_mbar") if n in names and row[f"{n}|n"]]
    odd = [n for n in odd if row[f"{n}|max"] < _NEVER_AMBIENT_MBAR] + wrong
    for n in wrong:
        partner = next((m for m in odd if m != n and fits(n, m) and fits(m, n)), None)
        if partner:
            return f"{n} and {partner} seem to have changed places: {shown(n)}, {shown(partner)}"
    cavity = "cavity_pressure_mbar"
    if cavity in odd and row[f"{cavity}|max"] < 2.0:
        return f"{shown(cavity)}: that is no absolute cavity pressure in mbar; wrong column, unit or reference"
    for n in wrong:
        if n in REQUIRED:
            unit = BY_NAME[n].unit
            return f"{shown(n)}, most of it impossible in {unit}: wrong column, unit or reference"
    return None


def _with_volume(frame: pl.DataFrame, states: Sequence[FileState]) -> pl.DataFrame:
    """Add vol_l: trapezoid of the flow on the time stamps; where strokes stand in, strokes times their volume.

    Readings that no sound meter gives are passed over, as missing ones are.
    """
    file_no = frame["file_no"].to_numpy()
    starts, counts = _starts(file_no, len(states))
    t = frame["t_s"].to_numpy()
    has_flow = "flow_l_min" in frame.columns
    flow = frame["flow_l_min"].to_numpy() if has_flow else np.full(len(t), np.nan)
    stand_in: dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]] = {}
    filled = flow
    missing = ~possible(flow)
    if missing.any():
        flow, filled = flow.copy(), flow.copy()
        for number in np.unique(file_no[missing]):
            a, n = int(starts[number]), int(counts[number])
            gone = missing[a : a + n]
            state = states[number]
            if gone.all() and state.stroke_volume_ml and "pump_strokes" in frame.columns:
                strokes = frame["pump_strokes"][a : a + n].to_numpy()
                rate, volume, remarks = from_strokes(t[a : a + n], strokes, state.stroke_volume_ml)
                state.remarks += remarks
                state.made_up = frozenset({"flow_l_min"})
                flow[a : a + n] = filled[a : a + n] = rate
                stand_in[int(number)] = (rate, volume)
            elif not gone.all():
                here = t[a : a + n]
                filled[a : a + n] = np.interp(here, here[~gone], flow[a : a + n][~gone])
            else:
                filled[a : a + n] = np.nan
    volume = _integral(t, filled, starts[counts > 0], counts[counts > 0])
    for number, (_, own) in stand_in.items():
        volume[starts[number] : starts[number] + counts[number]] = own
    columns = {"vol_l": volume}
    if stand_in or not has_flow:
        columns["flow_l_min"] = flow
    if "given_vol_l" in frame.columns:
        counted = frame["given_vol_l"].to_numpy()
        known = ~np.isnan(counted)
        base = np.repeat(counted[starts[counts > 0]], counts[counts > 0])
        columns["vol_l"] = np.where(known, np.round(counted - np.nan_to_num(base), 9), volume)
    added = frame.with_columns(**{k: pl.Series(v).fill_nan(None) for k, v in columns.items()})
    order = ["file_no", "t_s", "vol_l", *(n for n in BY_NAME if n in added.columns)]
    return added.select(order)


def _integral(
    t: NDArray[np.float64], flow: NDArray[np.float64], starts: NDArray[np.int64], counts: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Litres since each file's first row by trapezoid; worked in place, since these are the longest arrays."""
    step = np.zeros(len(t))
    if len(t) < 2:
        return step
    rate = flow[1:] + flow[:-1]
    rate *= 0.5
    rate *= np.diff(t)
    rate /= 60.0
    step[1:] = rate
    step[starts] = 0.0
    for a, n in zip(starts.tolist(), counts.tolist(), strict=True):
        # file by file: in one sum over all, a file of absurd times would take the digits of those after it
        np.cumsum(step[a : a + n], out=step[a : a + n])
    # rounded, so that what lies half-way between two stored values doesn't hang on a sum's last bits
    return np.round(step, 9, out=step)
