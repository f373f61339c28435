"""What commands print: sentences for people, or one JSON document; progress bars on stderr at a terminal."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, redirect_stdout
from datetime import date, datetime
from pathlib import Path
from typing import Any, TextIO

from catchpot.plain_text import condensed, shown, shown_json

Progress = Callable[[str, int, int], None]
"""progress(what, done, total): called as work goes on; total 0 where it is not known."""


_given: TextIO | None = None


def stdout() -> TextIO:
    """Where a command's answer goes."""
    return _given or sys.stdout


@contextmanager
def answers_only(*, process: bool) -> Iterator[None]:
    """Keep standard output for what `emit` says: whatever else prints there, a plugin or a library, goes to stderr.

    process: the process is ours, so that programs of other languages in it are turned aside too.
    """
    global _given
    before = sys.stdout
    if not process:
        _given = before
        try:
            with redirect_stdout(sys.stderr):
                yield
        finally:
            _given = None
        return
    before.flush()
    number = os.dup(1)
    _given = os.fdopen(number, "w", encoding="utf-8", errors="backslashreplace", newline="\n")
    os.dup2(2, 1)
    try:
        yield
    finally:
        sys.stdout.flush()
        given, _given = _given, None
        os.dup2(number, 1)
        given.close()


def _plain(value: object) -> Any:
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"{type(value).__name__} can't be written as JSON")


def emit(data: Mapping[str, Any], lines: Iterable[str], *, as_json: bool) -> None:
    """Print one JSON document, or the lines."""
    if as_json:
        document = json.dumps(data, default=_plain, indent=2, ensure_ascii=False)
        print(shown_json(document), file=stdout())
    else:
        for line in lines:
            print(shown(line), file=stdout())


def warn(lines: Iterable[str]) -> None:
    """Print lines on stderr; very many of a kind as one."""
    for line in condensed([shown(line) for line in lines]):
        print(line, file=sys.stderr)


def confirm(lines: Iterable[str], question: str) -> bool | None:
    """Ask at the terminal; None where there is none to ask at."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None
    warn(lines)
    print(f"{question} [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in ("y", "yes")


@contextmanager
def progress_bars(*, quiet: bool = False) -> Iterator[Progress]:
    """A progress callback with a bar for each kind of work; silent when stderr is no terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda what, done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    with Bars(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bars:
        tasks: dict[str, Any] = {}

        def report(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=total or None)
            bars.update(tasks[what], completed=done, total=total or None)

        yield report


__all__ = ["Progress", "answers_only", "confirm", "emit", "progress_bars", "stdout", "warn"]
