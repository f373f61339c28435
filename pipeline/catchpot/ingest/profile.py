"""A log with a profile: cuts out the data lines, takes the metadata, and says how the rest is to be scanned."""

from __future__ import annotations

import csv
import fnmatch
import json
import re
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from catchpot.channels import BY_NAME
from catchpot.ingest.finish import finish
from catchpot.ingest.reader import LogRefused, Remark, Source, TextLayout
from catchpot.workshop.problems import did_you_mean

if TYPE_CHECKING:
    from catchpot.workshop import Profile, Workshop

_UTF16 = (b"\xff\xfe", b"\xfe\xff")


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


def split_line(line: str, profile: Profile) -> list[str]:
    """The cells of one line, blanks and quotation marks taken off."""
    row = next(csv.reader([line], delimiter=profile.separator_character, quotechar=profile.quote or '"'), [])
    return [c.strip() for c in row]


def describe(name: str, profile: Profile, source: Source, workshop: Workshop) -> TextLayout:
    """How a file with this profile is scanned; LogRefused where the file doesn't fit the profile."""
    text = decode(source.data, profile.encoding)
    head, body, first_line, end = _cut(text, profile)
    header = _header(head, profile)
    entries = _metadata(head, profile, source)
    columns = _unique(header)
    probe = body.split("\n", 1)[0]
    extra = len(split_line(probe, profile)) - len(columns)
    if extra == 1 and probe.rstrip().endswith(profile.separator_character):
        columns = (*columns, "(after the last separator)")  # loggers that end each row with a separator
    numbers, texts = _wanted(name, profile, columns, header, head)
    remarks = (
        [Remark("footer", f"from line {first_line + end} on: no data, as the profile says", "", first_line + end)]
        if end >= 0
        else []
    )
    return TextLayout(
        name=source.name,
        entries=entries,
        body=body.encode(),
        first_line=first_line,
        columns=columns,
        numbers=numbers,
        texts=texts,
        separator=profile.separator_character,
        decimal=profile.decimal,
        thousands=profile.thousands,
        quote=profile.quote,
        missing=tuple(profile.missing),
        header=head[profile.header_line - 1] if head else "",
        key=json.dumps([name, workshop.settings.profile_digest(name), columns]),
        finish=lambda frame, layouts: finish(frame, layouts, profile, workshop),
        final_newline=text.endswith("\n") or end >= 0,
        remarks=tuple(remarks),
    )


def _cut(text: str, profile: Profile) -> tuple[list[str], str, int, int]:
    """Head lines (header and units row among them), data text, line of its first row, and rows before a footer."""
    last_head = max(profile.header_line + profile.header_lines - 1, profile.units_line or 0)
    first = max(profile.first_data_line or 0, last_head + 1)
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
