"""The first page: the board, one row a mould, and what changed since the report of an earlier day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from catchpot.dates import in_zone
from catchpot.report import words
from catchpot.report.drawn import strokes
from catchpot.report.mould_page import GRAVEST, MouldLine
from catchpot.report.section import Cell

Record = dict[str, Any]
TREND_REACH = 0.08
"""A trend is drawn from 8 % below its usual to 8 % above, on every row the same."""
TREND_PX = 26


def columns_of(lines: Sequence[MouldLine]) -> list[str]:
    """Titles of the sections' columns in their order."""
    order: dict[str, int] = {}
    for cell in (c for line in lines for c in line.cells.values()):
        order[cell.column] = min(order.get(cell.column, cell.order), cell.order)
    return sorted(order, key=lambda c: (order[c], c))


def ranked(lines: Sequence[MouldLine]) -> list[MouldLine]:
    """The gravest first, then by name; what has no log last."""
    return sorted(lines, key=lambda n: (not n.shots, GRAVEST.index(n.state), n.name))


def trend_svg(cell: Cell) -> str:
    """The last values against their usual as dots on a line at the usual; empty for fewer than two."""
    known = [(i, v) for i, v in enumerate(cell.trend) if v is not None]
    if len(known) < 2:
        return ""
    last = max(len(cell.trend) - 1, 1)

    def height(value: float) -> float:
        share = min(max((value - 1.0) / TREND_REACH, -1.0), 1.0)
        return TREND_PX / 2 - share * (TREND_PX / 2 - 3)

    dots = [(0.04 + 0.92 * i / last, height(v)) for i, v in known]
    middle = TREND_PX / 2
    return (
        f'<svg class="fig trend" viewBox="0 0 {strokes.WIDE} {TREND_PX}" preserveAspectRatio="none" '
        f'height="{TREND_PX}" aria-hidden="true"><path d="M0 {middle:g}H{strokes.WIDE}" class="s-frame l"/>'
        f'<path d="{strokes.points(dots[:-1])}" class="s-main p" stroke-width="3"/>'
        f'<path d="{strokes.points(dots[-1:])}" class="s-ink p" stroke-width="6"/></svg>'
    )


def record_of(lines: Sequence[MouldLine], as_of: datetime | None, zone: str) -> Record:
    """What is remembered of a board, to tell later what changed since."""
    return {
        "day": in_zone(as_of, zone).date().isoformat() if as_of else "",
        "moulds": {
            n.name: {
                "state": n.state,
                "shots": n.shots,
                "asking": [a.title for a in n.asking],
                "said": {c.column: c.text for c in n.cells.values() if c.large},
                "go": {c.column: c.state for c in n.cells.values() if c.large and c.state},
            }
            for n in lines
        },
    }


def baseline_of(remembered: Any, now: Record) -> Record | None:
    """The record to compare with: that of the last report whose data ended on an earlier day.

    remembered: {"now": the last report's record, "base": what that one was compared with}.
    """
    if not isinstance(remembered, Mapping) or not isinstance(remembered.get("now"), dict):
        return None
    last, base = remembered["now"], remembered.get("base")
    if last.get("day", "") < now["day"]:
        return dict(last)
    return dict(base) if isinstance(base, dict) else None


def changes(base: Record | None, now: Record) -> list[tuple[str, str]]:
    """What changed, (mould, sentence) each; moulds on which nothing did are left out."""
    if base is None:
        return []
    made = []
    old_moulds: Mapping[str, Record] = base.get("moulds", {})
    for name, new in now["moulds"].items():
        old = old_moulds.get(name)
        if old is None:
            made.append((name, f"new here, with {words.count(new['shots'], 'shot')}."))
            continue
        said = []
        if (more := new["shots"] - old["shots"]) > 0:
            said.append(words.count(more, "new shot"))
        elif more < 0:
            said.append(f"{words.count(-more, 'shot')} fewer")
        if new["state"] != old["state"]:
            said.append(f"{old['state']} before, {new['state']} now")
        for column, text in new["said"].items():
            before = old["said"].get(column)
            if before not in (None, text):
                said.append(f"{column[:1].lower()}{column[1:]} {before} before, {text} now")
        for column, word in new["go"].items():
            if old["go"].get(column) not in (None, word):
                said.append(f"{old['go'][column]} before, {word} now".upper())
        fresh = [t for t in dict.fromkeys(new["asking"]) if t not in old["asking"]]
        gone = [t for t in dict.fromkeys(old["asking"]) if t not in new["asking"]]
        said += [f"new: {words.listed(fresh, 3)}"] if fresh else []
        said += [f"no longer: {words.listed(gone, 3)}"] if gone else []
        if said:
            made.append((name, "; ".join(said) + "."))
    made += [(name, "no longer here.") for name in old_moulds if name not in now["moulds"]]
    return made


__all__ = ["baseline_of", "changes", "columns_of", "ranked", "record_of", "trend_svg"]
