"""`catchpot profile FILE`: proposes a log profile, with a comment on all it assumed and all it could not tell."""

from __future__ import annotations

import dataclasses
import itertools
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.ingest.reader import LogRefused, Reader
from catchpot.ingest.scan import Found, Read, unpack
from catchpot.units import parse_unit
from catchpot.whole import write_whole
from catchpot.workshop.profile import Profile, channel_problems
from catchpot.workshop.settings import Settings
from catchpot_logs.guess import channel_lines, column_name, column_unit, quoted
from catchpot_logs.guess_long import as_wide, long_columns, long_lines
from catchpot_logs.sniff import (
    Sniffed,
    clock_formats,
    date_formats,
    is_number,
    is_stamp,
    known_unit,
    sniff,
    split_cells,
    stamp_formats,
)

if TYPE_CHECKING:
    from catchpot.workshop import Workshop

_TIME_WORD = re.compile(r"time|zeit|hora|heure|tempo|temps|date|datum|fecha|^t$|^t[_ ]?s$|sec|stamp", re.IGNORECASE)
_SIMPLE = re.compile(r"[+-]?\d+([.,]\d+)?")
_SPECIAL, _ESCAPED = re.compile(r"([.^$*+?{}\[\]\\|()])"), r"\\\1"
_META_WORDS = {
    "mould": r"mou?ld|form|werkzeug|molde|moule|stampo|tool",
    "shot": r"shot|schuss|part.?n|teil|pieza|pi[èe]ce|lote|charge|serial",
    "injector": r"machine|maschine|inject|m[áa]quina",
    "programmed_volume_l": r"volume|volumen|sollmenge|program",
    "resin_batch": r"resin|harz|resina",
    "fabric_batch": r"fabric|gewebe|tejido|glass",
}


@dataclass
class Proposal:
    """A proposed profile. toml: the text, comments included. assumed, unsure: sentences. rows: first samples as they
    would be read, None where the profile is not complete yet; problem: why."""

    name: str
    toml: str
    assumed: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)
    rows: pl.DataFrame | None = None
    problem: str = ""


def propose(path: Path, workshop: Workshop, readers: Sequence[Reader]) -> Proposal:
    """Look at a log and propose a profile; nothing is written. LogRefused where no table is found in the file.

    What could not be told stands in the text as a comment that has to be settled, and `check` refuses it until then.
    """
    raw = path.read_bytes()
    data = unpack(raw)
    data = raw if data is None else data
    seen = sniff(data)
    if seen is None:
        raise LogRefused("no table of numbers was found in this file")
    name = re.sub(r"[^a-z0-9]+", "-", path.parent.name.lower()).strip("-") or "logger"
    name = "logger" if name == "logs" else name
    proposal = Proposal(name, "", list(seen.assumed), list(seen.unsure))
    text = _text(seen, proposal, _pattern(path, workshop), workshop)
    proposal.toml = text
    _preview(proposal, path, raw, data, workshop, readers)
    return proposal


def write_proposal(workshop: Workshop, proposal: Proposal) -> Path:
    """Append a proposal to the workshop's catchpot.toml; a name already there gets a number."""
    path = workshop.home / "catchpot.toml"
    name, n = proposal.name, 1
    while name in workshop.settings.profiles:
        n += 1
        name = f"{proposal.name}-{n}"
    text = proposal.toml.replace(f"[profiles.{proposal.name}", f"[profiles.{name}")
    before = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    write_whole(path.resolve(), f"{before.rstrip()}\n\n{text}")
    return path


def _pattern(path: Path, workshop: Workshop) -> str:
    suffix = "".join(path.suffixes[-2:]) if path.suffix in (".gz", ".zip") else path.suffix
    try:
        folder = path.resolve().parent.relative_to(workshop.home.resolve()).as_posix()
    except ValueError:
        folder = "logs"
    return f"{folder}/*{suffix}" if folder != "." else f"logs/*{suffix}"


