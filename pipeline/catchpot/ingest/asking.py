"""Asks readers about files. Whatever a reader does, it costs the file it was asked about and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from catchpot.channels import BY_NAME
from catchpot.errors import PluginFault, error_words
from catchpot.ingest.reader import FrameLayout, LogRefused, TableLayout, TextLayout
from catchpot.ingest.scan import refuse_damage

if TYPE_CHECKING:
    from catchpot.ingest.reader import Layout, Reader, Source
    from catchpot.workshop import Workshop

# Where a reader stands that names no order of its own: after log profiles, before the plain log, which takes any text.
USUAL_ORDER = 500


def in_order(readers: Sequence[Reader]) -> list[Reader]:
    """Readers in the order they are asked: by their `order`, then by name."""
    return sorted(readers, key=lambda r: (getattr(r, "order", USUAL_ORDER), r.name))


@dataclass
class Asked:
    """What came of asking: the reader of each file, and failures of readers whose file another one then read."""

    how: dict[str, str] = field(default_factory=dict)
    failures: dict[str, list[tuple[str, str]]] = field(default_factory=dict)

    def complaints(self) -> list[str]:
        """One sentence for each reader that failed when it was asked whether a file is its own."""
        return [
            f"reader {name} failed when asked about {files[0][0]}"
            + (f" and {len(files) - 1} more files" if len(files) > 1 else "")
            + f": {files[0][1]}; the other readers were asked"
            for name, files in self.failures.items()
        ]


def layout_of(source: Source, readers: Sequence[Reader], workshop: Workshop, asked: Asked) -> Layout:
    """The layout by the first reader that claims the file; LogRefused where none does, it can't, or it fails."""
    failed = ""
    for reader in readers:
        try:
            claims = bool(reader.claims(source, workshop))
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may exit, or panic below Python
            said = failure(error, reader)
            asked.failures.setdefault(reader.name, []).append((source.name, said))
            failed += f"; the reader {reader.name!r}, whose file it may be, failed when asked: {said}"
            continue
        if claims:
            try:
                return _described(source, reader, workshop, asked)
            except LogRefused as refused:
                if not failed:
                    raise
                raise LogRefused(f"{refused.reason}{failed}", refused.line) from refused
    raise LogRefused(f"no reader takes a file of this kind{failed}")


def _described(source: Source, reader: Reader, workshop: Workshop, asked: Asked) -> Layout:
    if not getattr(reader, "binary", False):
        refuse_damage(source.data)
    try:
        asked.how[source.name] = settings_of(reader, source, workshop)
        layout = reader.describe(source, workshop)
    except (LogRefused, KeyboardInterrupt):
        raise
    except BaseException as error:
        raise LogRefused(f"the reader {reader.name!r} failed on it: {failure(error, reader)}") from error
    if fault := _fault(layout):
        raise LogRefused(f"the reader {reader.name!r} {fault}")
    return layout


def settings_of(reader: Reader, source: Source, workshop: Workshop) -> str:
    """What changes how the reader reads; text, whatever it gives."""
    return str(reader.settings(source, workshop))


def failure(error: BaseException, reader: object) -> str:
    """An error in a line, with the place in the reader's own file."""
    import sys
    import traceback

    words = error_words(error)
    if isinstance(error, PluginFault):
        return words
    file = getattr(sys.modules.get(type(reader).__module__), "__file__", None)
    lines = [f.lineno for f in traceback.extract_tb(error.__traceback__) if f.filename == file]
    return f"{words} (line {lines[-1]})" if lines else words


def _fault(layout: object) -> str:
    """What keeps this from being a layout that can be read, in words that follow the reader's name."""
    if isinstance(layout, TableLayout | TextLayout):
        return ""
    if not isinstance(layout, FrameLayout):
        return f"gave a {type(layout).__name__}, where a TableLayout, TextLayout or FrameLayout is expected"
    if not layout.shots:
        return "gave no shot"
    for shot in layout.shots:
        wrong = _frame_fault(getattr(shot, "frame", None))
        if wrong:
            return f"gave a frame {wrong}"
    return ""


def _frame_fault(frame: object) -> str:
    import polars as pl

    if not isinstance(frame, pl.DataFrame):
        return f"that is a {type(frame).__name__} and no polars frame"
    if "t_s" not in frame.columns:
        return f"without a column t_s; it has {', '.join(frame.columns) or 'none'}"
    strangers = [n for n in frame.columns if n not in BY_NAME and n not in ("t_s", "line")]
    if strangers:
        return f"with a column {strangers[0]!r} that is no channel; channels are {', '.join(BY_NAME)}"
    texts = [n for n, dtype in frame.schema.items() if n != "line" and not dtype.is_numeric()]
    if texts:
        return f"whose column {texts[0]} holds no numbers"
    return ""


def settings_of_all(readers: Sequence[Reader], source: Source, workshop: Workshop) -> Mapping[str, str]:
    """Each reader's settings for files in general; a reader that can't say has none."""
    found = {}
    for reader in readers:
        try:
            found[reader.name] = settings_of(reader, source, workshop)
        except KeyboardInterrupt:
            raise
        except BaseException as error:
            found[reader.name] = failure(error, reader)
    return found


__all__ = ["USUAL_ORDER", "Asked", "failure", "in_order", "layout_of", "settings_of", "settings_of_all"]
