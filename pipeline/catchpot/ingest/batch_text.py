"""Batch scan of profiled logs: bodies side by side in one scan, then handed to the profile to be finished."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from catchpot.ingest.reader import FinishedShot, LogRefused, Remark, TextLayout
from catchpot.ingest.rows import BadRow, RowLines, reject_remarks
from catchpot.ingest.state import BAD_SHARE, FileState
from catchpot.store import intake
from catchpot.store.intake import Scanned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from catchpot.ingest.scan import Read


@dataclass
class TextResult:
    """Shots of a group with their states, frame (file_no: place in shots), files refused, and row counts of files."""

    shots: list[tuple[Read, FinishedShot, FileState]]
    frame: pl.DataFrame
    refused: list[tuple[Read, LogRefused]] = field(default_factory=list)
    rows_refused: int = 0
    rows_between: int = 0


def scan_text_group(group: Sequence[tuple[Read, TextLayout]]) -> list[TextResult]:
    """Scan files of one layout and one profile in one go; counts in are counts out.

    Files whose stamps the scan can't all read, or that hold any other bad row, are scanned again with the stamps as
    text, so that what is said of a row doesn't depend on how it was read.
    """
    layout = group[0][1]
    if layout.stamps:
        scanned = _scan(group, layout.stamps)
        again = set(scanned.rejects["file_no"].to_list()) | _out_of_time(scanned.frame, layout.stamps)
        sound = [i for i in range(len(group)) if i not in again]
        if not again:
            return [_result(group, scanned)]
        results = [_result([group[i] for i in sorted(again)], _scan([group[i] for i in sorted(again)]))]
        if sound:
            places = pl.Series(np.searchsorted(sound, np.arange(len(group))), dtype=pl.Int32)
            frame = scanned.frame.filter(~pl.col("file_no").is_in(sorted(again)))
            frame = frame.with_columns(file_no=places.gather(frame["file_no"]))
            results.append(_result([group[i] for i in sound], Scanned(frame, scanned.rejects.clear())))
        return results
    return [_result(group, _scan(group))]


def _scan(group: Sequence[tuple[Read, TextLayout]], stamps: Sequence[str] = ()) -> Scanned:
    layouts = [layout for _, layout in group]
    first = layouts[0]
    as_is = scanned_as_is(*group[0])
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for i, (read, layout) in enumerate(group):
            path = read.found.path if as_is else Path(folder) / f"{i}.csv"
            if not as_is:
                path.write_bytes(layout.body)
            paths.append(path)
        return intake.scan_text(
            paths, first.columns, first.numbers, first.texts, skip=first.first_line - 1 if as_is else 0,
            separator=first.separator, decimal=first.decimal, thousands=first.thousands, quote_character=first.quote,
            missing=first.missing, stamps=stamps, stamp_format=first.stamp_format,
        )  # fmt: skip


def scanned_as_is(read: Read, layout: TextLayout) -> bool:
    """Whether the file itself is scanned, not a copy of its data lines; the same for all files of a group."""
    return layout.as_is and not read.packed and intake.scannable(read.found.path)


def _out_of_time(frame: pl.DataFrame, stamps: Sequence[str]) -> set[int]:
    """Files with stamps of no log's time, which the scan makes of years cut short."""
    odd = [~pl.col(c).dt.year().is_between(1970, 2099) for c in stamps if frame[c].dtype == pl.Datetime("us")]
    return set(frame.filter(pl.any_horizontal(*odd))["file_no"].unique().to_list()) if odd else set()


