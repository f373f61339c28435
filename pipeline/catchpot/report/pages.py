"""The pages as files: one template environment, one shared script and style beside them, and a policy that lets
nothing out.

Pages are made aside and take their places together at the end, the first page last. A page that came out as it was but
for its stamp is not written again.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Collection, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

from catchpot.errors import CatchpotError
from catchpot.report import theme
from catchpot.report.compiled import environment
from catchpot.report.decimal import figure_with_comma, page_with_comma
from catchpot.report.pool import pooled
from catchpot.shop_dates import style
from catchpot.shop_units import in_shop
from catchpot.whole import Aside, make_folder, refused, write_whole

GENERATOR = '<meta name="generator" content="catchpot">'
OURS = "/* written by catchpot */"
"""How a script or data file of the report begins."""
# Names of the files that a report wrote, kept beside them with what they were made from.
LIST = ".catchpot-pages.json"
LIBRARY = "plotly-cartesian.min.js"
INDEX = "index.html"
_STAMP = re.compile(r'<p id="stamp">.*?</p>', re.S)
_SAFE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*\Z")


class PageError(CatchpotError):
    """A report that can't be written where it was asked to be."""

    status = 2


def asset(name: str) -> str:
    """The text of a file shipped under assets/."""
    return files("catchpot.report").joinpath("assets", name).read_text(encoding="utf-8")


def digest(text: str) -> str:
    """The policy's hash of an inline script or style."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"


_OWN, _NONE = "'self'", "'none'"


def policy(scripts: Iterable[str] = ("'self'",), styles: Iterable[str] = ("'self'",), *, forms: bool = False) -> str:
    """A page's Content-Security-Policy: nothing is fetched but the page's own files, only these scripts and styles run.

    The plotting library writes sizes as style attributes, so those are let in; they can fetch nothing. forms: the page
    has forms, which may go to where it came from.
    """
    return (
        f"default-src 'none'; script-src {' '.join(scripts)}; style-src {' '.join(styles)}; "
        "style-src-attr 'unsafe-inline'; img-src data: blob:; base-uri 'none'; "
        f"form-action {_OWN if forms else _NONE}"
    )


@dataclass(frozen=True)
class Footer:
    """What stands at the foot of every page. made: when it was made, as words. notice: odd files it goes by."""

    range: str
    as_of: str
    as_of_iso: str
    version: str
    plugins: str
    made: str = ""
    notice: str = ""


@dataclass(frozen=True)
class Shared:
    """The files beside the pages: path from the report's folder, and content."""

    css: tuple[str, str]
    script: tuple[str, str]
    library: tuple[str, str]

    def all(self) -> tuple[tuple[str, str], ...]:
        """The three of them."""
        return self.css, self.script, self.library


def shared_files(decimal: str = ".") -> Shared:
    """The shared style, script and plotting library, named by their content. decimal: the mark in numbers."""
    css = theme.css_variables() + asset("page.css") + asset("plot.css")
    scripts = (asset("page.js"), asset("figures.js"), asset("board.js"), asset("shots.js"))
    script = f"{OURS}\nconst CATCHPOT={theme.script_settings(decimal)};\n" + "\n".join(scripts)
    return Shared(
        (f"assets/page-{_short(css)}.css", f"{OURS}\n{css}"),
        (f"assets/page-{_short(script)}.js", script),
        (f"assets/plotly-{_short(asset(LIBRARY))}.js", f"{OURS}\n{asset(LIBRARY)}"),
    )


def _short(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:12]


