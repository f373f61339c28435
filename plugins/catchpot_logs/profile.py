"""A log with a profile: cuts out the data lines, takes the metadata, and says how the rest is to be scanned."""

from __future__ import annotations

import codecs
import csv
import fnmatch
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from catchpot.channels import BY_NAME
from catchpot.ingest.reader import LogRefused, Remark, Source, TextLayout
from catchpot.ingest.rows import guarded
from catchpot.workshop.problems import did_you_mean
from catchpot_logs.finish import finish
from catchpot_logs.stamps import quick_format

if TYPE_CHECKING:
    from catchpot.workshop import Profile, Workshop

_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_ASCII_WITHIN = {
    "utf-8",
    "utf-8-sig",
    "ascii",
    *(f"iso8859-{n}" for n in range(1, 17)),
    *(f"cp125{n}" for n in range(9)),
}


def profile_for(source: Source, workshop: Workshop) -> tuple[str, Profile] | None:
    """The profile whose file pattern matches, or the one the file is to be read with; None where there is none."""
    profiles = workshop.settings.profiles
    for name, profile in profiles.items():
        if any(fnmatch.fnmatchcase(source.name, pattern) for pattern in profile.files):
            return name, profile
    if source.profile is not None and source.profile in profiles:
        return source.profile, profiles[source.profile]
    return None


def decode(data: bytes, encoding: str) -> str:
    """The file's text without byte order mark, lines ended by newlines; LogRefused where the encoding doesn't fit."""
    if data[:2] in _UTF16 and not encoding.lower().replace("-", "").startswith("utf16"):
        raise LogRefused(f'the file is UTF-16 text, the profile says {encoding}; encoding = "utf-16" reads it')
    if data[:3] == b"\xef\xbb\xbf" and encoding.lower().replace("_", "-") in ("utf-8", "utf8"):
        encoding = "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as e:
        line = data.count(b"\n", 0, e.start) + 1
        raise LogRefused(f"the file is not {encoding} text, as its profile says", line) from None
    except UnicodeError as e:
        raise LogRefused(f"the file is not {encoding} text: {e}") from None
    return text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


# Separates cells where the profile's own separator is the decimal mark too; no log holds it.
_UNUSED = "\x1f"


def _re_separated(body: bytes, profile: Profile, separator: str) -> bytes:
    """Rows of a text whose quoted cells hold the separator as decimal mark, with another separator and no marks."""
    lines = body.decode("utf-8", "replace").split("\n")
    return "\n".join(separator.join(split_line(line, profile)) if line.strip() else line for line in lines).encode()


def split_line(line: str, profile: Profile, separator: str | None = None) -> list[str]:
    """The cells of one line, blanks and quotation marks taken off."""
    separator = separator or profile.separator_character
    try:
        row = next(csv.reader([line], delimiter=separator, quotechar=profile.quote or '"'), [])
    except csv.Error:
        raise LogRefused(f"a line is far too long, or holds bytes that are no text: {line[:40]!r}...") from None
    return [c.strip() for c in row]


def describe(name: str, profile: Profile, source: Source, workshop: Workshop) -> TextLayout:
    """How a file with this profile is scanned; LogRefused where the file doesn't fit the profile."""
    piece = _as_is(source.data, profile) or _converted(source.data, profile)
    separator = profile.separator_character
    if separator == profile.decimal:
        separator = _UNUSED
        piece = replace(piece, body=_re_separated(piece.body, profile, separator), as_is=False)
    head, first_line = piece.head, piece.first_line
    header = _header(head, profile)
    entries = _metadata(head, profile, source)
    columns = _unique(header)
    probe = piece.body.split(b"\n", 1)[0].decode("utf-8", "replace")
    cells = split_line(probe, profile, separator)
    if len(cells) - len(columns) == 1 and probe.rstrip().endswith(separator):
        columns = (*columns, "(after the last separator)")  # loggers that end each row with a separator
    numbers, texts = _wanted(name, profile, columns, header, head)
    plain_time = profile.time is not None and not any("_" in f for f in profile.time.format)
    others = set(texts) - set(profile.time.column or [] if plain_time and profile.time else [])
    body = guarded(piece.body, separator, profile.quote, numbers_only=not others)
    stamps, stamp_format = _quick_stamps(profile, columns, cells, texts, body)
    remarks = (
        [Remark("footer", f"from line {piece.ends_at} on: no data, as the profile says", "", piece.ends_at)]
        if piece.ends_at
        else []
    )
    return TextLayout(
        name=source.name,
        entries=entries,
        body=body,
        first_line=first_line,
        columns=columns,
        numbers=numbers,
        texts=texts,
        separator=separator,
        decimal=profile.decimal,
        thousands=profile.thousands,
        quote=profile.quote,
        missing=tuple(profile.missing),
        header=head[profile.header_line - 1] if head else "",
        key=json.dumps([name, workshop.settings.profile_digest(name), columns, stamps, stamp_format]),
        finish=lambda frame, layouts: finish(frame, layouts, profile, workshop),
        final_newline=piece.body.endswith(b"\n") or piece.ends_at > 0,
        as_is=piece.as_is and body is piece.body,
        stamps=stamps,
        stamp_format=stamp_format,
        remarks=tuple(remarks),
    )


