"""Writes the report: reads the store through views, calls the sections, lays out pages. It computes nothing.

A section that fails becomes a card on its page that says so, and the rest of the report is written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from catchpot.report import words
from catchpot.report.blocks import Rows, rows_of, slugs
from catchpot.report.board import baseline_of, changes, columns_of, ranked, record_of, trend_svg
from catchpot.report.cautions import ALWAYS
from catchpot.report.freshness import Freshness, note_of
from catchpot.report.method_page import method_page
from catchpot.report.mould_page import GRAVEST, MouldLine, mould_page
from catchpot.report.not_computed import not_computed_page
from catchpot.report.pages import INDEX, Footer, Pages
from catchpot.report.reference import reference
from catchpot.report.section import Section
from catchpot.report.shot_pages import shot_pages
from catchpot.report.site import Card, Placed, Site, Survey, survey
from catchpot.report.terminal import board_lines
from catchpot.report.views import CORE

if TYPE_CHECKING:
    import polars as pl

    from catchpot.plugins import Registry
    from catchpot.reads import Source
    from catchpot.tables import Table
    from catchpot.workshop import MouldBook, Workshop


@dataclass(frozen=True)
class ReportOutcome:
    """What was written. pages: all of the report; cards: sections that failed, each with its page; rewritten: names of
    the files that were not there as they are; single: a page made as one file; board: the board for a terminal."""

    index: Path
    pages: tuple[Path, ...]
    cards: tuple[Card, ...] = ()
    rewritten: tuple[str, ...] = ()
    single: Path | None = None
    board: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "index": str(self.index),
            "pages": [str(p) for p in self.pages],
            "rewritten": list(self.rewritten),
            **({"single": str(self.single)} if self.single else {}),
            "failed_sections": [{"section": c.name, "page": c.where, "error": c.error} for c in self.cards],
        }

    def sentences(self) -> list[str]:
        """For the terminal."""
        renewed = sum(name.endswith(".html") for name in self.rewritten)
        lines = [f"report: {self.index} ({words.count(len(self.pages), 'page')}, {renewed or 'none'} of them renewed)"]
        return lines + ([f"one file to mail: {self.single}"] if self.single else [])

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
    workshop: Workshop, registry: Registry, out: Path | None = None, away: Sequence[str] = (), *, single: str = ""
) -> ReportOutcome:
    """Write all pages from what is stored; nothing is computed.

    out: the folder to write to; the workshop's reports/ where none is given. away: analyses whose results are kept as
    they were, since they can't be computed now. single: a mould whose page is wanted as one file as well.
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
        over_moulds=[t.name for a in registry.analyses if a.part == "workshop" for t in a.yields],
        single=single,
        code="".join(p.digest for p in registry.plugins),
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
    over_moulds: Sequence[str] = (),
    made_at: datetime | None = None,
    single: str = "",
    code: str = "",
) -> ReportOutcome:
    """Write all pages; see `write_report`.

    source: a store. declared: all tables by name. broken: plugins, or parts of them, not in use (plugin, origin,
    error). plugins: names for the footer. within: a folder that must be there already.
    notice: what every page has to say of the files it goes by. over_moulds: tables that an analysis over all moulds
    writes. made_at: what the stamp says; now where none is given. code: digests of the plugins' code.
    """
    facts = survey(source)
    as_of = facts.as_of
    footer = Footer(
        range=_range(facts.shots, zone),
        as_of=words.minute(as_of, zone) if as_of else "",
        as_of_iso=as_of.isoformat() if as_of else "",
        version=version,
        plugins=", ".join(plugins),
        made=words.minute(made_at or datetime.now(UTC), zone),
        notice=notice,
    )
    pages = Pages(out, name, zone, footer, within)
    pages.begin()
    try:
        ordered = sorted(sections, key=lambda s: (s.order, s.name))
        site = Site(source, facts, ordered, {**CORE, **declared}, book, zone, pages)
        strays = facts.shots["mould"].drop_nulls().unique().sort().to_list()
        stems = slugs(list(dict.fromkeys([*book.moulds, *strays])))
        links = {mould: f"moulds/{stem}.html" for mould, stem in stems.items()}
        fresh = Freshness(site, over_moulds, repr((version, notice, list(broken), name, code)))
        lines = _mould_pages(site, links, fresh)
        shot_pages(site, stems, lines, fresh)
        own = [page for section in ordered for page in site.own_pages(section)]
        sheets = [sheet for section in ordered for sheet in site.sheets(section)]
        own = [*([("Set-up sheets for the next shots", sheets)] if sheets else []), *own]
        _workshop_page(site)
        not_computed_page(site, links, broken)
        method_page(site, lines)
        pages.write("tables.html", "tables.html", "What the columns mean", tables=reference(site.declared))
        _first_page(site, lines, own)
        alone = _single(site, links, fresh, single) if single else None
        pages.finish()
    except BaseException:
        pages.aside.drop()
        raise
    return ReportOutcome(out / "index.html", tuple(pages.written), tuple(site.cards), tuple(pages.rewritten), alone,
                         tuple(board_lines(lines, zone)))  # fmt: skip