def _text(seen: Sniffed, proposal: Proposal, pattern: str, workshop: Workshop) -> str:
    base = f"profiles.{proposal.name}"
    separator = "tab" if seen.separator == "\t" else seen.separator
    out = [f"[{base}]", f"files = {quoted(pattern)}", f"encoding = {quoted(seen.encoding)}"]
    out += [f"separator = {quoted(separator)}", f"decimal = {quoted(seen.decimal)}"]
    if seen.thousands:
        out.append(f"thousands = {quoted(seen.thousands)}")
    out.append(f"header_line = {seen.header_line}")
    if seen.header_lines > 1:
        out.append(f"header_lines = {seen.header_lines}")
    if seen.units_line:
        out.append(f"units_line = {seen.units_line}")
    time_columns, time_lines = _time(seen, proposal, workshop)
    at = long_columns(seen, time_columns)
    values = [[row[at.value]] for row in seen.rows] if at else seen.rows
    words = sorted({c for row in values for c in row if c and not is_number(c) and not re.search(r"\d", c)})
    if words and len(words) <= 6:
        proposal.assumed.append(f"cells that read {', '.join(words)} were taken as no reading")
        out.append(f"missing = [{', '.join(map(quoted, words))}]   # assumed")
    footer = _footer(seen, time_columns)
    if footer:
        proposal.assumed.append(f"the data end at the line that begins with {footer!r}")
        out.append(f"footer = {quoted('^' + re.sub(_SPECIAL, _ESCAPED, footer))}   # assumed: the data end there")
    if at:
        out += ['shape = "long"', "", f"[{base}.long]", *long_lines(seen, at, proposal)]
    out += ["", f"[{base}.metadata]", *_metadata(seen, proposal)]
    out += ["", f"[{base}.time]", *time_lines, "", f"[{base}.channels]"]
    if at:
        out += channel_lines(as_wide(seen, at), proposal, [])
        return "\n".join(out) + "\n"
    times = _own_times(seen, time_columns)
    if times:
        names = ", ".join(repr(column_name(seen, i)) for i in times)
        proposal.assumed.append(f"columns {names} are time columns, each of the channels to its right")
    out += channel_lines(seen, proposal, [*time_columns, *times], times)
    return "\n".join(out) + "\n"


def _footer(seen: Sniffed, times: Sequence[int]) -> str | None:
    """How the first line after the data begins, where the file ends in lines without a time; None where it doesn't."""
    if not times:
        return None
    alike = is_number if is_number(seen.rows[0][times[0]]) else is_stamp
    lines = [line for line in seen.tail if line.strip()]
    after: list[str] = []
    for line in lines:
        cells = split_cells(line, seen.separator)
        timed = len(cells) == len(seen.rows[0]) and alike(cells[times[0]])
        after = [] if timed else [*after, line]
    if not after or len(after) == len(lines):
        return None
    first = after[0].split(seen.separator)[0].strip()
    return first if first and not is_number(first) else after[0]


def _own_times(seen: Sniffed, times: Sequence[int]) -> list[int]:
    """Time columns, where there are several and channels stand between them; else none."""
    if len(times) != 1:
        return []
    numeric = is_number(seen.rows[0][times[0]])
    found = []
    for i in range(len(seen.rows[0])):
        cells = [r[i] for r in seen.rows if i < len(r) and r[i]]
        if i == times[0]:
            found.append(i)
        elif len(cells) > 2 and all(map(is_number if numeric else is_stamp, cells)):
            timely = not numeric or _TIME_WORD.search(column_name(seen, i)) or _is_time(column_unit(seen, i))
            rising = not numeric or all(
                b > a for a, b in itertools.pairwise(float(c.replace(",", ".")) for c in cells if _SIMPLE.fullmatch(c))
            )
            if timely and rising:
                found.append(i)
    apart = len(found) > 1 and found[0] == times[0] and all(b - a > 1 for a, b in itertools.pairwise(found))
    return found if apart else []


def _is_time(unit: str | None) -> bool:
    return unit is not None and known_unit(unit) and parse_unit(unit).dimension == "time"


def _metadata(seen: Sniffed, proposal: Proposal) -> list[str]:
    out = []
    found: set[str] = set()
    for n, line in enumerate(seen.preamble, 1):
        cells = [c.strip().strip('"') for c in line.split(seen.separator)]
        if len(cells) < 2 or not cells[1]:
            continue
        key = next(
            (k for k, w in _META_WORDS.items() if k not in found and re.search(w, cells[0], re.IGNORECASE)), None
        )
        if key:
            found.add(key)
            out.append(f"{key} = {{ line = {n}, field = 2 }}   # {cells[0]}: {cells[1]}")
    if "shot" not in found:
        out.append("# shot: taken from the file's name")
    if "mould" not in found:
        proposal.unsure.append("which mould: no line of the preamble seems to name it")
        out.append('# mould = { file_name = "^(.+?)_" }   # could not be told: a line, the file name, or a constant')
    return out