def _result(group: Sequence[tuple[Read, TextLayout]], scanned: Scanned) -> TextResult:
    layouts = [layout for _, layout in group]
    above = layouts[0].first_line - 1 if scanned_as_is(*group[0]) else 0
    frame = scanned.frame
    file_no = frame["file_no"].to_numpy()
    counts = np.bincount(file_no, minlength=len(group)) if len(file_no) else np.zeros(len(group), np.int64)
    edges = np.concatenate(([0], np.cumsum(counts)))
    row = np.arange(len(file_no)) - np.repeat(edges[:-1], counts)
    keep = np.ones(len(file_no), bool)
    bad: dict[int, list[BadRow]] = {}
    for number, line, column, kind, text in scanned.rejects.iter_rows():
        bad.setdefault(number, []).append((line - above, column or "", kind, text or ""))
    files = [_file(group[i], int(counts[i]), bad.get(i, []), keep, int(edges[i])) for i in range(len(group))]
    frame = frame.with_columns(row=pl.Series(row))
    refused_files = {i: f.refused for i, f in enumerate(files) if f.refused}
    if not keep.all() or refused_files:
        frame = frame.filter(pl.Series(keep & ~np.isin(file_no, list(refused_files))))
    finished = layouts[0].finish(frame, layouts)
    gone = finished.refused | refused_files
    result = TextResult([], finished.frame, [(group[i][0], why) for i, why in sorted(gone.items())])
    result.rows_refused = sum(files[i].rows for i in gone)
    place = _places(finished.frame, len(finished.shots))
    kept = []
    seen: set[int] = set()
    for k, shot in enumerate(finished.shots):
        if shot.file_no in gone:
            continue
        file = files[shot.file_no]
        state = FileState(shot.rows)
        if shot.file_no not in seen:  # what the scan left out is told with the file's first shot
            state.rows += file.left_out
            state.dropped, state.repeated = file.dropped, file.repeated
            state.remarks += file.remarks
            # the 1 % was judged on the whole file
            state.judged = len([s for s in finished.shots if s.file_no == shot.file_no]) > 1
            result.rows_between += finished.between.get(shot.file_no, 0)
        seen.add(shot.file_no)
        state.line_of_row = _line(file.lines, place[k])
        kept.append(k)
        result.shots.append((group[shot.file_no][0], shot, state))
    renumber = np.full(len(finished.shots), -1, np.int32)
    renumber[kept] = np.arange(len(kept))
    moved = pl.Series(renumber).gather(finished.frame["file_no"].cast(pl.UInt32))
    result.frame = finished.frame.with_columns(file_no=moved).filter(pl.col("file_no") >= 0).drop("row")
    return result


@dataclass
class _File:
    rows: int
    dropped: int
    repeated: int
    remarks: list[Remark]
    lines: RowLines
    refused: LogRefused | None = None

    @property
    def left_out(self) -> int:
        return self.dropped + self.repeated


def _file(given: tuple[Read, TextLayout], count: int, bad: list[BadRow], keep: NDArray[np.bool_], start: int) -> _File:
    """What the scan met in one file. keep: rows of the whole scan, changed where a cut last line is left out."""
    _, layout = given
    lines = RowLines(layout.body, 0, [b[0] for b in bad], layout.first_line - 1)
    header, rejected = layout.header.strip(), len(bad)
    again = [b for b in bad if header and b[3].strip() == header]
    bad = [b for b in bad if b not in again]
    remarks: list[Remark] = []
    if again:
        at = again[0][0] + layout.first_line - 1
        detail = f"the header stands {len(again)} times more within the data, as after a restart; passed over"
        remarks.append(Remark("repeated_header", detail, "", at, len(again)))
    dropped, repeated = len(bad), len(again)
    if not layout.final_newline:
        last = layout.body.rstrip(b"\n").count(b"\n") + 1
        cut = bool(bad) and bad[-1][0] == last
        if cut:
            dropped, repeated, bad = dropped - 1, repeated + 1, bad[:-1]
        elif count and lines.of_row(count - 1) == last + layout.first_line - 1:
            keep[start + count - 1] = False
            repeated, cut = repeated + 1, True
        if cut:
            detail = "the last line has no line end and may be cut short; it was left out"
            remarks.append(Remark("cut_line", detail, "", last + layout.first_line - 1))
    remarks += reject_remarks(bad, layout.first_line - 1, layout.quote)
    file = _File(count + rejected, dropped, repeated, remarks, lines)
    if dropped > BAD_SHARE * file.rows:
        reasons = "; ".join(r.detail for r in remarks if r.kind == "dropped_row")
        line = min((r.line for r in remarks if r.kind == "dropped_row"), default=0)
        file.refused = LogRefused(f"{dropped} of {file.rows} rows are bad, more than 1 %: {reasons}", line)
    return file


def _places(frame: pl.DataFrame, n: int) -> list[tuple[int, pl.Series]]:
    edges = np.searchsorted(frame["file_no"].to_numpy(), np.arange(n))
    rows = frame["row"]
    return [(int(e), rows) for e in edges]


def _line(lines: RowLines, place: tuple[int, pl.Series]) -> Callable[[int], int]:
    start, rows = place
    return lambda row: lines.of_row(int(rows[start + row]))