BATCH = 25
"""Moulds whose tables are read, and held in memory, at once."""


def _mould_pages(site: Site, links: Mapping[str, str], fresh: Freshness) -> list[MouldLine]:
    """The moulds' pages; those that would come out as they are stay as they are."""
    lines: dict[str, MouldLine] = {}
    for mould, link in links.items():
        note = note_of(site.pages.remembered(link))
        if note and site.pages.unchanged(link, fresh.key(mould, note.get("used", ()))):
            lines[mould] = MouldLine.of_note(note["line"])
    stale = [m for m in links if m not in lines]
    for start in range(0, len(stale), BATCH):
        some = stale[start : start + BATCH]
        shelf = site.shelf(some)
        for mould in some:
            lines[mould] = mould_page(site, mould, links[mould], shelf, fresh)
    return [lines[m] for m in links]


def _single(site: Site, links: Mapping[str, str], fresh: Freshness, mould: str) -> Path:
    """A mould's page as one file, for mailing."""
    from catchpot.errors import CatchpotError

    if mould not in links:
        error = CatchpotError(f"there is no mould {mould!r}; there are {words.listed(list(links), 20)}")
        error.status = 2
        raise error
    name = f"single/{links[mould].rsplit('/', 1)[-1]}"
    mould_page(site, mould, links[mould], site.shelf([mould]), fresh, single=name)
    return site.pages.out / name


def _range(shots: pl.DataFrame, zone: str) -> str:
    known = shots["started_at"].drop_nulls().to_list()
    counted = words.count(shots.height, "log")
    return f"{counted} from {words.day(known[0], zone)} to {words.day(known[-1], zone)}" if known else counted


def _workshop_page(site: Site) -> None:
    """Meters, seals to come and what else speaks of the whole workshop; files set aside."""
    shown: list[Placed | Card] = [p for s in site.sections if (p := site.workshop_panel(s)) is not None]
    site.pages.write(
        "workshop.html",
        "workshop.html",
        "Meters, seals to come, files set aside",
        shown=shown,
        quarantine=_set_aside(site.survey, site.zone),
    )


def _first_page(site: Site, lines: Sequence[MouldLine], own: Sequence[tuple[str, Sequence[tuple[str, str]]]]) -> None:
    facts = site.survey
    nameless = facts.shots["mould"].null_count()
    now = record_of(lines, facts.as_of, site.zone)
    base = baseline_of(site.pages.known.get("board"), now)
    site.pages.record["board"] = {"now": now, "base": base}
    failing = {c.name: c for c in site.cards}
    site.pages.write(
        INDEX,
        "board.html",
        site.pages.workshop,
        opening=_opening(lines, nameless),
        moulds=ranked(lines),
        columns=columns_of(lines),
        states=GRAVEST,
        trend=trend_svg,
        changed=changes(base, now),
        since=words.day(datetime.fromisoformat(base["day"]).replace(tzinfo=ZoneInfo(site.zone)), site.zone)
        if base and base["day"] else "",
        first=base is None,
        pages=own,
        aside=facts.quarantine.height,
        failed=facts.failed,
        failing=list(failing.values()),
        cautions=ALWAYS,
    )  # fmt: skip


def _opening(lines: Sequence[MouldLine], nameless: int) -> str:
    logged = [n for n in lines if n.shots]
    counts = {state: sum(n.state == state for n in logged) for state in GRAVEST}
    said = ", ".join(f"{n} {'to act on' if s == 'act' else 'to watch' if s == 'watch' else s}"
                     for s, n in counts.items() if n)  # fmt: skip
    text = f"{words.count(len(logged), 'mould')} with logs" + (f": {said}." if said else ".")
    idle = [line.name for line in lines if not line.shots]
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
