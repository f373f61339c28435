"""A mould's page: a sentence, what to do, then its sections in the order of the reader's questions."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from markupsafe import Markup

from catchpot.report import collect, theme, words
from catchpot.report.freshness import Freshness
from catchpot.report.section import Cell
from catchpot.report.shot_links import shots_here
from catchpot.report.site import RECENT_SHOTS, Placed, Site, Survey
from catchpot.report.views import Shelf

if TYPE_CHECKING:
    import polars as pl

# The gravest word first.
GRAVEST = ("act", "watch", "not assessed", "in order")
UNKNOWN_MOULD = (
    "This mould has logs but no entry in moulds.toml. Its shots are stored; what needs geometry, fibre or resin is not "
    "computed."
)


def state_of(states: Collection[str]) -> str:
    """A mould's state: the gravest that asks for something; else in order where anything was assessed.

    >>> state_of(["in order", "not assessed"]), state_of(["watch", "act"]), state_of(["not assessed"])
    ('in order', 'act', 'not assessed')
    """
    return next((s for s in ("act", "watch", "in order") if s in states), "not assessed")


@dataclass(frozen=True)
class Asking:
    """Something that asks for attention: a matter, a finding that stands, or a section's state without one."""

    state: str
    title: str
    link: str
    said: str
    advice: str = ""
    shot: str = ""


@dataclass
class MouldLine:
    """A mould's row on the board. last: the last shot's start, UTC, ISO. unjudged: titles of what was not assessed."""

    name: str
    link: str
    state: str
    shots: int
    last: str = ""
    open_matters: int = 0
    unjudged: list[str] = field(default_factory=list)
    cells: dict[str, Cell] = field(default_factory=dict)
    asking: list[Asking] = field(default_factory=list)
    methods: list[tuple[str, str, tuple[str, ...]]] = field(default_factory=list)

    @property
    def to_do(self) -> str:
        """What to do, in a line."""
        if not self.asking:
            unjudged = f"Not assessed: {words.listed(self.unjudged, 3)}." if self.unjudged else ""
            return unjudged if self.shots else "No log yet."
        first = self.asking[0]
        return first_sentence(first.advice or first.said)

    def as_note(self) -> dict[str, Any]:
        """As it is remembered beside the page."""
        return asdict(self)

    @classmethod
    def of_note(cls, note: Mapping[str, Any]) -> MouldLine:
        """From what was remembered."""
        cells = {k: Cell(**{**c, "trend": tuple(c["trend"])}) for k, c in note["cells"].items()}
        methods = [(t, m, tuple(r)) for t, m, r in note["methods"]]
        return cls(**{**note, "cells": cells, "asking": [Asking(**a) for a in note["asking"]], "methods": methods})


def first_sentence(text: str, most: int = 120) -> str:
    """The first sentence of a text, cut at a word where it is long.

    >>> first_sentence("Check the outer seal. Then the cover.")
    'Check the outer seal.'
    """
    end = next((i for i in range(len(text)) if text[i] in ".;" and text[i + 1 : i + 2] in (" ", "")), len(text))
    said = text[: end + 1].replace(";", ".")
    return said if len(said) <= most else said[:most].rsplit(" ", 1)[0] + " ..."


