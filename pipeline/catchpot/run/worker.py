"""The process in which plugins that are not ours work: reads requests from its standard input, writes answers.

A request is a kind and what it is about; the answer is what came of it, or what was raised.
"""

from __future__ import annotations

import os
import pickle
import sys
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.errors import MOST_TRACE, CatchpotError, error_words, shortened
from catchpot.run.guard import _LENGTH, own_line

if TYPE_CHECKING:
    from catchpot.analysis import Job, Result
    from catchpot.ingest.reader import Finished, Layout, Source, TextLayout
    from catchpot.plugins import Plugin, Registry
    from catchpot.report.section import Section
    from catchpot.workshop import Workshop

# A batch is 500 files at most; what finishes the rows of older ones is not asked for any more.
KEPT_LAYOUTS = 2000


class Requests:
    """What can be asked of the plugins that this process has loaded; a method for each kind."""

    def __init__(self, workshop: Workshop, registry: Registry) -> None:
        self.workshop, self.registry = workshop, registry
        self._source: Source | None = None
        self._finish: dict[int, Callable[[Any, Sequence[TextLayout]], Finished]] = {}
        self._layouts = 0

    def compute(self, analysis: str, job: Job) -> Result:
        """An analysis's result."""
        return self.registry.analysis(analysis).compute(job)

    def section(self, name: str, what: str, mould: str | None, zone: str, as_of: datetime | None) -> Any:
        """What a section gives for a mould or the workshop. what: cells, panel or pages."""
        from catchpot.report.section import View
        from catchpot.report.views import CORE, Shelf, Tables
        from catchpot.store import Store

        section = self._section(name)
        declared = self.registry.tables()
        store = Store(self.workshop.store_path, list(declared.values()))
        shelf = Shelf(store, None if mould is None else [mould])
        tables = Tables(shelf, section.needs, mould)
        view = View(mould, tables, {**CORE, **declared}, self.workshop.book, zone, as_of)
        given = getattr(section, what)(view)
        if what == "pages":  # parts that a page would make later can't leave this process unmade
            return [replace(page, parts=page.made_parts()) for page in given]
        return list(given) if what != "panel" else given

    def source(self, source: Source) -> None:
        """The file that the next questions to readers are about."""
        self._source = source

    def claims(self, reader: str) -> bool:
        """Whether a reader claims the file."""
        return bool(self._reader(reader).claims(self._asked, self.workshop))

    def settings(self, reader: str) -> str:
        """What changes how a reader reads the file."""
        return str(self._reader(reader).settings(self._asked, self.workshop))

    def describe(self, reader: str) -> tuple[Layout, int]:
        """A reader's layout, and the number under which its `finish` is kept here (0: it has none)."""
        from catchpot.ingest.reader import TextLayout

        layout = self._reader(reader).describe(self._asked, self.workshop)
        if not isinstance(layout, TextLayout):
            return layout, 0
        self._layouts += 1
        self._finish[self._layouts] = layout.finish
        self._finish.pop(self._layouts - KEPT_LAYOUTS, None)
        return replace(layout, finish=unfinished), self._layouts

    def finish(self, number: int, frame: Any, layouts: Sequence[TextLayout]) -> Finished:
        """Shots of the rows of these files."""
        return self._finish[number](frame, layouts)

    def note(self, form: str, given: Mapping[str, str]) -> tuple[str, Any]:
        """What a form of `note` comes to ("notes"), or the sentences with which it refuses ("refused")."""
        p, item = next((p, n) for p in self.registry.plugins for n in p.notes if n.name == form)
        try:
            return "notes", list(item.notes(given, self.registry.settings_of(p.name)))
        except CatchpotError as error:
            return "refused", error.lines()

    def run_finished(self, plugin: str, outcome: Any) -> None:
        """Tell a plugin what came of a run."""
        told = replace(outcome, settings=self.registry.settings_of(plugin))
        self._plugin(plugin).module.run_finished(outcome=told)

    @property
    def _asked(self) -> Source:
        assert self._source is not None
        return self._source

    def _reader(self, name: str) -> Any:
        return next(r for r in self.registry.readers if r.name == name)

    def _section(self, name: str) -> Section:
        return next(s for s in self.registry.sections if s.name == name)

    def _plugin(self, name: str) -> Plugin:
        return next(p for p in self.registry.plugins if p.name == name)

    def module_of(self, kind: str, name: str) -> Any:
        """The module of the plugin that a request is about, for the place of an error."""
        for p in self.registry.plugins:
            of: Sequence[Any] = p.readers
            if kind in ("compute", "section", "note", "run_finished"):
                of = {"compute": p.analyses, "section": p.sections, "note": p.notes, "run_finished": [p]}[kind]
            if any(item.name == name for item in of):
                return p.module
        return None


def unfinished(frame: Any, layouts: Sequence[TextLayout]) -> Finished:
    """Stands for a `finish` that is kept in the plugin's own process."""
    raise NotImplementedError


def limit_memory(most_mb: float) -> None:
    """Limit the memory of this process, where the system can."""
    with suppress(ImportError, ValueError, OSError):
        import resource

        # What can be written to counts, not addresses set aside: libraries and threads reserve eight times their use.
        kind = resource.RLIMIT_DATA if sys.platform == "linux" else resource.RLIMIT_AS
        resource.setrlimit(kind, (int(most_mb * 1e6),) * 2)


def main(home: Path, memory_mb: float, trusted: Sequence[str]) -> None:
    """Serve until the other end closes. memory_mb: most memory. trusted: digests of files that may run."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever the plugin prints must not get between the answers
    limit_memory(memory_mb)
    from catchpot.ingest.reader import LogRefused
    from catchpot.plugins import load
    from catchpot.workshop import open_with_last_good

    workshop = open_with_last_good(home)
    requests = Requests(workshop, load(workshop, only=trusted))
    answers.write(b"!")
    answers.flush()
    while head := sys.stdin.buffer.read(_LENGTH.size):
        kind, what = pickle.loads(sys.stdin.buffer.read(_LENGTH.unpack(head)[0]))
        try:
            answer = pickle.dumps(("done", getattr(requests, kind)(*what)))
        except LogRefused as refused:
            answer = pickle.dumps(("refused", refused))
        except BaseException as error:
            short = error_words(error)
            where = own_line(error, requests.module_of(kind, str(what[0])) if what else None)
            answer = pickle.dumps(("raised", short + where, shortened(traceback.format_exc(), MOST_TRACE)))
        answers.write(_LENGTH.pack(len(answer)) + answer)
        answers.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3:])
