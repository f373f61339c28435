"""A mould's page: its state, what asks for attention, its sections and what was not given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import quote

from catchpot.report import collect, words
from catchpot.report.section import Cell
from catchpot.report.site import RECENT_SHOTS, Placed, Site, Survey

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

# The gravest word first: a mould's state is the gravest of its sections' and of its standing findings'.
GRAVEST = ("act", "watch", "not assessed", "in order")
UNKNOWN_MOULD = (
    "This mould has logs but no entry in moulds.toml. Its shots are stored; what needs geometry, fibre or resin is not "
    "computed."
)


@dataclass(frozen=True)
class Asking:
    """Something that asks for attention: a finding that stands, or a section's state without one."""

    state: str
    mould: str
    title: str
    link: str
    said: str
    advice: str = ""
    since: datetime | None = None
    shot: str = ""


@dataclass
class MouldLine:
    """A mould's row on the workshop page."""

    name: str
    link: str
    state: str
    logged: bool
    cells: dict[str, Cell] = field(default_factory=dict)
    asking: list[Asking] = field(default_factory=list)


def mould_page(site: Site, mould: str, link: str) -> MouldLine:
    """Write the page of a mould; its row for the workshop page."""
    import polars as pl

    facts = site.survey
    shots = facts.of(mould)
    found = [f for f in facts.found if f.mould == mould]
    made = [site.mould_parts(section, mould, link) for section in site.sections]
    shown = [panel for panel, _ in made if panel is not None]
    # Findings whose section has nothing to say on this page still need a place.
    placed, homeless = collect.by_section(found, [s for s in site.sections if s.name in {p.name for p in shown}])

    panels = [p for p in shown if isinstance(p, Placed)]
    standing = [f for f in found if facts.standing(f)]
    states = [p.panel.state for p in panels] + [f.severity for f in standing]
    line = MouldLine(mould, link, next((g for g in GRAVEST if g in states), "not assessed"), shots.height > 0)
    line.cells = {c.column: c for _, cells in made for c in cells}
    line.asking = _asking(mould, link, panels, standing, placed)

    newest = shots["shot"].reverse().to_list()
    refusals = facts.refusals.filter(pl.col("unit").is_in([mould, *newest]))
    site.pages.write(
        link,
        "mould.html",
        mould,
        state=line.state,
        opening=_opening(shots, line.asking, [p.title for p in panels if p.panel.state == "not assessed"], site.zone),
        shown=shown,
        placed={name: _now_and_before(facts, some) for name, some in placed.items()},
        homeless=_now_and_before(facts, homeless),
        groups=collect.not_given(refusals, newest, site.declared),
        failed=[f for f in facts.failed if mould in f.parts or set(f.parts) & set(newest)],
        not_known="" if mould in site.book.moulds else UNKNOWN_MOULD,
    )
    return line


def _now_and_before(facts: Survey, found: Sequence[collect.Found]) -> tuple[list[collect.Found], list[collect.Found]]:
    """Findings that stand, and the earlier and lesser ones."""
    return [f for f in found if facts.standing(f)], [f for f in found if not facts.standing(f)]


def _asking(
    mould: str,
    link: str,
    panels: Sequence[Placed],
    standing: Sequence[collect.Found],
    placed: Mapping[str, Sequence[collect.Found]],
) -> list[Asking]:
    """Standing findings, one a kind, and sections whose state no standing finding of theirs explains."""
    kinds: dict[tuple[str, ...], list[collect.Found]] = {}
    for f in standing:
        # Competing explanations and a mould's own findings each say something else; a kind shot after shot does not.
        key = (f.kind, f.severity, f.analysis) if f.shot and f.rank == 1 else (f.anchor,)
        kinds.setdefault(key, []).append(f)
    asking = []
    for f, *more in kinds.values():
        again = f" The same was found in {len(more)} more of the last {RECENT_SHOTS} shots." if more else ""
        link_to = f"{link}#{quote(f.anchor)}"
        asking.append(Asking(f.severity, mould, f.kind, link_to, f.message, f.advice + again, f.since, f.shot))
    for p in panels:
        explained = any(f.severity == p.panel.state for f in placed.get(p.name, ()) if f in standing)
        if p.panel.state in ("act", "watch") and not explained:
            asking.append(Asking(p.panel.state, mould, p.title, f"{link}#{p.id}", p.panel.brief))
    return sorted(asking, key=lambda a: GRAVEST.index(a.state))


def _opening(shots: pl.DataFrame, asking: Sequence[Asking], unjudged: Sequence[str], zone: str) -> str:
    if shots.is_empty():
        return "No log of this mould is stored yet."
    known = shots["started_at"].drop_nulls().to_list()
    last = f", the last of {words.minute(known[-1], zone)}" if known else ""
    text = f"{words.count(shots.height, 'log')} stored{last}."
    for state, ask in (("act", "for action"), ("watch", "to be watched")):
        titles = list(dict.fromkeys(a.title for a in asking if a.state == state))
        if titles:
            text += f" Asking {ask}: {words.listed(titles)}."
    if asking:
        return text
    return text + (f" Not assessed: {words.listed(unjudged)}." if unjudged else " No finding stands.")