@dataclass
class Pages:
    """Makes pages for a folder; `finish` puts them there, and sweeps out files of its own that an earlier report left.

    within: a folder that must be there already. decimal: the mark in numbers that are read. names_kept: names that look
    like numbers and are none. code: a digest of the code that draws; what other code drew is drawn anew.
    """

    out: Path
    workshop: str
    zone: str
    footer: Footer
    within: Path | None = None
    decimal: str = "."
    names_kept: Collection[str] = ()
    code: str = ""
    made: dict[str, dict[str, Any]] = field(default_factory=dict)
    rewritten: list[str] = field(default_factory=list)
    aside: Aside = field(default_factory=Aside)
    record: dict[str, Any] = field(default_factory=dict)

    @property
    def names(self) -> set[str]:
        """Names of the pages made or kept so far."""
        return {name for name in self.made if name.endswith(".html")}

    @property
    def written(self) -> list[Path]:
        """The pages of this report, rewritten or not, the first page first."""
        return [self.out / name for name in sorted(self.names, key=lambda n: (n != INDEX, n))]

    @cached_property
    def shared(self) -> Shared:
        """The files beside the pages."""
        return shared_files(self.decimal)

    def render(
        self, name: str, template: str, title: str, *, single: bool = False, forms: bool = False, **content: Any
    ) -> str:
        """A page as text. shown (if given): the sections on it. single: all in one file, for mailing. forms: the page
        has forms, which a server takes."""
        from markupsafe import Markup

        figures = [b for p in _panels(content.get("shown", ())) for b in p.every if b.kind == "figure"]
        plain = [f.figure for f in figures]
        pool, slim = pooled([figure_with_comma(f, self.names_kept) for f in plain] if self.decimal == "," else plain)
        css, script, library = self.shared.all()
        inline = [script[1], library[1]] if figures else [script[1]]
        page = (
            environment()
            .get_template(template)
            .render(
                title=title,
                workshop=self.workshop,
                zone=self.zone,
                footer=self.footer,
                root="../" * name.count("/"),
                csp=policy(map(digest, inline), [digest(css[1])]) if single else policy(forms=forms),
                referrer="same-origin" if forms else "no-referrer",
                css=css[0],
                script=script[0],
                library=library[0] if figures or content.get("figured") else "",
                # Our own files and encoded JSON stand as they are; all else is escaped.
                inline_css=Markup(css[1]) if single else "",
                inline_scripts=[Markup(text) for text in inline] if single else [],
                pool=Markup(theme.dumped(pool)) if pool else "",
                data={b.id: Markup(theme.dumped(d)) for b, d in zip(figures, slim, strict=True)},
                **{"hrefs": {}, "elsewhere": (), "trail": (), **content},
            )
        )
        return self.in_place(page)

    def in_place(self, page: str) -> str:
        """A page as it is read here: with the place's decimal mark."""
        return page_with_comma(page, self.names_kept) if self.decimal == "," else page

    def write(self, name: str, template: str, title: str, *, key: str = "", note: Any = None, **content: Any) -> Path:
        """Make a page; see `render`. key, note: what is remembered of it, see `unchanged`."""
        return self.put(name, self.render(name, template, title, **content), key=key, note=note)

    def put(self, name: str, text: str, *, key: str = "", note: Any = None) -> Path:
        """Make a file of the report; one that is there already with this content, but for its stamp, is left."""
        path = self.out / name
        content = _short(_STAMP.sub("", text))
        before = self._before.get(name, {})
        self.made[name] = {"content": content, "key": self.full(key), "note": note, "bytes": before.get("bytes")}
        if before.get("content") == content and _bytes(path) == before.get("bytes") is not None:
            return path
        self._ours_to_write(name)
        data = text.encode("utf-8", "backslashreplace")
        self.made[name]["bytes"] = len(data)
        self.aside.write(path, data)
        self.rewritten.append(name)
        return path

    def unchanged(self, name: str, key: str) -> bool:
        """Whether a file made from the same (key) stands here as it was written; it is kept then, with its note."""
        before = self._before.get(name)
        if (
            not key
            or before is None
            or before.get("key") != self.full(key)
            or _bytes(self.out / name) != before.get("bytes")
        ):
            return False
        self.made[name] = before
        return True

    def full(self, key: str) -> str:
        """A key with what every file goes by: the code that draws, and the script and style beside the pages, whose
        names hold their content, so that those of another version are gone, and units and dates as the workshop writes
        them. Empty for an empty key."""
        spoken = (style(), *(in_shop(u)[0] for u in ("mbar", "l")))
        return key and _short("\0".join([key, self.code, *spoken, *(name for name, _ in self.shared.all())]))

    def remembered(self, name: str) -> Any:
        """The note that was kept with a file of the report before."""
        return self._before.get(name, {}).get("note")

    def free(self, stem: str) -> str:
        """A file name for a page that no page of this report has yet, numbered where need be."""
        name, n = f"{stem}.html", 2
        while name in self.made:
            name, n = f"{stem}-{n}.html", n + 1
        return name

    def begin(self) -> None:
        """Make the folder; PageError where other people's pages stand in it, or where its workshop is gone."""
        if self.within is not None and not self.within.is_dir():
            raise PageError(f"{self.within}: the workshop's folder is not there any more; nothing was written")
        make_folder(self.out, through_links=self.within is None)
        self._ours_to_write(INDEX)
        for name, text in self.shared.all():
            self.put(name, text)

    def is_page(self, name: str) -> bool:
        """Whether a page of ours of this name lies in the folder, whoever wrote it."""
        try:
            return bool(_SAFE.match(name)) and not (self.out / name).is_symlink() and _ours(self.out / name)
        except OSError:
            return False

    def _ours_to_write(self, name: str) -> None:
        path = self.out / name
        try:
            if "/" in name:
                make_folder(path.parent)
            if name in self._before or not path.exists() or _ours(path):
                return
        except OSError as error:
            raise refused(path, error) from error
        raise PageError(f"{path}: this file is no page of catchpot and is not written over; name another folder")

    @cached_property
    def known(self) -> dict[str, Any]:
        """All that the last report here left in its list."""
        try:
            known = json.loads((self.out / LIST).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return known if isinstance(known, dict) else {}

    @cached_property
    def _before(self) -> dict[str, dict[str, Any]]:
        """The files that the report before this one wrote here, with what was known of them."""
        listed = self.known.get("pages")
        if isinstance(listed, list):  # as versions before 0.2 wrote it
            listed = {p: {} for p in listed if isinstance(p, str)}
        given = listed if isinstance(listed, dict) else {}
        return {n: k for n, k in given.items() if _within_folder(n) and isinstance(k, dict)}

    def finish(self) -> None:
        """Put what was made in its place, the first page last, and sweep out what only the report before had."""
        self.aside.settle(last=self.out / INDEX)
        for name in sorted(self._before.keys() - self.made.keys()):
            path = self.out / name
            with suppress(OSError):
                if _ours(path):
                    path.unlink()
                    if path.parent != self.out:
                        path.parent.rmdir()  # where it is empty now
        record = json.dumps({**self.record, "pages": self.made}, indent=1, sort_keys=True) + "\n"
        if self.rewritten or record != self._record_text:
            write_whole(self.out / LIST, record)

    @cached_property
    def _record_text(self) -> str:
        try:
            return (self.out / LIST).read_text(encoding="utf-8")
        except (OSError, ValueError):
            return ""


def _panels(shown: Iterable[Any]) -> list[Any]:
    return [p.panel for p in shown if hasattr(p, "panel")]


def _bytes(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _ours(path: Path) -> bool:
    with path.open(encoding="utf-8", errors="replace") as stream:
        head = stream.read(4000)
    return GENERATOR in head or head.startswith(OURS)


def _within_folder(name: Any) -> bool:
    return isinstance(name, str) and all(_SAFE.match(part) for part in name.split("/"))


def without_stamp(text: str) -> str:
    """A page without the one line that tells when it was made."""
    return _STAMP.sub("", text)


__all__ = ["Footer", "PageError", "Pages", "asset", "digest", "policy", "shared_files", "without_stamp"]
