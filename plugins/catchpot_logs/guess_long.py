"""Whether an unknown log holds one reading a row, and which of its columns is tag, value, quality and unit."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from catchpot_logs.guess import column_name, quoted
from catchpot_logs.sniff import Sniffed, is_number, known_unit

if TYPE_CHECKING:
    from catchpot_logs.propose import Proposal

_TAG = re.compile(r"tag|name|messstelle|kanal|channel|signal|variable|point|sensor|punto|voie|canal", re.IGNORECASE)
_QUALITY = re.compile(r"qual|status|state|g[üu]te|calidad|estado|[ée]tat|valid", re.IGNORECASE)
_GOOD = re.compile(r"good|gut|ok|okay|bueno|buena|bon|bom|buono|192|valid|g[üu]ltig|true", re.IGNORECASE)
_MOST_TAGS = 60


@dataclass(frozen=True)
class LongColumns:
    """Places of the columns of a log with one reading a row."""

    tag: int
    value: int
    quality: int | None
    unit: int | None


def long_columns(seen: Sniffed, times: Sequence[int]) -> LongColumns | None:
    """The columns of a long log; None for a log with one column a channel. times: columns that hold the time."""
    width = len(seen.rows[0])
    columns = [[r[i] for r in seen.rows if len(r) == width] for i in range(width)]
    numeric: list[int] = []
    texts: list[int] = []
    quality: int | None = None
    for i, cells in enumerate(columns):
        if i in times:
            continue
        named = bool(_QUALITY.search(column_name(seen, i)))
        if named and len(set(cells)) < 6:
            quality = i
        elif sum(map(is_number, cells)) > 0.8 * len(cells):
            numeric.append(i)
        elif all(cells) and not any(map(is_number, cells)):
            texts.append(i)
    if len(numeric) != 1 or not times:
        return None
    unit = next((i for i in texts if all(map(known_unit, set(columns[i])))), None)
    tags = [i for i in texts if i != unit and 2 <= len(set(columns[i])) <= min(_MOST_TAGS, len(columns[i]) // 3)]
    if not tags:
        return None
    tag = next((i for i in tags if _TAG.search(column_name(seen, i))), tags[0])
    return LongColumns(tag, numeric[0], quality, unit)


def long_lines(seen: Sniffed, at: LongColumns, proposal: Proposal) -> list[str]:
    """Lines of `[profiles.NAME.long]`."""
    out = [f"tag = {quoted(column_name(seen, at.tag))}", f"value = {quoted(column_name(seen, at.value))}"]
    proposal.assumed.append(
        f"one reading a row: column {column_name(seen, at.tag)!r} names the channel,"
        f" column {column_name(seen, at.value)!r} holds its value"
    )
    if at.quality is not None:
        words = Counter(r[at.quality] for r in seen.rows)
        good = sorted(w for w in words if _GOOD.fullmatch(w)) or [words.most_common(1)[0][0]]
        others = sorted(set(words) - set(good))
        name = column_name(seen, at.quality)
        said = f"readings whose {name!r} is {' or '.join(good)} are good ones"
        proposal.assumed.append(f"{said}; {', '.join(others)} are left out" if others else said)
        out += [f"quality = {quoted(name)}", f"good = [{', '.join(map(quoted, good))}]   # assumed"]
    return out


def as_wide(seen: Sniffed, at: LongColumns) -> Sniffed:
    """The log as if every tag had a column: names, units and the readings of each, one below the other."""
    readings: dict[str, list[str]] = {}
    units: dict[str, Counter[str]] = {}
    for row in seen.rows:
        readings.setdefault(row[at.tag], []).append(row[at.value])
        units.setdefault(row[at.tag], Counter())[row[at.unit] if at.unit is not None else ""] += 1
    depth = max(map(len, readings.values()))
    rows = [[cells[i] if i < len(cells) else "" for cells in readings.values()] for i in range(depth)]
    return dataclasses.replace(
        seen, header=list(readings), units=[c.most_common(1)[0][0] for c in units.values()], rows=rows
    )