def _time(seen: Sniffed, proposal: Proposal, workshop: Workshop) -> tuple[list[int], list[str]]:
    columns = list(zip(*[r for r in seen.rows if len(r) == len(seen.rows[0])], strict=True))
    zone = f"# zone: could not be told; {workshop.zone}, the workshop's, is used"
    for i, cells in enumerate(columns):
        if any(is_number(c) for c in cells[:3]):
            continue
        formats = stamp_formats(cells)
        if formats:
            return [i], _stamp_lines(
                seen, proposal, [i], formats, zone, any(re.search(r"([+-]\d\d:?\d\d|Z)$", c) for c in cells)
            )
    dates = [(i, date_formats(c)) for i, c in enumerate(columns)]
    clocks = [(i, clock_formats(c)) for i, c in enumerate(columns)]
    date, clock = next(((i, f) for i, f in dates if f), None), next(((i, f) for i, f in clocks if f), None)
    if date and clock:
        formats = [f"{d} {clock[1][0]}" for d in date[1]]
        return [date[0], clock[0]], _stamp_lines(seen, proposal, [date[0], clock[0]], formats, zone, False)
    if clock:
        proposal.unsure.append("the date: the stamps are times of day; metadata.date can give it")
        lines = [f"column = {quoted(column_name(seen, clock[0]))}", f"format = {quoted(clock[1][0])}"]
        return [clock[0]], [
            *lines,
            '# date_format = "%d.%m.%Y"   # with metadata.date; else the shot has no start',
            zone,
        ]
    for i, cells in enumerate(columns):
        numbers = [float(c.replace(",", ".")) for c in cells if _SIMPLE.fullmatch(c)]
        rising = len(numbers) == len(cells) and all(b >= a for a, b in itertools.pairwise(numbers))
        if rising and numbers[-1] > numbers[0] and (_TIME_WORD.search(column_name(seen, i)) or i == 0):
            form, said = _number_format(numbers, column_unit(seen, i))
            proposal.assumed.append(f"column {column_name(seen, i)!r} holds the time: {said}")
            return [i], [f"column = {quoted(column_name(seen, i))}", f'format = "{form}"   # assumed: {said}', zone]
    proposal.unsure.append("the time: no column rises or reads as a time")
    return [], ['# column = "..."   # could not be told', "# interval_s = 0.25   # where no time is logged at all"]


def _number_format(numbers: Sequence[float], unit: str | None) -> tuple[str, str]:
    if 1e9 <= numbers[0] < 4e9:
        return "epoch_s", "seconds since 1970"
    if 1e12 <= numbers[0] < 4e12:
        return "epoch_ms", "milliseconds since 1970"
    if 30000 <= numbers[0] < 80000 and numbers[-1] - numbers[0] < 2:
        return "excel", "days of a spreadsheet"
    if unit == "ms":
        return "milliseconds", "milliseconds since the start, by its unit"
    if unit == "min":
        return "minutes", "minutes since the start, by its unit"
    return "seconds", "seconds since the start"


def _stamp_lines(
    seen: Sniffed, proposal: Proposal, columns: Sequence[int], formats: Sequence[str], zone: str, offset: bool
) -> list[str]:
    names = [quoted(column_name(seen, i)) for i in columns]
    column = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
    day, month = [f for f in formats if "%d/%m" in f], [f for f in formats if "%m/%d/" in f]
    lines = [f"column = {column}", f"format = {quoted(formats[0])}"]
    if day and month:
        proposal.unsure.append(f"day or month first: both {day[0]!r} and {month[0]!r} read every stamp")
        lines[1] += f"   # could not be told from {month[0]}: look at a date after the 12th"
    if offset:
        return lines
    proposal.unsure.append(f"the time zone: the stamps have no offset; {zone.split('; ')[1]}")
    return [*lines, zone]


def _preview(
    proposal: Proposal, path: Path, raw: bytes, data: bytes, workshop: Workshop, readers: Sequence[Reader]
) -> None:
    from catchpot.ingest.batch import read_batch

    try:
        given: dict[str, Any] = tomllib.loads(proposal.toml)["profiles"][proposal.name]
        profile = Profile.model_validate(given)
    except ValueError as e:
        proposal.problem = f"not complete yet: {str(e).splitlines()[0]}"
        return
    wrong = channel_problems(profile)
    if wrong:
        proposal.problem = f"not complete yet: {wrong[0][1]}"
        return
    settings = Settings(workshop=workshop.settings.workshop, profiles={proposal.name: profile})
    trial = dataclasses.replace(workshop, settings=settings)
    read = Read(Found(str(path), path.name, len(raw), 0), data, "", packed=True, profile=proposal.name)
    batch = read_batch([read], [r for r in readers if r.name == "log profile"], trial)
    if batch.refused:
        proposal.problem = batch.refused[0][1].reason
        return
    proposal.rows = batch.frame.drop("file_no").head(5)