@dataclass(frozen=True)
class _Piece:
    """A file's lines above its data, and its data lines as UTF-8. first_line, ends_at: file lines of the first row and
    of a footer (0: there is none). as_is: the body is the file's own bytes from first_line on."""

    head: list[str]
    body: bytes
    first_line: int
    ends_at: int = 0
    as_is: bool = False


def _first_data_line(profile: Profile) -> int:
    last_head = max(profile.header_line + profile.header_lines - 1, profile.units_line or 0)
    return max(profile.first_data_line or 0, last_head + 1)


def _as_is(data: bytes, profile: Profile) -> _Piece | None:
    """The parts of a file that is UTF-8 (or ASCII, which most encodings hold) with nothing in it to be taken out."""
    encoding = codecs.lookup(profile.encoding).name
    if encoding not in _ASCII_WITHIN or b"\r" in data or profile.footer:
        return None
    if profile.comment and profile.comment.encode() in data:
        return None
    if not data.isascii():
        if not encoding.startswith("utf-8"):
            return None
        try:
            data.decode("utf-8")
        except UnicodeDecodeError:
            return None  # said with its line where the text is decoded
    first = _first_data_line(profile)
    at = 0
    for _ in range(first - 1):
        at = data.find(b"\n", at) + 1
        if not at:
            return None
    head = data[:at].decode("utf-8-sig")
    # a scan that skips lines takes a quoted cell over two lines for one
    if (profile.quote and profile.quote in head) or not data[at:].strip():
        return None
    return _Piece(head.split("\n")[:-1], data[at:], first, as_is=True)


def _converted(data: bytes, profile: Profile) -> _Piece:
    text = decode(data, profile.encoding)
    head, body, first_line, end = _cut(text, profile)
    return _Piece(head, body.encode(), first_line, first_line + end if end >= 0 else 0)


def _quick_stamps(
    profile: Profile, columns: Sequence[str], cells: Sequence[str], texts: Sequence[str], body: bytes
) -> tuple[tuple[str, ...], str | None]:
    """Columns that the scan may read as time stamps, and their pattern."""
    time = profile.time
    named = [m.column for m in profile.metadata.values()] + [profile.split.column if profile.split else None]
    if time is None or time.column is None or profile.thousands:
        return (), None
    places = [time.column, *(s.time_column for s in profile.channels.values() if s.time_column)]
    stamps = tuple(dict.fromkeys(c for place in places for c in place))
    others = {s.column for s in profile.channels.values()} | set(named)
    if any(len(place) > 1 for place in places) or others & set(stamps) or not set(stamps) <= set(texts):
        return (), None
    at = columns.index(stamps[0])
    quick, form = quick_format(time.format, cells[at] if at < len(cells) else "")
    if not quick or (form is None and b"_" in body):  # the scan reads 1_000 as a number
        return (), None
    return stamps, form