def mould_page(
    site: Site, mould: str, link: str, shelf: Shelf, fresh: Freshness, *, single: str = "", sheet: str = ""
) -> MouldLine:
    """Write the page of a mould; its row for the board.

    single: the name it is written under as one file. sheet: its set-up sheet.
    """
    import polars as pl

    facts = site.survey
    shots = facts.of(mould)
    found = facts.found_on(mould)
    before = len(site.cards)
    made = [site.mould_parts(section, mould, link, shelf) for section in site.sections]
    shown = [panel for panel, _, _ in made if panel is not None]
    used = sorted({name for _, _, tables in made for name in tables})
    # Findings whose section has nothing to say on this page still need a place.
    placed, homeless = collect.by_section(found, [s for s in site.sections if s.name in {p.name for p in shown}])

    panels = [p for p in shown if isinstance(p, Placed)]
    standing = [f for f in found if facts.standing(f)]
    matters = facts.matters_on(mould)
    states = [p.panel.state for p in panels] + [f.severity for f in standing]
    states += [m.severity for m in matters if m.open]
    line = MouldLine(mould, link, state_of(states), shots.height)
    line.unjudged = [p.title for p in panels if p.panel.state == "not assessed"]
    line.last = _last(shots)
    line.cells = {c.column: c for _, cells, _ in made for c in cells}
    line.asking = _matters_asking(link, facts, mould) or _asking(link, panels, standing, placed)
    line.open_matters = len([m for m in matters if m.open and m.severity != "note"]) if matters else len(line.asking)
    line.methods = [(p.title, p.panel.method, p.panel.references) for p in panels if p.panel.method]

    newest = shots["shot"].reverse().to_list()
    missing = facts.refusals.filter(pl.col("unit").is_in([mould, *newest])).height
    whole = len(site.cards) == before
    content: dict[str, Any] = {
        "mould": mould,
        "stem": link.removeprefix("moulds/").removesuffix(".html"),
        "state": line.state,
        "sheet": sheet,
        "opening": _opening(shots, line.asking, line.unjudged, site.zone),
        "shown": shown,
        "matters": [m for m in matters if m.open],
        "closed": [m for m in matters if not m.open],
        "asking": line.asking,
        "cells": line.cells,
        "placed": {name: _now_and_before(facts, some) for name, some in placed.items()},
        "homeless": _now_and_before(facts, homeless),
        "missing": missing,
        "failed": [f for f in facts.failed if mould in f.parts or set(f.parts) & set(newest)],
        "not_known": "" if mould in site.book.moulds else UNKNOWN_MOULD,
        "here": Markup(theme.to_script_json(shots_here(shots, link))),
    }
    if single:
        site.pages.put(single, site.pages.render(single, "mould.html", mould, single=True, **content))
    else:
        key = fresh.key(mould, used) if whole else ""
        note = {"line": line.as_note(), "used": used}
        site.pages.write(link, "mould.html", mould, key=key, note=note, **content)
    return line


def _last(shots: pl.DataFrame) -> str:
    newest = shots["started_at"].max()
    return newest.isoformat() if isinstance(newest, datetime) else ""


def _now_and_before(facts: Survey, found: Sequence[collect.Found]) -> tuple[list[collect.Found], list[collect.Found]]:
    """Findings that stand, and the earlier and lesser ones."""
    return [f for f in found if facts.standing(f)], [f for f in found if not facts.standing(f)]


def _matters_asking(link: str, facts: Survey, mould: str) -> list[Asking]:
    """The open matters, in their own order."""
    return [
        Asking(m.severity, m.cause or m.headline, f"{link}#{quote(m.anchor)}", m.headline, m.advice)
        for m in facts.matters_on(mould)
        if m.open
    ]


def _asking(
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
        asking.append(Asking(f.severity, f.kind, f"{link}#{quote(f.anchor)}", f.message, f.advice + again, f.shot))
    for p in panels:
        explained = any(f.severity == p.panel.state for f in placed.get(p.name, ()) if f in standing)
        if p.panel.state in ("act", "watch") and not explained:
            asking.append(Asking(p.panel.state, p.title, f"{link}#{p.id}", p.panel.brief))
    return sorted(asking, key=lambda a: GRAVEST.index(a.state))


def _opening(shots: pl.DataFrame, asking: Sequence[Asking], unjudged: Sequence[str], zone: str) -> str:
    if shots.is_empty():
        return "No log of this mould is stored yet."
    known = shots["started_at"].drop_nulls().to_list()
    last = f", the last of {words.minute(known[-1], zone)}" if known else ""
    text = f"{words.count(shots.height, 'shot')}{last}."
    for state, ask in (("act", "for action"), ("watch", "to be watched")):
        titles = list(dict.fromkeys(a.title for a in asking if a.state == state))
        if titles:
            text += f" Asking {ask}: {words.listed(titles)}."
    if asking:
        return text
    return text + (f" Not assessed: {words.listed(unjudged)}." if unjudged else " No finding stands.")


__all__ = ["GRAVEST", "Asking", "MouldLine", "mould_page"]
