"""From the bytes of some hundred files to checked shots: claim, describe, scan by layout, check."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from catchpot.channels import BY_NAME
from catchpot.errors import error_words
from catchpot.ingest.asking import Asked, in_order, layout_of
from catchpot.ingest.batch_text import TextResult, scan_text_group, scanned_as_is
from catchpot.ingest.checks import check_batch
from catchpot.ingest.edge import refuse_odd_magnitudes
from catchpot.ingest.reader import Layout, LogRefused, Remark, ShotFrame, ShotMeta, TableLayout, TextLayout
from catchpot.ingest.rows import BadRow, RowLines, reject_remarks, tidied
from catchpot.ingest.scan import Found, Read, refuse_empty
from catchpot.ingest.state import FileState
from catchpot.store import intake
from catchpot.units import Conversion

if TYPE_CHECKING:
    from catchpot.ingest.reader import Reader
    from catchpot.workshop import Workshop

_SAME = Conversion(1.0)


@dataclass
class Candidate:
    """A shot as read, before it is known whether it may be stored. index: its file_no in the batch's frame."""

    found: Found
    digest: str
    how: str
    meta: ShotMeta
    state: FileState
    index: int
    channels: frozenset[str] = frozenset()


@dataclass
class Batch:
    """Checked shots of some files. frame: file_no (Candidate.index), t_s, vol_l, channels; refused: file, reason."""

    candidates: list[Candidate]
    frame: pl.DataFrame
    refused: list[tuple[Read, LogRefused]]
    rows_refused: int
    rows_between: int
    how: dict[str, str]
    asked: Asked = field(default_factory=Asked)


def read_batch(reads: Sequence[Read], readers: Sequence[Reader], workshop: Workshop) -> Batch:
    """Read and check some files. Whatever can't be read comes back with its reason; the rest is not touched by it."""
    refused: list[tuple[Read, LogRefused]] = []
    layouts: list[tuple[Read, Layout]] = []
    asked = Asked()
    how = asked.how
    readers = in_order(readers)
    for read in reads:
        try:
            if read.refused:
                raise read.refused
            refuse_empty(read.data)
            layouts.append((read, _described(read, readers, workshop, asked)))
        except LogRefused as e:
            refused.append((read, e))
    candidates: list[Candidate] = []
    frames: list[pl.DataFrame] = []
    texts: dict[tuple[str, bool], list[tuple[Read, TextLayout]]] = {}
    tables: dict[tuple[object, ...], list[tuple[Read, TableLayout]]] = {}
    for read, layout in layouts:
        if isinstance(layout, TableLayout):
            tidy = tidied(read.data, layout.header_line, layout.comment)
            if tidy is not None:
                read = replace(read, data=tidy, packed=True)
            picked = tuple(sorted((n, c, v) for n, (c, v) in layout.channels.items()))
            key = (layout.header, picked, layout.separator, layout.header_line, b"\r" in read.data)
            tables.setdefault(key, []).append((read, layout))
        elif isinstance(layout, TextLayout):
            texts.setdefault((layout.key, scanned_as_is(read, layout)), []).append((read, layout))
        else:
            for shot in layout.shots:
                state = FileState(shot.frame.height + shot.rows_refused, shot.rows_refused)
                _frame_lines(shot, state)
                candidate = _candidate(read, how, shot.meta, state, len(candidates), shot.digest)
                candidates.append(candidate)
                numbers = shot.frame.drop("line", strict=False).cast(pl.Float64)
                frames.append(_numbered(numbers, candidate.index))
    for group in tables.values():
        frames += _scan_group(group, how, candidates, refused)
    rows_refused = rows_between = 0
    for result in (r for bodies in texts.values() for r in _scan_texts(bodies)):
        first = len(candidates)
        for k, (read, finished, state) in enumerate(result.shots):
            candidates.append(_candidate(read, how, finished.meta, state, first + k, finished.digest))
        frames.append(result.frame.with_columns(pl.col("file_no").cast(pl.Int32) + pl.lit(first, dtype=pl.Int32)))
        refused += result.refused
        rows_refused += result.rows_refused
        rows_between += result.rows_between
    states = [c.state for c in candidates]
    if frames:
        frame = check_batch(frames[0] if len(frames) == 1 else pl.concat(frames, how="diagonal"), states)
    else:
        frame = _no_rows()
    refuse_odd_magnitudes(frame, candidates, workshop)
    by_name = {r.found.name: r for r in reads}
    spoilt = {c.found.name: c.state.refused for c in candidates if c.state.refused}
    refused += [(by_name[name], reason) for name, reason in spoilt.items() if reason]
    # a file is taken whole or not at all
    rows_refused += sum(c.state.rows for c in candidates if c.found.name in spoilt)
    kept = [c for c in candidates if c.found.name not in spoilt]
    if spoilt:
        frame = frame.filter(pl.col("file_no").is_in([c.index for c in kept]))
    present = _present(frame)
    for c in kept:
        c.meta.remarks += c.state.remarks
        c.channels = present.get(c.index, frozenset()) - c.state.made_up
    return Batch(kept, frame, refused, rows_refused, rows_between, how, asked)


def _described(read: Read, readers: Sequence[Reader], workshop: Workshop, asked: Asked) -> Layout:
    """The layout by the first reader that claims the file; else with the profile named for such files."""
    source = replace(read.source, profile=None)
    try:
        return layout_of(source, readers, workshop, asked)
    except LogRefused:
        if read.profile is None:
            raise
        return layout_of(read.source, readers, workshop, asked)


