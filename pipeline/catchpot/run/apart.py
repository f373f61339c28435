"""Readers, sections and forms of plugins that are not ours, as seen from our process: each question goes to theirs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from catchpot.errors import CatchpotError, PluginFault
from catchpot.note_forms import EventNote, PartNote
from catchpot.run.guard import Elsewhere, OverTime, fault_words, limited

if TYPE_CHECKING:
    from types import ModuleType

    import polars as pl
    from pydantic import BaseModel

    from catchpot.ingest.reader import Finished, Layout, Reader, Source, TextLayout
    from catchpot.note_forms import NoteForm
    from catchpot.report.section import Cell, Page, Panel, Section, View
    from catchpot.run.guard import Worker
    from catchpot.workshop import Workshop

# So many ends of its process in a row say something about the plugin, not about what it was given.
GIVE_UP_AFTER = 3


class _Apart:
    """Asks until the plugin has run over its time or ended its process too often; then it is left alone."""

    def __init__(self, worker: Worker, limit_s: float) -> None:
        self.worker, self.limit_s = worker, limit_s
        self._ended = 0
        self._left_alone = ""

    def _ask(self, kind: str, *what: Any) -> Any:
        if self._left_alone:
            raise PluginFault(self._left_alone)
        try:
            answer = self.worker.ask(self.limit_s, kind, *what)
        except OverTime as error:
            self._left_alone = f"{error}; it is not asked again in this run"
            raise PluginFault(self._left_alone) from None
        except Elsewhere as error:
            self._ended = self._ended + 1 if error.ended else 0
            if self._ended >= GIVE_UP_AFTER:
                self._left_alone = f"{error}, {self._ended} times in a row; it is not asked again in this run"
                raise PluginFault(self._left_alone) from None
            raise
        self._ended = 0
        return answer


class ReaderApart(_Apart):
    """A reader; see `catchpot.ingest.reader.Reader`."""

    def __init__(self, reader: Reader, worker: Worker, limit_s: float) -> None:
        from catchpot.ingest.asking import USUAL_ORDER

        super().__init__(worker, limit_s)
        self.name = reader.name
        self.order = getattr(reader, "order", USUAL_ORDER)
        self.binary = bool(getattr(reader, "binary", False))

    def claims(self, source: Source, workshop: Workshop) -> bool:
        """Whether it reads the file."""
        return bool(self._about(source, "claims"))

    def settings(self, source: Source, workshop: Workshop) -> str:
        """What changes how it reads the file."""
        return str(self._about(source, "settings"))

    def describe(self, source: Source, workshop: Workshop) -> Layout:
        """How the file is to be read."""
        layout, number = self._about(source, "describe")
        if number:
            given: Layout = replace(layout, finish=self._finish(number))
            return given
        return layout  # type: ignore[no-any-return]  # whatever it is, it is looked at by who asked

    def _about(self, source: Source, kind: str) -> Any:
        # A file is sent once, however many readers are asked however many questions about it.
        if self.worker.told != (self.worker.number, id(source)) or not self.worker.number:
            self._ask("source", source)
            self.worker.told = (self.worker.number, id(source))
            self.worker.held = source
        return self._ask(kind, self.name)

    def _finish(self, number: int) -> Callable[[pl.DataFrame, Sequence[TextLayout]], Finished]:
        def finish(frame: pl.DataFrame, layouts: Sequence[TextLayout]) -> Finished:
            from catchpot.run.worker import unfinished

            finished: Finished = self._ask("finish", number, frame, [replace(t, finish=unfinished) for t in layouts])
            return finished

        return finish


class SectionApart(_Apart):
    """A section; see `catchpot.report.section.Section`. Its tables are read where it works."""

    def __init__(self, section: Section, worker: Worker, limit_s: float) -> None:
        super().__init__(worker, limit_s)
        self.name, self.title, self.order = section.name, section.title, section.order
        self.analyses: tuple[str, ...] = tuple(section.analyses)
        self.needs: Mapping[str, tuple[str, ...]] = dict(section.needs)

    def cells(self, view: View) -> Sequence[Cell]:
        """Cells of one mould's row on the workshop page."""
        from catchpot.report.section import Cell

        cells: Sequence[Cell] = self._all("cells", Cell, self._on(view, "cells"))
        return cells

    def panel(self, view: View) -> Panel | None:
        """The section on a page."""
        from catchpot.report.section import Panel

        given = self._on(view, "panel")
        panels: Sequence[Panel] = self._all("panel", Panel, [] if given is None else [given])
        return panels[0] if panels else None

    def pages(self, view: View) -> Sequence[Page]:
        """Pages of its own."""
        from catchpot.report.section import Page

        pages: Sequence[Page] = self._all("pages", Page, self._on(view, "pages"))
        return pages

    def _on(self, view: View, what: str) -> Any:
        return self._ask("section", self.name, what, view.mould, view.zone, view.as_of)

    @staticmethod
    def _all(what: str, kind: type, given: Any) -> Any:
        wrong = [type(item).__name__ for item in given if not isinstance(item, kind)]
        if wrong:
            raise PluginFault(f"its {what} gave a {wrong[0]}, where a {kind.__name__} is expected")
        return given


class FormError(CatchpotError):
    """A form of `note` that failed; nothing was written."""


class RefusedNoteError(CatchpotError):
    """What a form of `note` says of what was filled in; nothing was written."""

    status = 2


class Form:
    """A form of `note`; see `catchpot.note_forms.NoteForm`. Whatever it does costs the note and nothing else."""

    def __init__(
        self, form: NoteForm, module: ModuleType, settings: BaseModel | None, worker: Worker | None, limit_s: float
    ) -> None:
        """worker: where it works; None in our own process."""
        self.name, self.says, self.fields = form.name, form.says, form.fields
        self._form, self._module, self._settings = form, module, settings
        self._worker, self._limit_s = worker, limit_s

    def notes(self, given: Mapping[str, str]) -> list[EventNote | PartNote]:
        """What is to be noted. RefusedNoteError where it can't be meant, FormError where the form failed."""
        try:
            made = self._asked(given)
        except CatchpotError as error:
            raise RefusedNoteError(f"{' '.join(error.lines())} Nothing was written.") from error
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may exit, or panic below Python
            raise FormError(
                f"the form {self.name} failed: {fault_words(error, self._module)}. Nothing was written."
            ) from error
        wrong = [type(n).__name__ for n in made if not isinstance(n, EventNote | PartNote)]
        if wrong:
            raise FormError(f"the form {self.name} gave a {wrong[0]}, where notes are expected. Nothing was written.")
        return made

    def _asked(self, given: Mapping[str, str]) -> list[Any]:
        if self._worker is not None:
            what, answer = self._worker.ask(self._limit_s, "note", self.name, dict(given))
            if what == "refused":
                raise CatchpotError(" ".join(answer))
            return list(answer)
        with limited(self._limit_s):
            return list(self._form.notes(given, self._settings))


__all__ = ["GIVE_UP_AFTER", "Form", "FormError", "ReaderApart", "RefusedNoteError", "SectionApart"]
