"""Rows and lines: which line of a file a row came from, and what to say of rows that could not be read."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from catchpot.channels import BY_NAME
from catchpot.ingest.reader import Remark

# A row that the scan refused: line, column, kind of error, the line's text.
BadRow = tuple[int, str, str, str]

_KINDS = {
    "MISSING COLUMNS": "rows have too few fields",
    "TOO MANY COLUMNS": "rows have too many fields",
    "UNQUOTED VALUE": "rows hold a stray quotation mark",
    "INVALID ENCODING": "rows hold bytes that are no UTF-8",
    "MAXIMUM LINE SIZE": "rows are far too long",
}


def reject_remarks(bad: Sequence[BadRow], before: int = 0, quote: str = "") -> list[Remark]:
    """Rows that the scan refused, put together by column and kind. before: file lines ahead of the scanned text."""
    groups: dict[tuple[str, str], list[tuple[int, str]]] = {}
    for line, column, kind, text in bad:
        groups.setdefault((column if kind == "CAST" else "", kind), []).append((line + before, text))
    found = []
    for (column, kind), rows in groups.items():
        line, text = rows[0]
        channel = column if column in BY_NAME or column == "t_s" else ""
        words = f"rows hold no number in {column}" if kind == "CAST" else _KINDS.get(kind, "rows can't be read")
        text = as_written(text, quote)
        shown = text if len(text) <= 60 else text[:57] + "..."
        detail = f"{len(rows)} {words} (line {line}: {shown!r})"
        found.append(Remark("dropped_row", detail, channel, line, len(rows)))
    return _one_a_key(found)


def _one_a_key(remarks: Sequence[Remark]) -> list[Remark]:
    """log_note's key is shot, kind, channel, line: two remarks of one line become one."""
    merged: dict[tuple[str, str, int], Remark] = {}
    for r in remarks:
        key = (r.kind, r.channel, r.line)
        if key in merged:
            before = merged[key]
            r = Remark(r.kind, f"{before.detail}; {r.detail}", r.channel, r.line, before.count + r.count)
        merged[key] = r
    return list(merged.values())


def tidied(data: bytes, header_line: int, comment: str) -> bytes | None:
    """Text whose lines all end alike and are no comments after the header, each in its old place; None where the data
    are so already."""
    tidy = data
    if b"\r" in data and not data.count(b"\r") == data.count(b"\r\n") == data.count(b"\n"):
        tidy = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    begin = 0
    for _ in range(header_line):
        begin = tidy.find(b"\n", begin) + 1
        if not begin:
            return tidy if tidy is not data else None
    if comment and tidy.find(b"\n" + comment.encode(), begin - 1) >= 0:
        mark = re.escape(comment.encode())
        tidy = tidy[:begin] + re.sub(b"(?m)^" + mark + rb"[^\r\n]*", b"", tidy[begin:])
    if tidy.find(b'"', begin) >= 0:
        tidy = tidy[:begin] + unquoted(tidy[begin:])
    if tidy.find(b"_", begin) >= 0:
        tidy = tidy[:begin] + guarded(tidy[begin:], ",", "", numbers_only=True)
    return tidy if tidy is not data else None


_QUOTED_CELL = re.compile(rb'(?<![^,\r\n])[ \t]*"([^"\r\n]*)"[ \t]*(?=[,\r\n]|$)')


def unquoted(body: bytes) -> bytes:
    """Rows of a comma-separated text with the quotation marks taken off whole cells.

    A comma within such a cell becomes a semicolon: it stays one cell, and no number.

    >>> unquoted(b'"0.5","a, b",1\\n')
    b'0.5,a; b,1\\n'
    """
    return _QUOTED_CELL.sub(lambda cell: cell[1].replace(b",", b";"), body)


# Stand in for marks that the scan would take for more than they are; no log holds these bytes, and none is shown them.
_STRAY_QUOTE, _JOINT = b"\x1a", b"\x1b"


def guarded(body: bytes, separator: str, quote: str, *, numbers_only: bool) -> bytes:
    """Data lines in which nothing is read as more than it is; the same object where nothing had to be changed.

    A quotation mark that opens and isn't closed on its line would take all that follows into one cell, and 1_0 would
    be read as ten. Both become marks that no number holds, so that the row is refused. numbers_only: no column is read
    as text.
    """
    if quote and quote.encode() in body:
        lines = body.split(b"\n")
        stray = _stray_quotes(body, separator, quote)
        for i in stray:
            lines[i] = lines[i].replace(quote.encode(), _STRAY_QUOTE)
        body = b"\n".join(lines) if stray else body
    if numbers_only and b"_" in body:
        body = re.sub(rb"(?<=\d)_(?=\d)", _JOINT, body)
    return body


def as_written(text: str, quote: str) -> str:
    """A guarded line as the file has it."""
    return text.replace(_STRAY_QUOTE.decode(), quote).replace(_JOINT.decode(), "_")


def _stray_quotes(body: bytes, separator: str, quote: str) -> list[int]:
    """Lines (0-based) whose quotation marks don't pair up around whole cells."""
    text = np.frombuffer(b"\n" + body + b"\n", np.uint8)
    mark, ends = ord(quote), np.flatnonzero(text[1:] == ord("\n"))
    at = np.flatnonzero(text == mark)
    line = np.searchsorted(ends, at - 1)
    begin = np.flatnonzero(np.diff(line, prepend=-1))
    counts = np.diff(begin, append=len(at))
    closing = (np.arange(len(at)) - np.repeat(begin, counts)) % 2 == 1
    beside = np.zeros(256, bool)
    beside[[ord("\n"), ord("\r"), mark, *separator.encode()]] = True
    wrong = ~beside[np.where(closing, text[at + 1], text[at - 1])] | np.repeat(counts % 2 == 1, counts)
    if not wrong.any():
        return []
    q, s = re.escape(quote), re.escape(separator)
    cell = f"(?: *{q}(?:[^{q}]|{q}{q})*{q} *|[^{s}{q}]*)"
    whole = re.compile(f"{cell}(?:{s}{cell})*\\r?".encode())
    lines = body.split(b"\n")
    return [i for i in np.unique(line[wrong]).tolist() if not whole.fullmatch(lines[i])]


class RowLines:
    """File lines of a table's rows, worked out only where one is asked for. before: lines ahead of the data given."""

    def __init__(self, data: bytes, header_line: int, rejected: Sequence[int], before: int = 0) -> None:
        self._data, self._header_line = data, header_line
        self._rejected = set(rejected)
        self._before = before
        self._known: list[int] | None = None

    def of_row(self, row: int) -> int:
        """Line of the row-th row (0-based) that was read; 0 where there is none."""
        if self._known is None:
            self._known = [
                n + self._before
                for n, text in enumerate(self._data.splitlines(), 1)
                if n > self._header_line and text.strip() and n not in self._rejected
            ]
        return self._known[row] if 0 <= row < len(self._known) else 0

    def last_line(self) -> int:
        """The last line, one without an end included."""
        return self._data.count(b"\n") + 1
