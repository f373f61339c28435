"""What all pages of one report share: the stored facts, the sections, and the guard around each section's work."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from itertools import groupby
from typing import TYPE_CHECKING, Any

from catchpot.errors import MOST_TRACE, error_words, shortened
from catchpot.report import collect
from catchpot.report.blocks import ShownPanel, shown_panel, slug, unique
from catchpot.report.freshness import code_of
from catchpot.report.matters import Matter, matters_of
from catchpot.report.own_pages import own_page
from catchpot.report.pages import Pages
from catchpot.report.section import Cell, Panel, Section, View
from catchpot.report.views import CORE, Shelf, Tables

if TYPE_CHECKING:
    import polars as pl

    from catchpot.reads import Source
    from catchpot.tables import Table
    from catchpot.workshop import MouldBook

RECENT_SHOTS = 5


@dataclass(frozen=True)
class Card:
    """A section that failed, on its page. where: the page; trace: the whole error text."""

    id: str
    title: str
    name: str
    where: str
    error: str
    trace: str = ""


@dataclass(frozen=True)
class Placed:
    """A section's panel on a page. part: the part of the page's selector it belongs to."""

    id: str
    title: str
    name: str
    panel: ShownPanel
    part: str = ""


@dataclass(frozen=True)
class Survey:
    """The stored facts every page may show. shots come ordered by start, then name."""

    shots: pl.DataFrame
    found: list[collect.Found]
    refusals: pl.DataFrame
    quarantine: pl.DataFrame
    failed: list[collect.Failed]
    computed: Mapping[str, str]
    matters: list[Matter] = field(default_factory=list)

    @property
    def as_of(self) -> datetime | None:
        """The newest datum."""
        newest = self.shots["started_at"].max()
        return newest if isinstance(newest, datetime) else None

    @cached_property
    def _by_mould(self) -> dict[Any, pl.DataFrame]:
        return {k[0]: part for k, part in self.shots.partition_by("mould", as_dict=True, maintain_order=True).items()}

    def of(self, mould: str) -> pl.DataFrame:
        """The mould's shots."""
        return self._by_mould.get(mould, self.shots.clear())

    @cached_property
    def _found_by_mould(self) -> dict[str, list[collect.Found]]:
        made: dict[str, list[collect.Found]] = {}
        for f in self.found:
            made.setdefault(f.mould, []).append(f)
        return made

    def found_on(self, mould: str) -> list[collect.Found]:
        """The mould's findings, in their order."""
        return self._found_by_mould.get(mould, [])

    def matters_on(self, mould: str) -> list[Matter]:
        """The mould's matters, in their order."""
        return [m for m in self.matters if m.mould == mould]

    def standing(self, found: collect.Found) -> bool:
        """Whether a finding speaks of now: a mould's that has not ended, or one of the mould's last few shots."""
        if found.severity == "note" or not found.open:
            return False
        return not found.shot or found.shot in self._recent

    @cached_property
    def _recent(self) -> set[str]:
        return set(self.shots.group_by("mould", maintain_order=True).tail(RECENT_SHOTS)["shot"])


SHOT_COLUMNS = ["shot", "mould", "started_at", "fabric_batch", "resin_batch", "source_digest"]


def survey(source: Source) -> Survey:
    """Read what the pages show beside the sections, on one connection."""
    import polars as pl

    with source.reading() as reads:
        shots = reads.table("shot", SHOT_COLUMNS)
        found = collect.findings(reads.table("finding"))
        refusals, quarantine = reads.table("refusal"), reads.table("quarantine")
        failed, computed = collect.failures(reads.ledger("failed")), reads.standing()
        matters = matters_of(reads)
    shots = shots.sort(pl.col("started_at"), pl.col("shot"), nulls_last=True)
    return Survey(shots, found, refusals, quarantine, failed, computed, matters)


