"""Writes the report: reads the store through views, calls the sections, lays out pages. It computes nothing.

A section that fails becomes a card on its page that says so, and the rest of the report is written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from catchpot.report import collect, words
from catchpot.report.blocks import Rows, rows_of, slug
from catchpot.report.cautions import ALWAYS
from catchpot.report.pages import Footer, Pages
from catchpot.report.reference import reference
from catchpot.report.section import Cell, Section
from catchpot.report.site import RECENT_SHOTS, Card, Placed, Site, Survey, survey
from catchpot.report.views import CORE

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from catchpot.plugins import Registry
    from catchpot.reads import Source
    from catchpot.tables import Table
    from catchpot.workshop import MouldBook, Workshop

# The gravest word first: a mould's state is the gravest of its sections' and of its standing findings'.
GRAVEST = ("act", "watch", "not assessed", "in order")
UNKNOWN_MOULD = (
    "This mould has logs but no entry in moulds.toml. Its shots are stored; what needs geometry, fibre or resin is not "
    "computed."
)


@dataclass(frozen=True)
class ReportOutcome:
    """What was written. cards: sections that failed, each with its page."""

    index: Path
    pages: tuple[Path, ...]
    cards: tuple[Card, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "index": str(self.index),
            "pages": [str(p) for p in self.pages],
            "failed_sections": [{"section": c.name, "page": c.where, "error": c.error} for c in self.cards],
        }

    def sentences(self) -> list[str]:
        """For the terminal."""
        return [f"report: {self.index} ({words.count(len(self.pages), 'page')})"]

    def complaints(self) -> list[str]:
        """What failed, a line each."""
        return [f"report: section {c.name} could not be drawn on {c.where}: {c.error}" for c in self.cards]


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


def write_report(workshop: Workshop, registry: Registry, out: Path | None = None) -> ReportOutcome:
    """Write all pages from what is stored; nothing is computed.

    out: the folder to write to; the workshop's reports/ where none is given.
    """
    from catchpot import __version__
    from catchpot.store import Store

    return write_pages(
        Store(workshop.store_path, list(registry.tables().values())),
        registry.sections,
        out or workshop.reports_dir,
        name=workshop.settings.workshop.name,
        zone=workshop.settings.workshop.time_zone,
        book=workshop.book,
        declared=registry.tables(),
        broken=registry.broken,
        version=__version__,
        plugins=[p.name for p in registry.plugins if p.name != "catchpot"],
    )


def write_pages(
    source: Source,
    sections: Sequence[Section],
    out: Path,
    *,
    name: str,
    zone: str,
    book: MouldBook,
    declared: Mapping[str, Table],
    broken: Sequence[tuple[str, str, str]] = (),
    version: str = "",
    plugins: Sequence[str] = (),
) -> ReportOutcome:
    """Write all pages; see `write_report`.

    source: a store. declared: all tables by name. broken: plugins, or parts of them, not in use (plugin, origin,
    error). plugins: names for the footer.
    """
    facts = survey(source)
    as_of = facts.as_of
    footer = Footer(
        range=_range(facts.shots, zone),
        as_of=words.minute(as_of, zone) if as_of else "",
        as_of_iso=as_of.isoformat() if as_of else "",
        version=version,
        plugins=", ".join(plugins),
    )
    pages = Pages(out, name, zone, footer)
    ordered = sorted(sections, key=lambda s: (s.order, s.name))
    site = Site(source, facts, ordered, {**CORE, **declared}, book, zone, pages)
    strays = facts.shots["mould"].drop_nulls().unique().sort().to_list()
    links = _links(list(dict.fromkeys([*book.moulds, *strays])))
    lines = [_mould_page(site, mould, link) for mould, link in links.items()]
    own = [page for section in ordered for page in site.own_pages(section)]
    _workshop_page(site, lines, links, own, broken)
    pages.write("tables.html", "tables.html", "What the columns mean", tables=reference(site.declared))
    pages.sweep()
    return ReportOutcome(out / "index.html", tuple(pages.written), tuple(site.cards))


def _range(shots: pl.DataFrame, zone: str) -> str:
    known = shots["started_at"].drop_nulls().to_list()
    counted = words.count(shots.height, "log")
    return f"{counted} from {words.day(known[0], zone)} to {words.day(known[-1], zone)}" if known else counted


def _links(moulds: Sequence[str]) -> dict[str, str]:
    """A file name for each mould; two that would share one are told apart by a number."""
    links: dict[str, str] = {}
    for mould in moulds:
        base = link = f"mould-{slug(mould)}.html"
        n = 2
        while link in links.values():
            link, n = base.replace(".html", f"-{n}.html"), n + 1
        links[mould] = link
    return links


def _mould_page(site: Site, mould: str, link: str) -> MouldLine:
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


def _workshop_page(
    site: Site,
    lines: Sequence[MouldLine],
    links: Mapping[str, str],
    own: Sequence[tuple[str, Sequence[tuple[str, str]]]],
    broken: Sequence[tuple[str, str, str]],
) -> None:
    facts = site.survey
    shown: list[Placed | Card] = [p for s in site.sections if (p := site.workshop_panel(s)) is not None]
    drawn = {p.name for p in shown}
    # A section that fails on every mould says so here once, and on each mould's page.
    shown += {c.name: c for c in site.cards if c.name not in drawn}.values()
    columns: dict[str, int] = {}
    for cell in (c for line in lines for c in line.cells.values()):
        columns[cell.column] = min(columns.get(cell.column, cell.order), cell.order)
    nameless = facts.shots["mould"].null_count()
    site.pages.write(
        "index.html",
        "workshop.html",
        site.pages.workshop,
        opening=_workshop_opening(lines, nameless, site.pages.footer.range),
        asking=sorted((a for line in lines for a in line.asking), key=lambda a: GRAVEST.index(a.state)),
        recent=RECENT_SHOTS,
        moulds=lines,
        columns=sorted(columns, key=lambda c: (columns[c], c)),
        states=GRAVEST,
        pages=own,
        shown=shown,
        groups=_by_mould(facts, site, links),
        links=links,
        failed=facts.failed,
        broken=broken,
        quarantine=_set_aside(facts, site.zone),
        cautions=ALWAYS,
    )


def _by_mould(
    facts: Survey, site: Site, links: Mapping[str, str]
) -> list[tuple[collect.NotGiven, list[tuple[str, str]]]]:
    """What was not given in the whole workshop, each with its moulds; the shots stand on the moulds' pages."""
    shots = facts.shots.drop_nulls("mould")
    mould_of = dict(zip(shots["shot"], shots["mould"], strict=True))
    groups = collect.not_given(facts.refusals, facts.shots["shot"].reverse().to_list(), site.declared)
    return [(g, [pair for pair in collect.counts_by_mould(g, mould_of) if pair[0] in links]) for g in groups]


def _workshop_opening(lines: Sequence[MouldLine], nameless: int, said: str) -> str:
    logged = sum(line.logged for line in lines)
    text = f"{words.count(logged, 'mould')} with logs: {said}."
    idle = [line.name for line in lines if not line.logged]
    if idle:
        text += f" Without a log so far: {words.listed(idle)}."
    if nameless:
        text += f" {words.count(nameless, 'log').capitalize()} {'names' if nameless == 1 else 'name'} no mould."
    return text


def _set_aside(facts: Survey, zone: str) -> Rows:
    import polars as pl

    shown = facts.quarantine.sort("seen_at", "source_file", descending=[True, False]).select(
        pl.col("source_file").alias("file"),
        pl.when(pl.col("line") > 0).then("line").alias("line"),
        pl.col("reason").alias("why"),
        pl.col("seen_at").alias("seen"),
    )
    return rows_of(shown, zone)


__all__ = ["ReportOutcome", "write_pages", "write_report"]
