"""The checks of a section: it builds from its tables alone, full or empty, and gives what a page can show."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, get_args

from catchpot.report.section import Cell, DataTable, Figure, Go, Page, Panel, Prose, Section, State, View
from catchpot.testing.check_data import CheckData
from catchpot.testing.check_frames import Frames

STATES = get_args(State)


def section(s: Section, data: CheckData) -> Iterator[str]:
    """All checks of one section."""
    declared = data.plan.declared
    for name, columns in s.needs.items():
        for c in columns:
            if name in declared and c != "*" and c not in declared[name].names:
                yield f"it needs column {c} of table {name}, which has none of that name"
    known = {a.name for a in data.registry.analyses}
    for name in s.analyses:
        if name not in known:
            yield f"it stands for analysis {name}, which nobody registered"
    for label, frames in (("", data.frames), (" without any rows", Frames({}, declared))):
        for mould in (*sorted(data.workshop.book.moulds), None):
            where = f"the page of {mould}" if mould else "the workshop page"
            yield from (f"{c} on {where}{label}" for c in _built(s, data, frames, mould))


def _built(s: Section, data: CheckData, frames: Frames, mould: str | None) -> Iterator[str]:
    from catchpot.report.views import Shelf, Tables

    view = View(
        mould,
        Tables(Shelf(frames, None if mould is None else [mould]), s.needs, mould),
        data.plan.declared,
        data.workshop.book,
        "UTC",
        data.as_of,
    )
    calls: list[tuple[str, Callable[[View], Any]]] = [("panel", s.panel)]
    calls += [("cells", s.cells)] if mould is not None else [("pages", s.pages)]
    for what, call in calls:
        try:
            given = call(view)
        except Exception as error:
            yield f"{what} failed: {type(error).__name__}: {error}"
            continue
        yield from _shown(what, given)


def _shown(what: str, given: Any) -> Iterator[str]:
    if what == "cells":
        for cell in given:
            if not isinstance(cell, Cell):
                yield f"cells gave a {type(cell).__name__}"
            elif cell.state is not None and cell.state not in (*STATES, *get_args(Go)):
                yield f"cell {cell.column} has the state {cell.state!r}, none of {', '.join((*STATES, *get_args(Go)))}"
    elif what == "pages":
        for page in given:
            if not isinstance(page, Page):
                yield f"pages gave a {type(page).__name__}"
            else:
                for _, panel in [*page.panels, *(p for part in page.made_parts() for p in part.panels)]:
                    yield from _panel(panel)
    elif given is not None:
        yield from _panel(given)


def _panel(panel: Any) -> Iterator[str]:
    if not isinstance(panel, Panel):
        yield f"panel gave a {type(panel).__name__}"
        return
    if panel.state not in STATES:
        yield f"the panel has the state {panel.state!r}, none of {', '.join(STATES)}"
    if not panel.headline.strip():
        yield "the panel has no headline"
    seen: set[str] = set()
    for block in [*panel.blocks, *panel.more]:
        if isinstance(block, Figure | DataTable):
            if block.id in seen:
                yield f"two blocks are called {block.id}"
            seen.add(block.id)
        if isinstance(block, Figure):
            yield from _figure(block)
        elif not isinstance(block, DataTable | Prose):
            yield f"the panel holds a {type(block).__name__}"


def _figure(figure: Figure) -> Iterator[str]:
    if not figure.summary.strip():
        yield f"figure {figure.id} has no summary for a reader who can't see it"
    drawn = figure.figure if isinstance(figure.figure, Mapping) else figure.figure.to_dict()
    if not drawn.get("data"):
        yield f"figure {figure.id} draws nothing; leave it out"


__all__ = ["section"]
