"""What commands print: sentences for people, or one JSON document; progress bars on stderr at a terminal."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any

Progress = Callable[[str, int, int], None]
"""progress(what, done, total): called as work goes on; total 0 where it is not known."""


def _plain(value: object) -> Any:
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"{type(value).__name__} can't be written as JSON")


def emit(data: Mapping[str, Any], lines: Iterable[str], *, as_json: bool) -> None:
    """Print one JSON document, or the lines."""
    if as_json:
        print(json.dumps(data, default=_plain, indent=2, ensure_ascii=False))
    else:
        for line in lines:
            print(line)


def warn(lines: Iterable[str]) -> None:
    """Print lines on stderr."""
    for line in lines:
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


__all__ = ["Progress", "confirm", "emit", "progress_bars", "warn"]
