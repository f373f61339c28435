"""A log too large to be read at once is read with fewer of its rows, twice: what both readings give alike is taken.

Memory goes with the rows read. A shot of millions of rows says nothing that every tenth of them does not say, unless
its rows are unevenly spread or only written where something changes; the second reading, of other rows, shows that.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from catchpot.ingest.reader import LogRefused, Remark

if TYPE_CHECKING:
    from catchpot.ingest.batch import Batch
    from catchpot.ingest.scan import Read

# Of what may be read whole, so much is read of a larger log: two readings and their tables take about as much.
SHARE_READ = 0.4
# Fewer rows than one of so many are no reading of a shot.
MOST_ROWS_APART = 100
# Preamble, names and units stand within so many lines; lines further down that begin like no row are kept as well.
HEAD_LINES = 200
# The two readings may differ by so much of a volume, and by so many litres.
ALIKE, ALIKE_L = 0.005, 0.005
_PIECE = 1 << 25
_NO_ROW = re.compile(rb"^[^0-9+\-.,;\"' \t\r\n]", re.MULTILINE)


@dataclass(frozen=True)
class Thinned:
    """How a large log was read: one row of `every`, of `rows` in all. other: the same, of the rows halfway between."""

    every: int
    rows: int
    other: bytes


def thin(path: Path, size: int, most_bytes: float) -> tuple[bytes, str, Thinned]:
    """Some of a text file's lines, the digest of the whole, and how it was thinned.

    most_bytes: what may be read whole. LogRefused where it is no text, too large for this too, or one endless line.
    """
    every = -int(-size // (SHARE_READ * most_bytes))
    if every > MOST_ROWS_APART:
        raise LogRefused(too_large(size, most_bytes))
    sha = hashlib.sha256()
    taken: tuple[list[bytes], list[bytes]] = ([], [])
    head, rows, rest = 0, 0, b""
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            sha.update(piece)
            if b"\0" in piece:
                raise LogRefused("the file holds zero bytes: it is no text log, or it was damaged")
            lines = (rest + piece).split(b"\n")
            rest = lines.pop()
            if len(rest) > _PIECE:
                raise LogRefused(f"{too_large(size, most_bytes)}; its lines have no ends by which to read some of them")
            if head < HEAD_LINES:
                first, lines = lines[: HEAD_LINES - head], lines[HEAD_LINES - head :]
                head += len(first)
                for kept in taken:
                    kept += first
            for kept, offset in zip(taken, (0, every // 2), strict=True):
                kept += _some(lines, every, (offset - rows) % every)
            rows += len(lines)
    data, other = (b"\n".join([*kept, rest]) for kept in taken)
    if len(data) > most_bytes:
        raise LogRefused(f"{too_large(size, most_bytes)}; its rows can't be told from other lines")
    return data, sha.hexdigest(), Thinned(every, rows + head, other)


def too_large(size: float, most_bytes: float) -> str:
    """The sentence for a log that is too large."""
    return (
        f"the log holds {size / 1e6:.0f} MB, more than the {most_bytes / 1e6:g} MB that are read at once; split it (by "
        "day, say) or raise largest_log_mb in [workshop]"
    )


def _some(lines: list[bytes], every: int, first: int) -> list[bytes]:
    """One line of every so many from the first on, and all that begin like no row of a table."""
    if not _NO_ROW.search(b"\n".join(lines)):
        return lines[first::every]
    return [line for i, line in enumerate(lines) if i % every == first or _NO_ROW.match(line)]


def read_and_compare(reads: Sequence[Read], read: Callable[[Sequence[Read]], Batch]) -> Batch:
    """Read logs; those that were thinned twice, and what does not come out the same is refused."""
    other = {
        r.found.name: _shots(read([replace(r, data=r.thinned.other, thinned=None)]), r.found.name)
        for r in reads
        if r.thinned is not None
    }
    batch = read(reads)
    for r in reads:
        if r.thinned is None or not (mine := _shots(batch, r.found.name)):
            continue
        differs = _difference(mine, other[r.found.name])
        if differs:
            why = f"{too_large(r.found.size, r.most_bytes)}; read by one row of {r.thinned.every} {differs}"
            batch.refused.append((r, LogRefused(why)))
            batch.candidates = [c for c in batch.candidates if c.found.name != r.found.name]
            continue
        said = (
            f"the log holds {r.found.size / 1e6:.0f} MB, more than is read at once: one row of {r.thinned.every} was "
            "read, twice, with the same volumes; line numbers count the rows read"
        )
        for c in batch.candidates:
            if c.found.name == r.found.name:
                c.meta.remarks.append(Remark("thinned", said, "", 0, r.thinned.rows))
    return batch


def _shots(batch: Batch, name: str) -> list[tuple[str, float | None]]:
    """Shot and volume of what a file gave."""
    volume = dict(batch.frame.group_by("file_no").agg(pl.col("vol_l").max()).iter_rows())
    return [(c.meta.shot, volume.get(c.index)) for c in batch.candidates if c.found.name == name]


def _difference(mine: Sequence[tuple[str, float | None]], other: Sequence[tuple[str, float | None]]) -> str:
    if [shot for shot, _ in mine] != [shot for shot, _ in other]:
        return f"it gives {len(mine)} shots, by other rows {len(other)} or others"
    for (shot, a), (_, b) in zip(mine, other, strict=True):
        if (a is None) != (b is None) or (
            a is not None and b is not None and abs(a - b) > max(ALIKE * max(a, b), ALIKE_L)
        ):
            given = ["an unknown volume" if v is None else f"{v:.3f} l" for v in (a, b)]
            return f"{shot} comes to {given[0]}, by other rows to {given[1]}: they are too uneven"
    return ""


__all__ = ["MOST_ROWS_APART", "Thinned", "read_and_compare", "thin", "too_large"]