def _present(frame: pl.DataFrame) -> dict[int, frozenset[str]]:
    """Channels of which a shot has at least one reading."""
    names = [n for n in BY_NAME if n in frame.columns]
    has = frame.group_by("file_no").agg((pl.col(n).count() > 0).alias(n) for n in names)
    return {row["file_no"]: frozenset(n for n in names if row[n]) for row in has.iter_rows(named=True)}


def _candidate(
    read: Read, how: dict[str, str], meta: ShotMeta, state: FileState, index: int, digest: str | None = None
) -> Candidate:
    state.stroke_volume_ml = meta.stroke_volume_ml
    return Candidate(read.found, digest or read.digest, how[read.found.name], meta, state, index)


def _numbered(frame: pl.DataFrame, index: int) -> pl.DataFrame:
    return frame.select(pl.lit(index, dtype=pl.Int32).alias("file_no"), pl.all())


def _frame_lines(shot: ShotFrame, state: FileState) -> None:
    if "line" in shot.frame.columns:
        lines = shot.frame["line"]
        state.line_of_row = lambda row: int(lines[row])


def _scan_texts(group: Sequence[tuple[Read, TextLayout]]) -> list[TextResult]:
    """Scan files of one profile; where the scan breaks off, by halves until the file at fault stands alone."""
    try:
        return scan_text_group(group)
    except KeyboardInterrupt:
        raise
    except BaseException as error:  # the scan, or what the reader does with its rows
        if len(group) == 1:
            why = _no_table(error) if isinstance(error, intake.ScanError) else _not_finished(error)
            return [TextResult([], _no_rows(), [(group[0][0], why)])]
        half = len(group) // 2
        return [*_scan_texts(group[:half]), *_scan_texts(group[half:])]


def _not_finished(error: BaseException) -> LogRefused:
    if isinstance(error, LogRefused):
        return error
    return LogRefused(f"its reader failed on the rows: {error_words(error)}")


def _no_table(error: intake.ScanError) -> LogRefused:
    return LogRefused(f"the file can't be read as a table of rows and columns: {error}")


def _no_rows() -> pl.DataFrame:
    return pl.DataFrame(schema={"file_no": pl.Int32(), "t_s": pl.Float64(), "vol_l": pl.Float64()})


def _scan_group(
    group: Sequence[tuple[Read, TableLayout]],
    how: dict[str, str],
    candidates: list[Candidate],
    refused: list[tuple[Read, LogRefused]],
) -> list[pl.DataFrame]:
    """Scan files of one layout; adds their candidates and returns their rows."""
    layout = group[0][1]
    first = len(candidates)
    wanted = list(dict.fromkeys(column for column, _ in layout.channels.values()))
    with tempfile.TemporaryDirectory() as folder:
        paths = [_safe_path(read, Path(folder), i) for i, (read, _) in enumerate(group)]
        try:
            scanned = intake.scan_tables(
                paths, layout.header, wanted, skip=layout.header_line, separator=layout.separator
            )
        except intake.ScanError as error:
            if len(group) == 1:
                refused.append((group[0][0], _no_table(error)))
                return []
            half = len(group) // 2
            parts = [_scan_group(g, how, candidates, refused) for g in (group[:half], group[half:])]
            return [*parts[0], *parts[1]]
    counts = dict(scanned.frame.group_by("file_no").len().iter_rows())
    rejects: dict[int, list[BadRow]] = {}
    for number, line, column, kind, text in scanned.rejects.iter_rows():
        rejects.setdefault(number, []).append((line, column or "", kind, text or ""))
    cut: list[int] = []
    for number, (read, lay) in enumerate(group):
        bad = rejects.get(number, [])
        state = FileState(counts.get(number, 0) + len(bad), len(bad))
        lines = RowLines(read.data, lay.header_line, [b[0] for b in bad])
        state.line_of_row = lines.of_row
        state.remarks += reject_remarks(bad)
        if not read.data.endswith((b"\n", b"\r")):
            _cut_line(state, lines, counts.get(number, 0), bad, cut, number)
        candidates.append(_candidate(read, how, lay.meta, state, first + number))
    frame = scanned.frame
    if cut:
        last = pl.int_range(pl.len()).over("file_no") == pl.len().over("file_no") - 1
        frame = frame.filter(~(pl.col("file_no").is_in(cut) & last))
    channels = [
        (pl.col(c) * v.scale + v.shift if v != _SAME else pl.col(c)).alias(n) for n, (c, v) in layout.channels.items()
    ]
    return [frame.select(pl.col("file_no") + pl.lit(first, dtype=pl.Int32), *channels)]


def _safe_path(read: Read, folder: Path, number: int) -> Path:
    if not read.packed and intake.scannable(read.found.path):
        return read.found.path
    copy = folder / f"{number}.csv"
    copy.write_bytes(read.data)
    return copy


def _cut_line(
    state: FileState,
    lines: RowLines,
    rows: int,
    bad: Sequence[BadRow],
    cut: list[int],
    number: int,
) -> None:
    """A last line without an end may be cut in the middle of a number: it is never taken."""
    last = lines.last_line()
    if bad and bad[-1][0] == last:
        state.dropped -= 1  # known to be the cut end of the file, so it does not count against the 1 %
        state.repeated += 1
    elif rows and lines.of_row(rows - 1) == last:
        cut.append(number)
        state.repeated += 1
    else:
        return
    state.remarks.append(
        Remark("cut_line", "the last line has no line end and may be cut short; it was left out", "", last)
    )
