"""Watches the logs folder: takes new files as they come, and has the rest of the run follow.

A file is taken when its size and time stamp stood still between two looks, or when it was renamed into place (which
looks the same from the second look on). Whatever goes wrong is said and tried again; only a signal ends it.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from catchpot.ingest.scan import Found, find_logs

if TYPE_CHECKING:
    from collections.abc import Sequence

Say = Callable[[str], None]
State = dict[str, tuple[int, int]]


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """An event that SIGINT and SIGTERM set, for as long as the block runs; then the former handlers are back."""
    stop = threading.Event()

    def on_signal(number: int, frame: FrameType | None) -> None:
        stop.set()

    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = {s: signal.signal(s, on_signal) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def watch(
    home: Path,
    run: Callable[[], None],
    *,
    stop: threading.Event,
    patterns: Sequence[str] = (),
    every_s: float = 2.0,
    polling: bool = False,
    follow_links: bool = False,
    say: Say = print,
) -> int:
    """Call `run` whenever logs came or changed and stand still; returns how often it ran through.

    run: ingest, analyse, report; its exceptions are said and it is called again at the next change or, if nothing
    changes, after a while. patterns: of log profiles, beside logs/. every_s: seconds between looks. polling: look at
    the folder only, for network shares where the system tells of no changes. follow_links: as `find_logs`.

    The workshop's folder may vanish and come back: that is said both times, nothing is made in its place meanwhile, and
    a round follows. A store that vanishes between two rounds is said too, and the next round makes a new one.
    """
    runs, failed_at = 0, None
    away = False
    store = home / "shots.duckdb"
    had_store = store.exists()
    done: State = {}
    before: State = {}
    first = True
    while not stop.is_set():
        now = _look(home, patterns, follow_links, say)
        if not home.is_dir():
            if not away:
                say(f"{home}: the workshop's folder is not there; waiting until it is back")
            away, now = True, None
        elif away:
            say(f"{home}: the workshop's folder is back")
            away, first, before = False, True, {}
        if now is not None and had_store and not store.exists():
            say(f"{store}: the store is gone; it is made anew from the logs")
            had_store, failed_at = False, -1e9  # at once, not only when a log comes
        if now is not None:
            still = {n: s for n, s in now.items() if before.get(n) == s}
            fresh = any(done.get(n) != s for n, s in still.items()) or bool(done.keys() - now.keys())
            again = failed_at is not None and time.monotonic() - failed_at > 15 * every_s
            if (fresh or again or first) and not (now.keys() - still.keys() and first and before == {}):
                first = False
                done = dict(still)
                failed_at = None
                try:
                    run()
                    runs += 1
                except (Exception, SystemExit) as e:  # whatever it is, the next log shall still be taken
                    say(f"this round failed and will be tried again: {e}")
                    failed_at = time.monotonic()
                had_store = store.exists()
            before = now
        _wait(home, stop, every_s, polling)
    return runs


def _look(home: Path, patterns: Sequence[str], follow_links: bool, say: Say) -> State | None:
    if not (home / "logs").is_dir():
        return {} if home.is_dir() else None
    try:
        files: list[Found] = find_logs(home, patterns, follow_links=follow_links)
    except OSError as e:
        say(f"the logs folder can't be read just now: {e.strerror or e}")
        return None
    return {f.name: (f.size, f.modified_ns) for f in files}


def _wait(home: Path, stop: threading.Event, every_s: float, polling: bool) -> None:
    """Wait for a change or for the next look, whichever comes first; a set stop ends it at once."""
    folder = home / "logs"
    if polling or not folder.is_dir():
        stop.wait(every_s)
        return
    try:
        from watchfiles import watch as changes

        for _ in changes(
            folder, stop_event=stop, rust_timeout=int(every_s * 1000), yield_on_timeout=True, raise_interrupt=False
        ):
            break
    except (OSError, RuntimeError):
        stop.wait(every_s)  # the folder went away meanwhile
        return
    stop.wait(min(every_s, 0.5))  # let a burst of writing end before the next look
