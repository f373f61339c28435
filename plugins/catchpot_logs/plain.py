"""The plain shot log: preamble `# key = value`, header row, samples; UTF-8, comma, decimal point."""

from __future__ import annotations

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
    twice = sorted({h for h in header if header.count(h) > 1})
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
    ]
    return known, remarks


def _near(name: str) -> str:
    close = difflib.get_close_matches(name, BY_NAME, 1, 0.8)
    return f" (is {close[0]} meant?)" if close else ""


class PlainReader:
    """Reads the plain log. It claims what no profile claims and is last in the row."""

    name = "plain log"

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
        entries: dict[str, tuple[str, int]] = {}
        header: tuple[str, ...] | None = None
        line = 0
        head = source.data[:_HEAD]
        lines = head.splitlines() if b"\r" in head.replace(b"\r\n", b"") else io.BytesIO(head)
        for line, raw in enumerate(lines, 1):
            row = raw.decode("utf-8-sig" if line == 1 else "utf-8", "replace").strip()
            if not row:
                continue
            if not row.startswith("#"):
                header = tuple(h.strip().strip('"') for h in row.split(","))
                break
            key, equals, value = row[1:].partition("=")
            if equals and key.strip():
                entries.setdefault(key.strip(), (value.strip(), line))
        if header is None:
            raise LogRefused("there is no header row: nothing but comments in the file", line)
        if "t_s" not in header and not any(h in BY_NAME for h in header):
            raise LogRefused(_no_log(header, source), line)
        meta = shot_meta(entries, source.stem, workshop.zone)
        known, remarks = columns_of(header, line, meta.stroke_volume_ml is not None)
        meta.remarks += remarks
        return TableLayout(meta, header, line, {n: (c, _SAME) for n, c in known.items()})


def _no_log(header: tuple[str, ...], source: Source) -> str:
    shown = ",".join(header)
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    if max(len([c for c in shown.split(s) if c.strip()]) for s in ",;\t") < 3:
        return f"this is text, not a shot log: a header row was expected, found {shown!r}"
    return (
        f"no header of a plain log (t_s,flow_l_min,...), found {shown!r};"
        f" `catchpot profile {source.name}` proposes settings for a log in another layout"
    )
