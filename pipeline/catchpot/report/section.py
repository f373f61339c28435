"""What a plugin gives the report: cells for the workshop page, a panel for a mould's page, pages of its own.

A section reads stored tables only; a report renders anew without anything being computed anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal, Protocol, runtime_checkable

if TYPE_CHECKING:
    import polars as pl

    from catchpot.tables import Table
    from catchpot.workshop import MouldBook

State = Literal["in order", "watch", "act", "not assessed"]
Go = Literal["go", "care", "no-go"]


@dataclass(frozen=True)
class Cell:
    """One cell of a mould's row on the board, the workshop's first page.

    column: heading of the column. text: number with unit, or a word; the shorter the better. state: framed word beside
    it, or None. sort: what the column sorts by. order: where the column stands (small first). large: printed large, as
    what a reader comes for. trend: the last values of something against its own usual (1 = usual), the oldest first.
    """

    column: str
    text: str
    state: State | Go | None = None
    sort: float | None = None
    order: int = 100
    large: bool = False
    trend: tuple[float | None, ...] = ()


@dataclass(frozen=True)
class Figure:
    """A plotly figure with the words that stand for it.

    figure: plotly figure as a plain dict (`data`, `layout`) or a plotly Figure; the core applies the theme.
    summary: one or two sentences that say what the figure shows, for a reader who can't see it.
    table: the numbers behind it, offered beneath; headings are the frame's column names.
    height: in pixels; a height in the figure's own layout goes first.
    """

    id: str
    title: str
    figure: Any
    summary: str
    table: pl.DataFrame | None = None
    height: int = 320


@dataclass(frozen=True)
class DataTable:
    """A table on the page; headings are the frame's column names, numbers are already rounded or text.

    links: words of a row's first cell -> the page they lead to, from the report's folder.
    """

    id: str
    title: str
    frame: pl.DataFrame
    note: str = ""
    links: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Prose:
    """Plain sentences (escaped); each string is a paragraph. kind "caution" draws a frame around them."""

    paragraphs: tuple[str, ...]
    kind: Literal["text", "caution", "list"] = "text"
    title: str = ""


Block = Figure | DataTable | Prose


@dataclass(frozen=True)
class Panel:
    """A section on a page: state, one headline sentence (number, unit, interval), then blocks in reading order.

    brief: what the workshop page says where the state is act or watch and no finding explains it; else the headline.
    more: blocks that lie folded beneath, for who wants to know. method, references: for the page of methods.
    """

    state: State
    headline: str
    blocks: Sequence[Block] = field(default=())
    method: str = ""
    references: tuple[str, ...] = ()
    brief: str = ""
    more: Sequence[Block] = field(default=())


Titled = Sequence[tuple[str, Panel]]


@dataclass(frozen=True)
class Part:
    """One of the parts a page's selector chooses from: its name, its panels with their titles, lines under its name."""

    name: str
    panels: Titled
    about: tuple[str, ...] = ()


@dataclass(frozen=True)
class Page:
    """A page of the plugin's own, linked from the workshop page (`folder`/`slug`.html).

    panels: with their titles. parts: what a selector chooses from, or a function that makes it (called only where the
    page is not there yet from the same `key`); choose: what the selector chooses ("mould").
    group: pages of one group stand on one line there, behind its name. link_text: the words of the link, not the title.
    letterhead: the page leaves the house and bears the workshop's letterhead. shots: those it speaks of; where they
    stand in a table (under "shot") or a figure, they lead to their own pages.
    """

    slug: str
    title: str
    panels: Titled = ()
    link_text: str = ""
    group: str = ""
    folder: str = ""
    key: str = ""
    parts: Sequence[Part] | Callable[[], Sequence[Part]] = ()
    choose: str = ""
    letterhead: bool = False
    shots: Sequence[str] = ()

    def made_parts(self) -> Sequence[Part]:
        """The parts, made where need be."""
        return self.parts() if callable(self.parts) else self.parts


@dataclass(frozen=True)
class Sheet:
    """A page to print that stands by itself, not in the house layout: file name, whole HTML text, words of its link.

    mould: the mould it is for, whose row on the board and whose page link it. A section that has a method
    `sheets(view) -> Sequence[Sheet]` (view: the workshop's) has them written and linked. Pages that a section's
    commands write into the folder of the report are linked where they are there: `beside`, file name -> words.
    """

    name: str
    html: str
    link_text: str
    mould: str = ""


@dataclass(frozen=True)
class View:
    """What a section may look at.

    mould: the mould of the page, None for workshop scope. tables: the section's needs, filtered to the mould where
    there is one (rows ordered by started_at, then shot, with `mould` and `started_at` beside each shot row).
    zone: the workshop's time zone name. as_of: the newest datum of the run. currency: of prices in the mould book.
    """

    mould: str | None
    tables: Mapping[str, pl.DataFrame]
    declared: Mapping[str, Table]
    book: MouldBook
    zone: str
    as_of: datetime | None
    currency: str = ""


@runtime_checkable
class Section(Protocol):
    """A plugin's part of the report.

    analyses: names of the analyses whose findings and refusals stand with this section.
    order: where it stands on a mould's page (small first).
    needs: table -> columns, as for an analysis; ("*",) for all columns. Tables that don't exist yet come empty.
    """

    name: str
    title: str
    order: int
    analyses: tuple[str, ...]
    needs: Mapping[str, tuple[str, ...]]

    def cells(self, view: View) -> Sequence[Cell]:
        """Cells of one mould's row on the workshop page."""
        ...

    def panel(self, view: View) -> Panel | None:
        """The section on a mould's page (view.mould is set), or on the workshop page (it is None); None for nothing."""
        ...

    def pages(self, view: View) -> Sequence[Page]:
        """Pages of its own; the view is the workshop's."""
        ...


__all__ = [
    "Block",
    "Cell",
    "DataTable",
    "Figure",
    "Go",
    "Page",
    "Panel",
    "Part",
    "Prose",
    "Section",
    "State",
    "Titled",
    "View",
]
