"""The board for a terminal: a line a mould, in 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from catchpot.report import words
from catchpot.report.board import ranked

if TYPE_CHECKING:
    from catchpot.report.mould_page import MouldLine

WIDE = 80
_NAME, _STATE, _NEXT, _LAST = 14, 12, 16, 12


def board_lines(lines: Sequence[MouldLine], zone: str) -> list[str]:
    """Heading and a line a mould, the gravest first; none without moulds. zone: the workshop's."""
    if not lines:
        return []
    head = f"{'mould':{_NAME}} {'state':{_STATE}} {'next shot':{_NEXT}} {'last shot':{_LAST}} what to do"
    return ["", head, *(_line(line, zone) for line in ranked(lines))]


def _line(line: MouldLine, zone: str) -> str:
    large = next((c for c in line.cells.values() if c.large), None)
    ahead = " ".join(filter(None, ((large.state or "").upper(), large.text))) if large else "-"
    last = words.day(datetime.fromisoformat(line.last), zone) if line.last else "no shot yet"
    name, ahead, last = _cut(line.name, _NAME), _cut(ahead, _NEXT), _cut(last, _LAST)
    fixed = f"{name:{_NAME}} {line.state:{_STATE}} {ahead:{_NEXT}} {last:{_LAST}}"
    return _cut(f"{fixed} {line.to_do}".rstrip(), WIDE)


def _cut(text: str, most: int) -> str:
    """A text of at most so many letters, an ellipsis where it was longer.

    >>> _cut("Check the outer seal.", 10)
    'Check the…'
    """
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


__all__ = ["WIDE", "board_lines"]
