"""One state of the store as pages, each made when asked for: all of them for a report, one by one for a server."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from catchpot.report import words
from catchpot.report.blocks import Rows, rows_of, slugs
from catchpot.report.board import baseline_of, changes, columns_of, ranked, record_of, trend_svg
from catchpot.report.cautions import ALWAYS
from catchpot.report.freshness import Freshness, note_of
from catchpot.report.method_page import method_page
from catchpot.report.mould_page import GRAVEST, MouldLine, mould_page
from catchpot.report.not_computed import PAGE as NOT_COMPUTED
from catchpot.report.not_computed import not_computed_page
from catchpot.report.pages import INDEX, Footer, Pages
from catchpot.report.reference import reference
from catchpot.report.section import Section
from catchpot.report.shot_data import month_files
from catchpot.report.shot_pages import data_files, shot_page, shot_pages
from catchpot.report.site import Card, Placed, Site, Survey, survey
from catchpot.report.views import CORE, Shelf

if TYPE_CHECKING:
    from pathlib import Path

    import polars as pl

    from catchpot.reads import Source
    from catchpot.tables import Table
    from catchpot.workshop import MouldBook

WORKSHOP, METHOD, TABLES = "workshop.html", "method.html", "tables.html"
BATCH = 25
"""Moulds whose tables are read, and held in memory, at once."""


@dataclass(frozen=True)
class About:
    """What pages are made of beside the stored tables.

    declared: all tables by name. broken: plugins, or parts of them, not in use (plugin, origin, error). plugins: names
    for the footer. notice: what every page has to say of the files it goes by. over_moulds: tables that an analysis
    over all moulds writes. code: digests of the plugins' code. letterhead: stands above what leaves the
    house. decimal: the mark in numbers.
    """

    name: str
    zone: str
    book: MouldBook
    declared: Mapping[str, Table]
    broken: Sequence[tuple[str, str, str]] = ()
    version: str = ""
    plugins: Sequence[str] = ()
    notice: str = ""
    over_moulds: Sequence[str] = ()
    code: str = ""
    letterhead: str = ""
    currency: str = ""
    decimal: str = "."


class Edition:
    """The pages of one state of the store.

    place: makes the pages' holder from the workshop's name, zone and the pages' foot. made_at: what the stamp says; now
    where none is given.
    """

    def __init__(
        self,
        source: Source,
        sections: Sequence[Section],
        about: About,
        place: Callable[[str, str, Footer], Pages],
        made_at: datetime | None = None,
    ) -> None:
        facts = survey(source)
        as_of = facts.as_of
        self.about = about
        self.pages = place(about.name, about.zone, Footer(
            range=_range(facts.shots, about.zone),
            as_of=words.minute(as_of, about.zone) if as_of else "",
            as_of_iso=as_of.isoformat() if as_of else "",
            version=about.version,
            plugins=", ".join(about.plugins),
            made=words.minute(made_at or datetime.now(UTC), about.zone),
            notice=about.notice,
        ))  # fmt: skip
        self.pages.decimal = about.decimal
        self.pages.names_kept = _like_numbers(facts.shots)
        ordered = sorted(sections, key=lambda s: (s.order, s.name))
        strays = facts.shots["mould"].drop_nulls().unique().sort().to_list()
        self.stems = slugs(list(dict.fromkeys([*about.book.moulds, *strays])))
        self.site = Site(
            source, facts, ordered, {**CORE, **about.declared}, about.book, about.zone, self.pages,
            letterhead=tuple(filter(None, (line.strip() for line in about.letterhead.splitlines()))),
            currency=about.currency,
            shots_at={mould: f"shots/{stem}.html" for mould, stem in self.stems.items()},
        )  # fmt: skip
        self.pages.code = self.site.code
        self.links = {mould: f"moulds/{stem}.html" for mould, stem in self.stems.items()}
        beside = repr((about.version, about.notice, list(about.broken), about.name, about.code, about.decimal))
        self.fresh = Freshness(self.site, about.over_moulds, beside)

    def all(self) -> None:
        """Make every page, the first page last."""
        shot_pages(self.site, self.stems, self.links, self.fresh, moulds=[n.name for n in self.lines])
        files = (f for m, stem in self.stems.items() for f in data_files(self.site, stem, self.site.survey.of(m)))
        month_files(self.site.source, self.pages, files)
        for make in (self._workshop, self._not_computed, self._method, self._tables, self._first):
            make()

    @cached_property
    def makers(self) -> Mapping[str, Callable[[], Any]]:
        """The pages and data files whose names are known beforehand, with what makes each."""
        made: dict[str, Callable[[], Any]] = {
            INDEX: self._first, WORKSHOP: self._workshop, NOT_COMPUTED: self._not_computed, METHOD: self._method,
            TABLES: self._tables,
        }  # fmt: skip
        for mould, link in self.links.items():
            stem = self.stems[mould]
            made[link] = _later(self._line, mould)
            made[f"shots/{stem}.html"] = _later(shot_page, self.site, stem, mould, link, self.fresh)
            for file in data_files(self.site, stem, self.site.survey.of(mould)):
                made[file.name] = _later(month_files, self.site.source, self.pages, [file])
        return made

    def make(self, name: str) -> bool:
        """Make one page or data file; False where there is none of this name."""
        if name in self.makers:
            self.makers[name]()
        elif name not in self.pages.made:
            _ = self.own
        return name in self.pages.made

    def alone(self, mould: str) -> Path:
        """A mould's page as one file, for mailing."""
        from catchpot.errors import CatchpotError

        if mould not in self.links:
            error = CatchpotError(f"there is no mould {mould!r}; there are {words.listed(list(self.links), 20)}")
            error.status = 2
            raise error
        name = f"single/{self.stems[mould]}.html"
        mould_page(self.site, mould, self.links[mould], self.site.shelf([mould]), self.fresh, single=name)
        return self.pages.out / name

    @cached_property
    def lines(self) -> list[MouldLine]:
        """The moulds' rows on the board; their pages are made, those that would come out as they are stay."""
        found = {m: line for m in self.links if (line := self._kept(m)) is not None}
        stale = [m for m in self.links if m not in found]
        for start in range(0, len(stale), BATCH):
            some = stale[start : start + BATCH]
            shelf = self.site.shelf(some)
            for mould in some:
                found[mould] = self._mould_page(mould, shelf)
        return [found[m] for m in self.links]

    @cached_property
    def own(self) -> list[tuple[str, list[tuple[str, str]]]]:
        """The sections' own pages, made: sheets first; (group, (link, words) of each)."""
        own = [page for section in self.site.sections for page in self.site.own_pages(section)]
        sheets = [(link, said) for link, said, mould in self.sheets if mould]
        others = [("", [(link, said)]) for link, said, mould in self.sheets if not mould]
        return [*([("Set-up sheets for the next shots", sheets)] if sheets else []), *others, *own]

    @cached_property
    def sheets(self) -> list[tuple[str, str, str]]:
        """The sheets to print, made; link, words and mould of each."""
        return [sheet for section in self.site.sections for sheet in self.site.sheets(section)]

    @cached_property
    def _sheet_of(self) -> dict[str, str]:
        return {mould: link for link, _, mould in self.sheets if mould}

    def _kept(self, mould: str) -> MouldLine | None:
        link = self.links[mould]
        note = note_of(self.pages.remembered(link))
        if note and self.pages.unchanged(link, self.fresh.key(mould, note.get("used", ()))):
            return MouldLine.of_note(note["line"])
        return None

    def _line(self, mould: str) -> MouldLine:
        kept = self._kept(mould)
        return kept or self._mould_page(mould, self.site.shelf([mould]))

    def _mould_page(self, mould: str, shelf: Shelf) -> MouldLine:
        sheet = self._sheet_of.get(mould, "")
        return mould_page(self.site, mould, self.links[mould], shelf, self.fresh, sheet=sheet)

    def _not_computed(self) -> None:
        not_computed_page(self.site, self.links, self.about.broken)

    def _method(self) -> None:
        method_page(self.site, self.lines)

    def _tables(self) -> None:
        self.pages.write(TABLES, "tables.html", "What the columns mean", tables=reference(self.site.declared))

    @cached_property
    def _panels(self) -> list[Placed | Card]:
        return [p for s in self.site.sections if (p := self.site.workshop_panel(s)) is not None]

    def _workshop(self) -> None:
        """Meters, seals to come and what else speaks of the whole workshop; files set aside."""
        self.pages.write(
            WORKSHOP,
            "workshop.html",
            "Meters, seals to come, files set aside",
            shown=self._panels,
            quarantine=_set_aside(self.site.survey, self.about.zone),
        )

    def _first(self) -> None:
        facts, zone, lines = self.site.survey, self.about.zone, self.lines
        own, _ = self.own, self._panels  # what fails in them is said here
        now = record_of(lines, facts.as_of, zone)
        base = baseline_of(self.pages.known.get("board"), now)
        self.pages.record["board"] = {"now": now, "base": base}
        failing = {c.name: c for c in self.site.cards}
        self.pages.write(
            INDEX,
            "board.html",
            self.pages.workshop,
            opening=_opening(lines, facts.shots["mould"].null_count()),
            moulds=ranked(lines),
            columns=columns_of(lines),
            states=GRAVEST,
            trend=trend_svg,
            changed=changes(base, now),
            since=words.day(datetime.fromisoformat(base["day"]).replace(tzinfo=ZoneInfo(zone)), zone)
            if base and base["day"] else "",
            first=base is None,
            pages=[*own[:1], ("", beside), *own[1:]] if (beside := self.site.beside()) else own,
            sheets=self._sheet_of,
            aside=facts.quarantine.height,
            failed=facts.failed,
            failing=list(failing.values()),
            cautions=ALWAYS,
        )  # fmt: skip


def _like_numbers(shots: pl.DataFrame) -> frozenset[str]:
    """Names of shots, moulds and batches that look like a number with decimals."""
    named = {v for c in ("shot", "mould", "fabric_batch", "resin_batch") for v in shots[c].drop_nulls().unique()}
    return frozenset(v for v in named if v.count(".") == 1 and v.replace(".", "").isdigit())


def _later(work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
    return lambda: work(*given)


def _range(shots: pl.DataFrame, zone: str) -> str:
    known = shots["started_at"].drop_nulls().to_list()
    counted = words.count(shots.height, "log")
    return f"{counted} from {words.day(known[0], zone)} to {words.day(known[-1], zone)}" if known else counted


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


__all__ = ["About", "Edition"]
