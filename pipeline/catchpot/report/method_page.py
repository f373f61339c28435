"""The page of methods: what each section rests on, and each quantity with unit, meaning and where it comes from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from catchpot.report import words
from catchpot.report.blocks import slug

if TYPE_CHECKING:
    from catchpot.report.mould_page import MouldLine
    from catchpot.report.site import Site
    from catchpot.tables import Table

TERMS = (
    ("arrival volume", "The metered volume at which resin reached the vent. What the mould takes, less late corners."),
    ("mobility", "Permeability over viscosity: what a log shows of the fibre pack without knowing the resin."),
    ("95 % interval", "The range that holds the true value in 95 of 100 such statements, if the assumptions hold."),
    ("spread from shot to shot", "The standard deviation that neighbouring shots differ by."),
    ("spread over the month", "The standard deviation of all shots of the month."),
    ("steady", "No shot beyond what such a month shows by chance, no step and no trend."),
    ("Cpk, Ppk", "Room to the nearer limit over half the width that holds nearly all shots (ISO 22514-2)."),
    ("clamp margin", "The closing force left over, at most: an upper estimate and no permission."),
)


@dataclass(frozen=True)
class Method:
    """One section's method."""

    id: str
    title: str
    text: str
    references: tuple[str, ...]


def method_page(site: Site, lines: Sequence[MouldLine]) -> None:
    """Write the page. lines: the moulds' rows, which hold the methods of the sections that spoke of them."""
    seen: dict[str, Method] = {}
    for line in lines:
        for title, text, references in line.methods:
            seen.setdefault(title, Method(slug(title), title, text, references))
    site.pages.write(
        "method.html",
        "method.html",
        "Method: what the numbers are and rest on",
        methods=list(seen.values()),
        terms=TERMS,
        quantities=[(t.name, t.doc or t.name, quantities(t)) for t in _in_order(site) if quantities(t)],
    )


def _in_order(site: Site) -> list[Table]:
    return sorted(site.declared.values(), key=lambda t: t.name)


def quantities(table: Table) -> list[tuple[str, str, str]]:
    """The measured quantities of a table, (name, unit, what it is); ends of intervals and keys are left out."""
    return [
        (c.name, words.pretty_unit(c.unit), c.doc)
        for c in table.columns
        if c.unit and "_low" not in c.name and "_high" not in c.name and c.name not in table.key
    ]


__all__ = ["method_page", "quantities"]
