"""The plain shot log: preamble `# key = value`, header row, samples; UTF-8, comma, decimal point."""

from __future__ import annotations

import csv
import difflib
import io
from typing import TYPE_CHECKING

from catchpot.channels import BY_NAME, REQUIRED
from catchpot.ingest.metadata import shot_meta
from catchpot.ingest.reader import LogRefused, Remark, Source, TableLayout
from catchpot.units import Conversion

if TYPE_CHECKING:
    from catchpot.workshop import Workshop

_HEAD = 65536
_SAME = Conversion(1.0)
_NEEDED = ("t_s", *(n for n in REQUIRED if n != "flow_l_min"))


def columns_of(header: tuple[str, ...], line: int, has_stroke_volume: bool) -> tuple[dict[str, str], list[Remark]]:
    """Canonical name -> column of a plain header, by name whatever the order; LogRefused where one is missing.

    Columns nobody knows are passed over and said.
    """
    twice = sorted({h for h in header if header.count(h) > 1 and (h == "t_s" or h in BY_NAME)})
    if twice:
        raise LogRefused(f"column {twice[0]!r} stands twice in the header", line)
    known = {h: h for h in header if h == "t_s" or h in BY_NAME}
    strangers = [h for h in header if h not in known]
    missing = [n for n in _NEEDED if n not in known]
    if "flow_l_min" not in known and not ("pump_strokes" in known and has_stroke_volume):
        missing.append("flow_l_min")
    if missing:
        near = [(m, c[0]) for m in missing if (c := difflib.get_close_matches(m, strangers, 1, 0.6))]
        hint = "; ".join(f"is {c!r} meant as {m}?" for m, c in near)
        if "flow_l_min" in missing and "pump_strokes" in known:
            hint = hint or "pump strokes can stand in for flow where the preamble gives stroke_volume_ml"
        words = f"the header lacks {', '.join(missing)}"
        raise LogRefused(f"{words} ({hint})" if hint else f"{words}; a log in another layout needs a profile", line)
    remarks = [
        Remark("unknown_column", f"column {h!r} is no known channel and was passed over{_near(h)}", "", line)
        for h in strangers
        if not h.startswith("(column ")
    ]
    return known, remarks


def _near(name: str) -> str:
    close = difflib.get_close_matches(name, BY_NAME, 1, 0.8)
    return f" (is {close[0]} meant?)" if close else ""


class PlainReader:
    """Reads the plain log. It claims what no profile claims and is last in the row."""

    name = "plain log"
    order = 1000

    def claims(self, source: Source, workshop: Workshop) -> bool:
        """Any text file."""
        return not source.path.name.lower().endswith((".parquet", ".pq"))

    def settings(self, source: Source, workshop: Workshop) -> str:
        """The zone, in which a start without offset is read."""
        return f"plain 2 {workshop.zone}"

    def describe(self, source: Source, workshop: Workshop) -> TableLayout:
        """Preamble and header; the samples are left to the batch scan."""
        if source.data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            raise LogRefused('this is UTF-16 text, not UTF-8; a log profile with encoding = "utf-16" reads it', 1)
        found = _head(source.data[:_HEAD], len(source.data) <= _HEAD) or _head(source.data, True)
        assert found is not None  # the whole file was looked at
        entries, header, line = found
        if header is None:
            raise LogRefused("there is no header row: nothing but comments in the file", line)
        if "t_s" not in header and not any(h in BY_NAME for h in header):
            raise LogRefused(_no_log(header, source), line)
        meta = shot_meta(entries, source.stem, workshop.zone)
        known, remarks = columns_of(header, line, meta.stroke_volume_ml is not None)
        meta.remarks += remarks
        return TableLayout(meta, header, line, {n: (c, _SAME) for n, c in known.items()})


def _head(data: bytes, whole: bool) -> tuple[dict[str, tuple[str, int]], tuple[str, ...] | None, int] | None:
    """Preamble, column names (None: there are none) and their line; None where the piece may end within them.

    whole: the piece is the whole file.
    """
    entries: dict[str, tuple[str, int]] = {}
    lines = data.splitlines(True) if b"\r" in data.replace(b"\r\n", b"") else io.BytesIO(data)
    line = 0
    for line, raw in enumerate(lines, 1):
        if not whole and not raw.endswith((b"\n", b"\r")):
            return None
        row = raw.decode("utf-8-sig" if line == 1 else "utf-8", "replace").strip()
        if not row:
            continue
        if not row.startswith("#"):
            return entries, _names(row, line), line
        key, equals, value = row[1:].partition("=")
        if equals and key.strip():
            entries.setdefault(key.strip(), (value.strip(), line))
    return (entries, None, line) if whole else None


def _names(row: str, line: int) -> tuple[str, ...]:
    """Column names of a header row; a stranger that stands twice and a column without a name are numbered."""
    names: list[str] = []
    try:
        cells = next(csv.reader([row]), [])
    except csv.Error:
        raise LogRefused("the header row is far too long, or holds bytes that are no text", line) from None
    for i, cell in enumerate(cells, 1):
        name = cell.strip().strip('"') or f"(column {i})"
        strange = name != "t_s" and name not in BY_NAME
        names.append(f"{name}.{i}" if strange and name in names else name)
    return tuple(names)


def _no_log(header: tuple[str, ...], source: Source) -> str:
    shown = ",".join(header)
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    if max(len([c for c in shown.split(s) if c.strip()]) for s in ",;\t") < 3:
        return f"this is text, not a shot log: a header row was expected, found {shown!r}"
    return (
        f"no header of a plain log (t_s,flow_l_min,...), found {shown!r};"
        f" `catchpot profile {source.name}` proposes settings for a log in another layout"
    )
