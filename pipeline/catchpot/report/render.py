"""Writes the report: reads the store through views, calls the sections, lays out pages. It computes nothing.

A section that fails becomes a card on its page that says so, and the rest of the report is written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.report import collect, words
from catchpot.report.blocks import Rows, rows_of, slugs
from catchpot.report.cautions import ALWAYS
from catchpot.report.mould_page import GRAVEST, MouldLine, mould_page
from catchpot.report.pages import Footer, Pages
from catchpot.report.reference import reference
from catchpot.report.section import Section
from catchpot.report.site import RECENT_SHOTS, Card, Placed, Site, Survey, survey
from catchpot.report.views import CORE

if TYPE_CHECKING:
    import polars as pl

    from catchpot.plugins import Registry
    from catchpot.reads import Source
    from catchpot.tables import Table
    from catchpot.workshop import MouldBook, Workshop


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
        same: dict[tuple[str, str], list[str]] = {}
        for c in self.cards:
            same.setdefault((c.name, c.error), []).append(c.where)
        return [
            f"report: section {name} could not be drawn on {words.listed(list(dict.fromkeys(where)), 3)}: {error}"
            for (name, error), where in same.items()
        ]


def write_report(
    workshop: Workshop, registry: Registry, out: Path | None = None, away: Sequence[str] = ()
) -> ReportOutcome:
    """Write all pages from what is stored; nothing is computed.

    out: the folder to write to; the workshop's reports/ where none is given. away: analyses whose results are kept as
    they were, since they can't be computed now.
    """
    from catchpot import __version__
    from catchpot.store import Store

    return write_pages(
        Store(workshop.store_path, list(registry.tables().values())),
        registry.guarded_sections,
        out or workshop.reports_dir,
        name=workshop.settings.workshop.name,
        zone=workshop.settings.workshop.time_zone,
        book=workshop.book,
        declared=registry.tables(),
        broken=registry.broken,
        version=__version__,
        plugins=[p.name for p in registry.plugins if p.name != "catchpot"],
        within=None if out else workshop.home,
        notice="; ".join(filter(None, (workshop.stale_sentence(), _not_recomputed(away)))),
    )


def _not_recomputed(away: Sequence[str]) -> str:
    if not away:
        return ""
    return f"results of {words.listed(list(away), 20)} are kept as they were and were not recomputed since: not in use"


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
    within: Path | None = None,
    notice: str = "",
) -> ReportOutcome:
    """Write all pages; see `write_report`.

    source: a store. declared: all tables by name. broken: plugins, or parts of them, not in use (plugin, origin,
    error). plugins: names for the footer. within: a folder that must be there already.
    notice: what every page has to say of the files it goes by.
    """
    facts = survey(source)
    as_of = facts.as_of
    footer = Footer(
        range=_range(facts.shots, zone) + (f". Note: {notice}" if notice else ""),
        as_of=words.minute(as_of, zone) if as_of else "",
        as_of_iso=as_of.isoformat() if as_of else "",
        version=version,
        plugins=", ".join(plugins),
    )
    pages = Pages(out, name, zone, footer, within)
    pages.begin()
    ordered = sorted(sections, key=lambda s: (s.order, s.name))
    site = Site(source, facts, ordered, {**CORE, **declared}, book, zone, pages)
    strays = facts.shots["mould"].drop_nulls().unique().sort().to_list()
    links = _links(list(dict.fromkeys([*book.moulds, *strays])))
    lines = [mould_page(site, mould, link) for mould, link in links.items()]
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
    return {mould: f"mould-{name}.html" for mould, name in slugs(moulds).items()}


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
        asking=sorted((line for line in lines if line.asking), key=lambda line: GRAVEST.index(line.asking[0].state)),
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
