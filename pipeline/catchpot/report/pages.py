"""The pages as files: one template environment, everything inlined, and a policy that lets nothing out."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.report import theme, words

if TYPE_CHECKING:
    from jinja2 import Environment

GENERATOR = '<meta name="generator" content="catchpot">'
LIBRARY = "plotly-cartesian.min.js"


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
    """Writes pages into a folder, and at the end sweeps out pages of its own that an earlier report left there."""

    out: Path
    workshop: str
    zone: str
    footer: Footer
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
        self.out.mkdir(parents=True, exist_ok=True)
        path = self.out / name
        path.write_text(text, encoding="utf-8")
        self.written.append(path)
        return path

    def sweep(self) -> None:
        """Remove pages an earlier report left and this one did not write; files of others stay."""
        for path in self.out.glob("*.html"):
            if path in self.written:
                continue
            with path.open(encoding="utf-8", errors="replace") as stream:
                if GENERATOR in stream.read(4000):
                    path.unlink()


__all__ = ["Footer", "Pages", "asset", "digest", "policy"]
