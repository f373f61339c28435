"""Panels as the templates need them: figures on the theme as JSON, frames as rows of text, ids unique on the page."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, get_args
from zoneinfo import ZoneInfo

from catchpot.report import theme, words
from catchpot.report.drawn.keys import Key, keys_of
from catchpot.report.drawn.picture import draw
from catchpot.report.section import Block, DataTable, Figure, Panel, Prose, State
from catchpot.shop_units import in_heading

if TYPE_CHECKING:
    import polars as pl

STATES: tuple[str, ...] = get_args(State)
ROWS = 2_000


class PanelError(ValueError):
    """A section delivered something a page can't show."""


@dataclass(frozen=True)
class Rows:
    """A table of text: headings, whether each column is of numbers, rows, and how many rows were left out."""

    headings: tuple[str, ...]
    numeric: tuple[bool, ...]
    rows: list[list[str]]
    left_out: int = 0


@dataclass(frozen=True)
class Shown:
    """A block ready for the template; kind picks the macro."""

    kind: str
    id: str
    title: str = ""
    figure: Mapping[str, Any] = field(default_factory=dict)
    svg: str = ""
    left: int = 0
    keys: Sequence[Key] = ()
    height: int = 0
    summary: str = ""
    table: Rows | None = None
    note: str = ""
    links: Mapping[str, str] = field(default_factory=dict)
    paragraphs: tuple[str, ...] = ()

    @property
    def lead(self) -> str:
        """The summary, or its first sentence where it is long."""
        if len(self.summary.split()) <= LEAD_WORDS:
            return self.summary
        first = re.match(r".*?[.;](?=\s)", self.summary, re.S)
        return first[0].replace(";", ".") if first and len(first[0].split()) <= LEAD_WORDS else ""

    @property
    def rest(self) -> str:
        """What the lead leaves out."""
        return "" if self.lead == self.summary else self.summary[len(self.lead) :].strip()


LEAD_WORDS = 26


@dataclass(frozen=True)
class ShownPanel:
    """A section ready for the template."""

    id: str
    title: str
    state: str
    headline: str
    blocks: list[Shown] = field(default_factory=list)
    method: str = ""
    references: tuple[str, ...] = ()
    brief: str = ""
    more: list[Shown] = field(default_factory=list)

    @property
    def every(self) -> list[Shown]:
        """All its blocks, those that lie folded too."""
        return [*self.blocks, *self.more]


SLUG_LENGTH = 80


def slug(text: str) -> str:
    """Letters, digits and hyphens of a text, for ids and file names; a long one is cut and told apart by a hash.

    Two texts may have one slug: `slugs` tells them apart.

    >>> slug("Hatch 3 / left"), len(slug(300 * "a"))
    ('hatch-3-left', 80)
    """
    short = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "x"
    if len(short) <= SLUG_LENGTH:
        return short
    return f"{short[: SLUG_LENGTH - 9]}-{hashlib.sha256(text.encode('utf-8', 'replace')).hexdigest()[:8]}"


def slugs(names: Iterable[str]) -> dict[str, str]:
    """A slug for each name, no two alike; the later of two is numbered.

    >>> slugs(["Hatch 3", "hatch-3", "door"])
    {'Hatch 3': 'hatch-3', 'hatch-3': 'hatch-3-2', 'door': 'door'}
    """
    made: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        base = candidate = slug(name)
        n = 2
        while candidate in taken:
            candidate, n = f"{base}-{n}", n + 1
        taken.add(candidate)
        made[name] = candidate
    return made