def _cut(text: str, profile: Profile) -> tuple[list[str], str, int, int]:
    """Head lines (header and units row among them), data text, line of its first row, and rows before a footer."""
    first = _first_data_line(profile)
    head: list[str] = []
    at = 0
    for _ in range(first - 1):
        stop = text.find("\n", at)
        if stop < 0:
            raise LogRefused(f"the file has {len(head) + 1} lines, its profile looks for data from line {first} on")
        head.append(text[at:stop])
        at = stop + 1
    body = text[at:]
    if not body.strip():
        raise LogRefused("the log holds no samples", first)
    rows = -1
    if profile.footer:
        found = re.search(f"(?m)^(?:{profile.footer})", body)
        if found:
            rows = body.count("\n", 0, found.start())
            body = body[: found.start()]
    if profile.comment and profile.comment in body:
        # blank, so that the lines after it keep their numbers
        body = re.sub(f"(?m)^{re.escape(profile.comment)}.*$", "", body)
    return head, body, first, rows


def _header(head: Sequence[str], profile: Profile) -> list[str]:
    rows = [split_line(head[profile.header_line - 1 + i], profile) for i in range(profile.header_lines)]
    if rows and rows[0] and rows[0][0].lower().startswith("sep="):
        raise LogRefused(
            "the header line holds `sep=`; the column names stand one line further down", profile.header_line
        )
    width = max(map(len, rows))
    padded = [r + [""] * (width - len(r)) for r in rows]
    return [" ".join(filter(None, cells)) for cells in zip(*padded, strict=True)]


def _unique(header: Sequence[str]) -> tuple[str, ...]:
    seen: dict[str, int] = {}
    columns = []
    for name in header:
        seen[name] = seen.get(name, 0) + 1
        columns.append(name if seen[name] == 1 else f"{name}.{seen[name]}")
    return tuple(c or f"(column {i})" for i, c in enumerate(columns, 1))


def _wanted(
    name: str, profile: Profile, columns: Sequence[str], header: Sequence[str], head: Sequence[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    numbers: list[str] = []
    texts: list[str] = []
    if profile.time and profile.time.column:
        texts += profile.time.column
    if profile.split and profile.split.column:
        texts.append(profile.split.column)
    texts += [m.column for m in profile.metadata.values() if m.column]
    if profile.shape == "long" and profile.long:
        texts += [profile.long.tag, *([profile.long.quality] if profile.long.quality else [])]
        texts.append(profile.long.value)
    else:
        for channel, source in profile.channels.items():
            texts += source.time_column or []
            as_text = BY_NAME[channel].unit == "0/1" and source.true_words
            (texts if as_text else numbers).append(source.column)
    for column in [*numbers, *texts]:
        if column not in columns:
            near = did_you_mean(column, columns)
            shown = ", ".join(c for c in header if c)
            raise LogRefused(
                f"the profile {name} names a column {column!r} that line {profile.header_line} doesn't have{near};"
                f" it has: {shown if len(shown) < 160 else shown[:157] + '...'}",
                profile.header_line,
            )
    texts = list(dict.fromkeys(texts))
    return tuple(dict.fromkeys(n for n in numbers if n not in texts)), tuple(texts)


def _metadata(head: Sequence[str], profile: Profile, source: Source) -> dict[str, tuple[str, int]]:
    """Entries from the preamble, the file's name or folder, or the profile itself."""
    entries: dict[str, tuple[str, int]] = {}
    path = PurePosixPath(source.name)
    for key, origin in profile.metadata.items():
        line, text = 0, None
        if origin.constant is not None:
            text = str(origin.constant)
        elif origin.file_name is not None or origin.folder is not None:
            where = path.name if origin.file_name is not None else str(path.parent)
            text = _matched(origin.file_name or origin.folder or "", where)
        elif origin.line is not None and origin.line <= len(head):
            line, text = origin.line, head[origin.line - 1].strip()
            if origin.field is not None:
                cells = split_line(text, profile)
                text = cells[origin.field - 1] if origin.field <= len(cells) else None
            if text is not None and origin.pattern:
                text = _matched(origin.pattern, text)
        if text is not None and text.strip():
            if key in ("programmed_volume_l", "stroke_volume_ml"):
                text = text.replace(profile.thousands or "\0", "").replace(profile.decimal, ".")
            entries[key] = (text.strip(), line)
    return entries


def _matched(pattern: str, text: str) -> str | None:
    found = re.search(pattern, text)
    if found is None:
        return None
    if "value" in found.groupdict():
        return found.group("value")
    return found.group(1) if found.re.groups else found.group(0)