@dataclass(frozen=True)
class Site:
    """Everything a page is made of. cards: failures so far, for the outcome. letterhead: lines above what leaves the
    house. shots_at: the page of shots of each mould."""

    source: Source
    survey: Survey
    sections: Sequence[Section]
    declared: Mapping[str, Table]
    book: MouldBook
    zone: str
    pages: Pages
    cards: list[Card] = field(default_factory=list)
    letterhead: tuple[str, ...] = ()
    shots_at: Mapping[str, str] = field(default_factory=dict)
    currency: str = ""

    @cached_property
    def whole(self) -> Shelf:
        """The tables of the whole workshop."""
        return Shelf(self.source, None)

    def shelf(self, moulds: Sequence[str]) -> Shelf:
        """The tables of some moulds, all that the sections may look at."""
        made = Shelf(self.source, moulds)
        made.fill(section.needs for section in self.sections)
        return made

    def shelf_of(self, moulds: Sequence[str], needs: Sequence[Mapping[str, Sequence[str]]]) -> Shelf:
        """Some tables of some moulds."""
        made = Shelf(self.source, moulds)
        made.fill(needs)
        return made

    @cached_property
    def code(self) -> str:
        """A digest of the code that draws."""
        return code_of(self.sections)

    def view(self, section: Section, mould: str | None, shelf: Shelf) -> tuple[View, Tables]:
        """A section's view of a mould, or of the workshop, and its tables."""
        tables = Tables(shelf, section.needs, mould)
        return View(mould, tables, {**CORE, **self.declared}, self.book, self.zone, self.survey.as_of,
                    self.currency), tables  # fmt: skip

    def guarded(self, section: Section, where: str, work: Callable[[], Any]) -> Any:
        """What `work` returns, or the card of its failure: a plugin may fail in any way, the report is written."""
        try:
            return work()
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may exit, or panic below Python
            trace = shortened(getattr(error, "trace", "") or traceback.format_exc(), MOST_TRACE)
            card = Card(slug(section.name), section.title, section.name, where, error_words(error), trace)
            self.cards.append(card)
            return card

    def mould_parts(
        self, section: Section, mould: str, where: str, shelf: Shelf
    ) -> tuple[Placed | Card | None, list[Cell], set[str]]:
        """A section's panel on a mould's page (or its card), its cells for the board, and the tables it looked at."""
        view, tables = self.view(section, mould, shelf)
        panel: Placed | Card | None = self.guarded(section, where, lambda: self._panel(section, view))
        cells = self.guarded(section, "index.html", lambda: list(section.cells(view)))
        # A section that works in a process of its own looks at its tables there, unseen.
        return panel, cells if isinstance(cells, list) else [], tables.used or set(section.needs)

    def workshop_panel(self, section: Section) -> Placed | Card | None:
        """A section's panel of the whole workshop, or its card."""
        made: Placed | Card | None = self.guarded(
            section, "workshop.html", lambda: self._panel(section, self.view(section, None, self.whole)[0])
        )
        return made

    def _panel(self, section: Section, view: View) -> Placed | None:
        panel = section.panel(view)
        return None if panel is None else self.placed(section, section.title, panel, slug(section.name))

    def placed(self, section: Section, title: str, panel: Panel, prefix: str, part: str = "") -> Placed:
        """A panel with its place on a page. part: the part of the page that it belongs to."""
        shown = shown_panel(title, panel, self.zone, prefix)
        unique([shown])
        return Placed(prefix, title, section.name, shown, part)

    def own_pages(self, section: Section) -> list[tuple[str, list[tuple[str, str]]]]:
        """Write a section's own pages; (group, (link, words) of each), a page without a group on its own."""

        def work() -> list[tuple[str, list[tuple[str, str]]]]:
            made = []
            taken = self.pages.names
            pages = section.pages(self.view(section, None, self.whole)[0])
            for _, run in groupby(pages, key=lambda p: p.group or p.slug):
                some = list(run)
                made.append(
                    (some[0].group, [(own_page(self, section, p, taken), p.link_text or p.title) for p in some])
                )
            return made

        made = self.guarded(section, "index.html", work)
        return made if isinstance(made, list) else []

    def sheets(self, section: Section) -> list[tuple[str, str, str]]:
        """Write a section's pages to print; link, words and mould of each."""
        if not hasattr(section, "sheets"):
            return []
        made = self.guarded(
            section, "index.html", lambda: list(section.sheets(self.view(section, None, self.whole)[0]))
        )
        if not isinstance(made, list):
            return []
        for s in made:
            self.pages.put(s.name, self.pages.in_place(s.html))
        return [(s.name, s.link_text, getattr(s, "mould", "")) for s in made]

    def beside(self) -> list[tuple[str, str]]:
        """Pages that commands wrote into the report's folder, where they are there: link and words."""
        named = [(file, said) for s in self.sections for file, said in getattr(s, "beside", {}).items()]
        return [(file, said) for file, said in named if self.pages.is_page(file)]


__all__ = ["Card", "Placed", "Site", "Survey", "survey"]
