"""What all pages of one report share: the stored facts, the sections, and the guard around each section's work."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from itertools import groupby
from typing import TYPE_CHECKING, Any

from catchpot.errors import PluginFault
from catchpot.report import collect
from catchpot.report.blocks import ShownPanel, shown_panel, slug, unique
from catchpot.report.pages import Pages
from catchpot.report.section import Cell, Page, Panel, Section, View
from catchpot.report.views import CORE, Tables

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
    """A section's panel on a page."""

    id: str
    title: str
    name: str
    panel: ShownPanel


@dataclass(frozen=True)
class Survey:
    """The stored facts every page may show. shots come ordered by start, then name."""

    shots: pl.DataFrame
    found: list[collect.Found]
    refusals: pl.DataFrame
    quarantine: pl.DataFrame
    failed: list[collect.Failed]

    @property
    def as_of(self) -> datetime | None:
        """The newest datum."""
        newest = self.shots["started_at"].max()
        return newest if isinstance(newest, datetime) else None

    def of(self, mould: str) -> pl.DataFrame:
        """The mould's shots."""
        import polars as pl

        return self.shots.filter(pl.col("mould") == mould)

    def standing(self, found: collect.Found) -> bool:
        """Whether a finding speaks of now: a mould's that has not ended, or one of the mould's last few shots."""
        if found.severity == "note" or not found.open:
            return False
        return not found.shot or found.shot in self._recent

    @cached_property
    def _recent(self) -> set[str]:
        return set(self.shots.group_by("mould", maintain_order=True).tail(RECENT_SHOTS)["shot"])


def survey(source: Source) -> Survey:
    """Read what the pages show beside the sections, on one connection."""
    import polars as pl

    with source.reading() as reads:
        shots = reads.table("shot", ["shot", "mould", "started_at"])
        found = collect.findings(reads.table("finding"))
        refusals, quarantine = reads.table("refusal"), reads.table("quarantine")
        failed = collect.failures(reads.ledger())
    shots = shots.sort(pl.col("started_at"), pl.col("shot"), nulls_last=True)
    return Survey(shots, found, refusals, quarantine, failed)


@dataclass(frozen=True)
class Site:
    """Everything a page is made of. cards: failures so far, for the outcome."""

    source: Source
    survey: Survey
    sections: Sequence[Section]
    declared: Mapping[str, Table]
    book: MouldBook
    zone: str
    pages: Pages
    cards: list[Card] = field(default_factory=list)

    def view(self, section: Section, mould: str | None) -> View:
        """A section's view of a mould, or of the workshop."""
        tables = Tables(self.source, section.needs, mould)
        return View(mould, tables, {**CORE, **self.declared}, self.book, self.zone, self.survey.as_of)

    def guarded(self, section: Section, where: str, work: Callable[[], Any]) -> Any:
        """What `work` returns, or the card of its failure: a plugin may fail in any way, the report is written."""
        try:
            return work()
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may exit, or panic below Python
            said = str(error) if isinstance(error, PluginFault) else f"{type(error).__name__}: {error}".strip(": ")
            trace = getattr(error, "trace", "") or traceback.format_exc()
            card = Card(slug(section.name), section.title, section.name, where, said, trace)
            self.cards.append(card)
            return card

    def mould_parts(self, section: Section, mould: str, where: str) -> tuple[Placed | Card | None, list[Cell]]:
        """A section's panel on a mould's page (or its card) and its cells for the workshop page, from one view."""
        view = self.view(section, mould)
        panel: Placed | Card | None = self.guarded(section, where, lambda: self._panel(section, view))
        cells = self.guarded(section, "index.html", lambda: list(section.cells(view)))
        return panel, cells if isinstance(cells, list) else []

    def workshop_panel(self, section: Section) -> Placed | Card | None:
        """A section's panel on the workshop page, or its card."""
        made: Placed | Card | None = self.guarded(
            section, "index.html", lambda: self._panel(section, self.view(section, None))
        )
        return made

    def _panel(self, section: Section, view: View) -> Placed | None:
        panel = section.panel(view)
        return None if panel is None else self._placed(section, section.title, panel, slug(section.name))

    def _placed(self, section: Section, title: str, panel: Panel, prefix: str) -> Placed:
        shown = shown_panel(title, panel, self.zone, prefix)
        unique([shown])
        return Placed(prefix, title, section.name, shown)

    def own_pages(self, section: Section) -> list[tuple[str, list[tuple[str, str]]]]:
        """Write a section's own pages; (group, (link, words) of each), a page without a group on its own."""

        def work() -> list[tuple[str, list[tuple[str, str]]]]:
            made = []
            taken = self.pages.names
            for _, run in groupby(section.pages(self.view(section, None)), key=lambda p: p.group or p.slug):
                some = list(run)
                made.append(
                    (some[0].group, [(self._own_page(section, p, taken), p.link_text or p.title) for p in some])
                )
            return made

        made = self.guarded(section, "index.html", work)
        return made if isinstance(made, list) else []

    def _own_page(self, section: Section, page: Page, taken: set[str]) -> str:
        """taken: pages of others. Two of the section's own that shorten alike are numbered."""
        stem = slug(page.slug)
        if f"{stem}.html" in taken:
            raise ValueError(f"the page {stem}.html is written already")
        link = self.pages.free(stem)
        panels = [
            self._placed(section, title, panel, f"{slug(title)}-{i}") for i, (title, panel) in enumerate(page.panels, 1)
        ]
        self.pages.write(link, "page.html", page.title, shown=panels)
        return link


__all__ = ["Card", "Placed", "Site", "Survey", "survey"]
