"""A ledger file as rows of cells with their lines, however a spreadsheet saved it; and rows put back into it."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from catchpot.workshop.problems import Problem, did_you_mean


@dataclass(frozen=True)
class Grid:
    """A ledger file. rows: (line, last line, cells by column); text: all of it, without a byte order mark."""

    path: Path
    text: str
    bom: bool
    separator: str
    newline: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, int, Mapping[str, str]], ...]
    problems: tuple[Problem, ...]

    @property
    def decimal_comma(self) -> bool:
        """Whether the file's own separator leaves the comma to decimals."""
        return self.separator == ";"

    @property
    def readable(self) -> bool:
        """Whether its rows can be read at all."""
        return not any(p.severity == "error" for p in self.problems)

    def line_of(self, cells: Mapping[str, str]) -> str:
        """A row as a line of this file, columns it does not have left out."""
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator="").writerow([cells.get(h, "") for h in self.header])
        return out.getvalue()

    def with_row(self, cells: Mapping[str, str]) -> str:
        """The text with one more row at its end."""
        ended = self.text and not self.text.endswith(("\n", "\r"))
        return f"{self.text}{self.newline if ended else ''}{self.line_of(cells)}{self.newline}"

    def with_changed_row(self, first: int, last: int, cells: Mapping[str, str]) -> str:
        """The text with the row on these lines written anew."""
        lines = self.text.splitlines(keepends=True)
        ending = lines[last - 1][len(lines[last - 1].rstrip("\r\n")) :]
        return "".join([*lines[: first - 1], self.line_of(cells) + ending, *lines[last:]])

    def with_columns(self, names: Sequence[str]) -> Grid:
        """The same file with more columns at the end of its header."""
        new = [n for n in names if n not in self.header]
        if not new:
            return self
        lines = self.text.splitlines(keepends=True)
        head = lines[0].rstrip("\r\n")
        ending = lines[0][len(head) :] or self.newline
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator="").writerow(new)
        text = "".join([f"{head}{self.separator}{out.getvalue()}{ending}", *lines[1:]])
        return Grid(self.path, text, self.bom, self.separator, self.newline, (*self.header, *new), self.rows, ())


def is_comment(cells: Sequence[str]) -> bool:
    """Whether a row is a comment: it begins with a hash and a blank, or holds nothing but hashes there."""
    first = cells[0].strip() if cells else ""
    return first == "#" or first.startswith("# ")


def read_grid(path: Path, columns: Sequence[str], needed: Sequence[str]) -> Grid:
    """A ledger's rows, and what is wrong with its layout. columns: those that are read; others are kept and said.

    A problem of severity error leaves no row readable; one of severity row concerns one row, which then is left out.
    """
    file = str(path)
    data = path.read_bytes()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = data[: e.start].count(b"\n") + 1
        wrong = Problem(file, line, "", "this is not UTF-8 text; save the file as UTF-8")
        return Grid(path, "", False, ",", "\n", (), (), (wrong,))
    newline = "\r\n" if "\r\n" in text else "\n"
    header_line = text.split("\n", 1)[0]
    separator = ";" if ";" in header_line and "," not in header_line else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    header = tuple(h.strip() for h in next(reader, []))
    problems = [
        Problem(
            file, 1, h, f"this column is kept and not read{did_you_mean(h, columns)}; read are {', '.join(columns)}",
            "warning",
        )
        for h in header
        if h and h not in columns
    ]  # fmt: skip
    problems += [
        Problem(file, 1, n, f"this column is needed and is missing{_like(n, header)}")
        for n in needed
        if n not in header
    ]
    twice = sorted({h for h in header if h and header.count(h) > 1})
    problems += [Problem(file, 1, h, "this column stands twice") for h in twice]
    rows = []
    line = reader.line_num + 1
    for cells in reader:
        if any(c.strip() for c in cells) and not is_comment(cells):
            if len(cells) > len(header) and any(c.strip() for c in cells[len(header) :]):
                found = f"{len(cells)} fields, the header has {len(header)}; quote a text that holds a separator"
                problems.append(Problem(file, line, "", found, "row"))
            else:
                cut = {h: c.strip() for h, c in zip(header, cells, strict=False)}
                rows.append((line, reader.line_num, cut))
        line = reader.line_num + 1
    return Grid(path, text, data[:3] == b"\xef\xbb\xbf", separator, newline, header, tuple(rows), tuple(problems))


def _like(name: str, header: Sequence[str]) -> str:
    near = did_you_mean(name, [h for h in header if h])
    return near.replace("did you mean", "is it").replace("?", " there?") if near else ""


__all__ = ["Grid", "is_comment", "read_grid"]
