"""A section's own page; where it has many parts (a month's moulds), a page for each and a selector that leads there."""

from __future__ import annotations

import posixpath
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from markupsafe import Markup

from catchpot.report import theme
from catchpot.report.blocks import slug, slugs
from catchpot.report.freshness import digest
from catchpot.report.section import Page, Part, Section
from catchpot.report.shot_links import links_here

if TYPE_CHECKING:
    from catchpot.report.site import Placed, Site

TOGETHER: Final = 10
"""So many parts stand on one page; where there are more each has a page of its own, as none would open quickly."""


def own_page(site: Site, section: Section, page: Page, taken: Collection[str]) -> str:
    """Write a section's page; its link. taken: pages of others. Two of the section's own that shorten alike are
    numbered."""
    stem = "/".join(filter(None, (slug(page.folder) if page.folder else "", slug(page.slug))))
    if f"{stem}.html" in taken:
        raise ValueError(f"the page {stem}.html is written already")
    link = site.pages.free(stem)
    head = site.letterhead if page.letterhead else ()
    shots = site.survey.shots.filter(site.survey.shots["shot"].is_in(list(page.shots)))
    here = links_here(shots, site.shots_at, "")
    key = page.key and digest(page.key, site.pages.decimal, *head, repr(sorted(here.items())))
    if site.pages.unchanged(link, key) and all(site.pages.unchanged(n, key) for n in site.pages.remembered(link) or ()):
        return link
    panels = _titled(site, section, page.panels, "")
    parts = page.made_parts()
    placed = [(p, _titled(site, section, p.panels, p.name, f"{slug(p.name)}-{n}-")) for n, p in enumerate(parts, 1)]
    apart = placed[1:] if len(placed) > TOGETHER else []
    links = {parts[0].name: link} if apart else {}
    folder = link.removesuffix(".html")
    links |= {n: f"{folder}/{stem}.html" for n, stem in slugs([p.name for p, _ in apart]).items()}

    def write(name: str, title: str, shown: Sequence[Placed], of: Sequence[Part], **more: Any) -> None:
        root = "../" * name.count("/")
        leading = links_here(shots, site.shots_at, root)
        hrefs = {s: f"{to[0]}?shot={quote(s, safe='')}" for s, to in leading.items()}
        if apart:  # a page of one part speaks of few of the shots
            said = repr([p.panel for p in shown])
            leading = {s: to for s, to in leading.items() if s in said}
        site.pages.write(
            name, "page.html", title, key=key, shown=shown, parted=[(p.name, p.about) for p in of], choose=page.choose,
            letterhead=head, hrefs=hrefs, here=Markup(theme.to_script_json(leading)) if leading else "",
            elsewhere=[(n, _relative(to, name), to == name) for n, to in links.items()], **more,
        )  # fmt: skip

    for part, shown in apart:
        write(
            links[part.name],
            f"{page.title}: {part.name}",
            shown,
            [part],
            trail=(_relative(link, links[part.name]), page.title),
        )
    first = placed[:1] if apart else placed
    write(
        link,
        page.title,
        [*panels, *(s for _, some in first for s in some)],
        [p for p, _ in first],
        note=list(links.values())[1:],
    )
    return link


def _titled(site: Site, section: Section, titled: Sequence[Any], part: str, prefix: str = "") -> list[Placed]:
    return [
        site.placed(section, title, panel, f"{prefix}{slug(title)}-{i}", part)
        for i, (title, panel) in enumerate(titled, 1)
    ]


def _relative(to: str, at: str) -> str:
    """The link to a page from another, both as paths within the report.

    >>> _relative("months/2026-04/tub.html", "months/2026-04.html"), _relative("months/a.html", "months/a/tub.html")
    ('2026-04/tub.html', '../a.html')
    """
    return posixpath.relpath(to, posixpath.dirname(at) or ".")


__all__ = ["TOGETHER", "own_page"]
