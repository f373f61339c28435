"""What is served: the pages of the store as it stands, made when asked for, while others write it.

The store is never held open between two pages. A page made while the store changed is made again; while another
program writes, the pages of the state before are given.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.errors import CatchpotError
from catchpot.report.pages import Footer
from catchpot.serve.held import Held

if TYPE_CHECKING:
    from catchpot.plugins import Registry
    from catchpot.report.edition import Edition

FILES = ("shots.duckdb", "shots.duckdb.wal", "catchpot.toml", "moulds.toml", "events.csv", "parts.csv")
PATIENCE_S = 3.0
"""How long a reader waits for a program that writes the store."""
TRIES = 3
"""How often a page is made anew because the store changed meanwhile; then it is given as it is."""

Signature = tuple[Any, ...]


@dataclass(frozen=True)
class State:
    """An edition and what the workshop's files looked like when it was begun."""

    edition: Edition
    signature: Signature


class Desk:
    """Gives pages by name. home: the workshop. Plugins are loaded once; a changed one asks for a new start."""

    def __init__(self, home: Path, *, trust: bool = False) -> None:
        from catchpot.plugins import load
        from catchpot.workshop import open_with_last_good

        self.home = home
        workshop = open_with_last_good(home)
        self.registry: Registry = load(workshop, trust=trust)
        self._reports = workshop.reports_dir
        self._lock = threading.Lock()
        self._state: State | None = None

    def page(self, name: str) -> bytes | None:
        """A page or data file; None where there is none of this name. CatchpotError where it can't be made now."""
        with self._lock:
            text: bytes | None = None
            for _ in range(TRIES):
                state = self._current()
                text = _made(state.edition, name)
                if state.signature == self._signature():
                    break
            return text

    def mould_of(self, name: str) -> str:
        """The mould whose page this is, or its page of shots; empty for any other."""
        with self._lock:
            edition = self._current().edition
        stems = {stem: mould for mould, stem in edition.stems.items()}
        folder, _, rest = name.partition("/")
        return stems.get(rest.removesuffix(".html"), "") if folder in ("moulds", "shots") else ""

    def form_page(self, template: str, title: str, **content: Any) -> str:
        """A page of forms in the look of the others."""
        with self._lock:
            pages = self._current().edition.pages
            return pages.render("note", template, title, forms=True, **content)

    def _current(self) -> State:
        signature = self._signature()
        if self._state is not None and self._state.signature == signature:
            return self._state
        try:
            self._state = State(self._edition(), signature)
        except CatchpotError:
            if self._state is None:
                raise
        return self._state

    def _edition(self) -> Edition:
        from catchpot.report.edition import Edition
        from catchpot.report.render import about
        from catchpot.run.execute import away
        from catchpot.store import Store
        from catchpot.workshop import open_with_last_good

        workshop = open_with_last_good(self.home)
        store = Store(workshop.store_path, list(self.registry.tables().values()), patience_s=PATIENCE_S)
        earlier = self._state.edition.pages if self._state is not None else None
        if isinstance(earlier, Held):
            earlier.let_go()

        def place(name: str, zone: str, foot: Footer) -> Held:
            return Held(self._reports, name, zone, foot, earlier=earlier if isinstance(earlier, Held) else None)

        told = about(workshop, self.registry, away(workshop, self.registry))
        made = Edition(store, self.registry.guarded_sections, told, place)
        for name, text in made.pages.shared.all():
            made.pages.put(name, text)
        return made

    def _signature(self) -> Signature:
        return tuple(_looks(self.home / name) for name in FILES)


def _made(edition: Edition, name: str) -> bytes | None:
    """The page's text; `name` is only ever looked up among the names that the edition itself made."""
    held = edition.pages
    if not isinstance(held, Held):
        raise TypeError("pages that are served are held")
    for _ in range(2):  # a page of the report's folder may be written anew while it is read
        if (found := held.text(name)) is not None:
            return found
        if not edition.make(name):
            return _beside(edition, name)
    return held.text(name)


def _beside(edition: Edition, name: str) -> bytes | None:
    """A page that a command wrote beside the report, where a section names it."""
    for known, _ in edition.site.beside():
        if known == name:
            return (edition.pages.out / known).read_bytes()
    return None


def _looks(path: Path) -> tuple[int, int, int] | None:
    try:
        s = path.stat()
    except OSError:
        return None
    return s.st_mtime_ns, s.st_size, s.st_ino


__all__ = ["Desk"]
