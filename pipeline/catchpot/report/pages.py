"""The pages as files: one template environment, everything inlined, and a policy that lets nothing out."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.errors import CatchpotError
from catchpot.report import theme, words
from catchpot.whole import make_folder, refused, write_whole

if TYPE_CHECKING:
    from jinja2 import Environment

GENERATOR = '<meta name="generator" content="catchpot">'
# Names of the pages that a report wrote, kept beside them.
LIST = ".catchpot-pages.json"
LIBRARY = "plotly-cartesian.min.js"


class PageError(CatchpotError):
    """A report that can't be written where it was asked to be."""

    status = 2


def asset(name: str) -> str:
    """The text of a file shipped under assets/."""
    return files("catchpot.report").joinpath("assets", name).read_text(encoding="utf-8")


def digest(text: str) -> str:
    """The policy's hash of an inline script or style."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"


def policy(scripts: Iterable[str], styles: Iterable[str]) -> str:
    """The page's Content-Security-Policy: nothing is fetched, only these scripts and styles run.

    The plotting library writes bold and italic words as style attributes, so those are let in; they can fetch nothing.
    """
    return (
        f"default-src 'none'; script-src {' '.join(map(digest, scripts))}; style-src {' '.join(map(digest, styles))}; "
        "style-src-attr 'unsafe-inline'; img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


@dataclass(frozen=True)
class Footer:
    """What stands at the foot of every page."""

    range: str
    as_of: str
    as_of_iso: str
    version: str
    plugins: str


@dataclass
class Pages:
    """Writes pages into a folder, and at the end sweeps out pages of its own that an earlier report left there.

    within: a folder that must be there already.
    """

    out: Path
    workshop: str
    zone: str
    footer: Footer
    within: Path | None = None
    written: list[Path] = field(default_factory=list)

    @property
    def names(self) -> set[str]:
        """File names written so far."""
        return {path.name for path in self.written}

    @cached_property
    def _environment(self) -> Environment:
        from jinja2 import Environment, PackageLoader, StrictUndefined

        made = Environment(
            loader=PackageLoader("catchpot.report"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        made.filters.update(day=words.day, minute=words.minute, count=words.count, listed=words.listed, tied=words.tied)
        return made

    @cached_property
    def _library(self) -> str:
        return asset(LIBRARY)

    def write(self, name: str, template: str, title: str, **content: Any) -> Path:
        """Render a page into the folder. shown (if given): the sections on it; figures bring the plotting library."""
        from markupsafe import Markup

        figures = any(p.panel.has_figures for p in content.get("shown", ()) if hasattr(p, "panel"))
        css = theme.css_variables() + asset("page.css")
        plot_css, page_js = asset("plot.css"), asset("page.js")
        scripts = [page_js, self._library] if figures else [page_js]
        text = self._environment.get_template(template).render(
            title=title,
            workshop=self.workshop,
            zone=self.zone,
            footer=self.footer,
            csp=policy(scripts, [css, plot_css] if figures else [css]),
            has_figures=figures,
            # Our own files and encoded JSON stand as they are; all else is escaped.
            css=Markup(css),
            plot_css=Markup(plot_css),
            page_js=Markup(page_js),
            plotly_js=Markup(self._library) if figures else "",
            figure_settings=Markup(theme.to_script_json({"config": theme.CONFIG, "dark": theme.DARK_OF})),
            **content,
        )
        path = self.out / name
        self._ours_to_write(path)
        write_whole(path, text)
        self.written.append(path)
        return path

    def free(self, stem: str) -> str:
        """A file name for a page that no page of this report has yet, numbered where need be."""
        name, n = f"{stem}.html", 2
        while name in self.names:
            name, n = f"{stem}-{n}.html", n + 1
        return name

    def begin(self) -> None:
        """Make the folder; PageError where other people's pages stand in it, or where its workshop is gone."""
        if self.within is not None and not self.within.is_dir():
            raise PageError(f"{self.within}: the workshop's folder is not there any more; nothing was written")
        make_folder(self.out, through_links=self.within is None)
        self._ours_to_write(self.out / "index.html")

    def _ours_to_write(self, path: Path) -> None:
        try:
            if path.name in self._before or not path.exists():
                return
            with path.open(encoding="utf-8", errors="replace") as stream:
                ours = GENERATOR in stream.read(4000)
        except OSError as error:
            raise refused(path, error) from error
        if not ours:
            raise PageError(f"{path}: this file is no page of catchpot and is not written over; name another folder")

    @cached_property
    def _before(self) -> set[str]:
        """The pages that the report before this one wrote here."""
        try:
            known = json.loads((self.out / LIST).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return set()
        listed = known.get("pages") if isinstance(known, dict) else None
        return {p for p in listed if isinstance(p, str) and "/" not in p} if isinstance(listed, list) else set()

    def sweep(self) -> None:
        """Remove pages that the report before wrote here and this one did not; all other files stay."""
        for name in sorted(self._before - self.names):
            path = self.out / name
            with suppress(OSError):
                if GENERATOR in path.read_text(encoding="utf-8", errors="replace")[:4000]:
                    path.unlink()
        write_whole(self.out / LIST, json.dumps({"pages": sorted(self.names)}, indent=1) + "\n")


__all__ = ["Footer", "Pages", "asset", "digest", "policy"]
