"""Writes the report: reads the store through views, calls the sections, lays out pages. It computes nothing.

A section that fails becomes a card on its page that says so, and the rest of the report is written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.report import words
from catchpot.report.edition import About, Edition
from catchpot.report.pages import Pages
from catchpot.report.section import Section
from catchpot.report.site import Card
from catchpot.report.terminal import board_lines

if TYPE_CHECKING:
    from catchpot.plugins import Registry
    from catchpot.reads import Source
    from catchpot.workshop import Workshop


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


def about(workshop: Workshop, registry: Registry, away: Sequence[str] = ()) -> About:
    """What pages go by beside the stored tables. away: analyses whose results are kept as they were."""
    from catchpot import __version__

    return About(
        name=workshop.settings.workshop.name,
        zone=workshop.settings.workshop.time_zone,
        book=workshop.book,
        declared=registry.tables(),
        broken=registry.broken,
        version=__version__,
        plugins=[p.name for p in registry.plugins if p.name != "catchpot"],
        notice="; ".join(filter(None, (workshop.stale_sentence(), _not_recomputed(away)))),
        over_moulds=[t.name for a in registry.analyses if a.part == "workshop" for t in a.yields],
        code="".join(p.digest for p in registry.plugins),
        currency=workshop.settings.workshop.currency,
        letterhead=workshop.settings.workshop.letterhead,
        decimal=workshop.settings.workshop.decimal_mark,
    )


def write_report(
    workshop: Workshop, registry: Registry, out: Path | None = None, away: Sequence[str] = (), *, single: str = ""
) -> ReportOutcome:
    """Write all pages from what is stored; nothing is computed.

    out: the folder to write to; the workshop's reports/ where none is given. away: analyses whose results are kept as
    they were, since they can't be computed now. single: a mould whose page is wanted as one file as well.
    """
    from catchpot.store import Store

    return write_pages(
        Store(workshop.store_path, list(registry.tables().values())),
        registry.guarded_sections,
        out or workshop.reports_dir,
        about(workshop, registry, away),
        within=None if out else workshop.home,
        single=single,
    )


def _not_recomputed(away: Sequence[str]) -> str:
    if not away:
        return ""
    return f"results of {words.listed(list(away), 20)} are kept as they were and were not recomputed since: not in use"


def write_pages(
    source: Source,
    sections: Sequence[Section],
    out: Path,
    about: About,
    *,
    within: Path | None = None,
    made_at: datetime | None = None,
    single: str = "",
) -> ReportOutcome:
    """Write all pages; see `write_report`. source: a store. within: a folder that must be there already."""
    edition = Edition(source, sections, about, lambda name, zone, foot: Pages(out, name, zone, foot, within), made_at)
    pages = edition.pages
    pages.begin()
    try:
        edition.all()
        alone = edition.alone(single) if single else None
        pages.finish()
    except BaseException:
        pages.aside.drop()
        raise
    return ReportOutcome(out / "index.html", tuple(pages.written), tuple(edition.site.cards), tuple(pages.rewritten),
                         alone, tuple(board_lines(edition.lines, about.zone)))  # fmt: skip


__all__ = ["ReportOutcome", "about", "write_pages", "write_report"]