def rows_of(frame: pl.DataFrame, zone: str, most: int = ROWS) -> Rows:
    """A frame as text, at most `most` rows; times in the zone, floats as they deserve, null as a dash.

    A heading's unit in brackets becomes the workshop's, with the numbers below it where they are numbers: texts are
    written in that unit by who made them (`words`).
    """
    import polars as pl

    local = ZoneInfo(zone)
    numeric = tuple(dtype.is_numeric() for dtype in frame.dtypes)
    headings, factors = zip(*map(in_heading, frame.columns), strict=True) if frame.columns else ((), ())
    scaled = [(i, f) for i, (f, counted) in enumerate(zip(factors, numeric, strict=True)) if counted and f != 1.0]
    shown = frame.head(most).with_columns(pl.nth(i) * f for i, f in scaled) if scaled else frame.head(most)
    rows = [[_text(value, local) for value in row] for row in shown.iter_rows()]
    return Rows(headings, numeric, rows, max(frame.height - most, 0))


def _text(value: Any, local: ZoneInfo) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return words.minute(value, local.key) if value.tzinfo is not None else value.isoformat(" ", "minutes")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return words.number(value, digits=4)
    return str(value)


def shown_panel(title: str, panel: Panel, zone: str, prefix: str) -> ShownPanel:
    """A panel ready for the template; PanelError names what can't be shown.

    prefix: put before every id, so that two sections may use the same ones.
    """
    if panel.state not in STATES:
        raise PanelError(f"state {panel.state!r} is none of {', '.join(STATES)}")
    return ShownPanel(
        id=prefix,
        title=title,
        state=panel.state,
        headline=panel.headline,
        blocks=[_shown(block, zone, prefix) for block in panel.blocks],
        method=panel.method,
        references=tuple(panel.references),
        brief=panel.brief or panel.headline,
        more=[_shown(block, zone, prefix) for block in panel.more],
    )


def _shown(block: Block, zone: str, prefix: str) -> Shown:
    if isinstance(block, Figure):
        figure = theme.plain_figure(block.figure)
        _check_figure(figure, block.id)
        height = int(figure["layout"].setdefault("height", block.height))
        table = rows_of(block.table, zone) if block.table is not None else None
        drawn = draw(figure, height)
        if drawn is not None:
            figure["layout"] = theme.merged(figure["layout"], drawn.layout)
        return Shown(
            "figure",
            f"{prefix}-{slug(block.id)}",
            title=block.title,
            figure=figure,
            svg=drawn.svg if drawn else "",
            left=drawn.left if drawn else 0,
            keys=keys_of(figure),
            height=height,
            summary=block.summary,
            table=table,
        )
    if isinstance(block, DataTable):
        if odd := [to for to in block.links.values() if ":" in re.split(r"[/?#]", to)[0]]:
            raise PanelError(f"table {block.id}: {odd[0]} is no page of the report")
        return Shown(
            "table", f"{prefix}-{slug(block.id)}", title=block.title, table=rows_of(block.frame, zone), note=block.note,
            links=block.links,
        )  # fmt: skip
    if isinstance(block, Prose):
        return Shown(f"prose-{block.kind}", "", title=block.title, paragraphs=tuple(block.paragraphs))
    raise PanelError(f"{type(block).__name__} is none of Figure, DataTable, Prose")


def _check_figure(figure: Mapping[str, Any], name: str) -> None:
    """Refuse what would leave the page or drown the browser."""
    kinds = [str(t.get("type", "scatter")) for t in figure["data"]]
    drawn = {"scatter", "bar", "histogram", "box", "violin", "heatmap", "contour", "histogram2d", "image"}
    unknown = sorted(set(kinds) - drawn)
    if unknown:
        raise PanelError(f"figure {name}: traces of type {', '.join(unknown)} are not in the page's plotting library")


def unique(panels: Sequence[ShownPanel]) -> None:
    """PanelError where two blocks of a page share an id."""
    seen: set[str] = set()
    for panel in panels:
        for block in panel.every:
            if block.id and block.id in seen:
                raise PanelError(f"two blocks are called {block.id}")
            seen.add(block.id)


__all__ = ["PanelError", "Rows", "Shown", "ShownPanel", "rows_of", "shown_panel", "slug", "unique"]
