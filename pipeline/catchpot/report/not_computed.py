"""The page that lists what was not computed, and why: for the workshop, then mould by mould."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from catchpot.keeping import fingerprint
from catchpot.report import collect
from catchpot.report.freshness import digest

if TYPE_CHECKING:
    from catchpot.report.site import Site

NAMED = 12
"""Shots named of each reason; the others are counted (the table `refusal` holds them all)."""
PAGE = "not-computed.html"


def not_computed_page(site: Site, links: Mapping[str, str], broken: Sequence[tuple[str, str, str]]) -> None:
    """Write the page."""
    facts = site.survey
    key = ""
    if facts.computed:
        failed = repr((facts.failed, list(broken), list(links.items())))
        key = digest(fingerprint(facts.refusals, facts.shots.select("shot", "mould")), failed)
    if site.pages.unchanged(PAGE, key):
        return
    shots = facts.shots.drop_nulls("mould")
    mould_of = dict(zip(shots["shot"], shots["mould"], strict=True))
    groups = collect.not_given(facts.refusals, facts.shots["shot"].reverse().to_list(), site.declared)
    by_mould: dict[str, list[tuple[collect.NotGiven, list[str]]]] = {mould: [] for mould in links}
    for group in groups:
        own: dict[str, list[str]] = {}
        for unit in group.units:
            mould = mould_of.get(unit, unit if group.noun == "mould" else "")
            own.setdefault(mould, []).append(unit)
        for mould, units in own.items():
            if mould in by_mould:
                by_mould[mould].append((group, units))
    site.pages.write(
        PAGE,
        "not_computed.html",
        "Not computed, and why",
        key=key,
        groups=[(g, [pair for pair in collect.counts_by_mould(g, mould_of) if pair[0] in links]) for g in groups],
        by_mould={mould: rows for mould, rows in by_mould.items() if rows},
        stems={mould: link.rsplit("/", 1)[-1].removesuffix(".html") for mould, link in links.items()},
        links=links,
        named=NAMED,
        failed=facts.failed,
        broken=broken,
    )


__all__ = ["PAGE", "not_computed_page"]
