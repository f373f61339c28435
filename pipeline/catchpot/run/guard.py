"""Keeps what a plugin does to itself: its time, memory, exits and crashes cost its own results and nothing else."""

from __future__ import annotations

import os
import pickle
import select
import signal
import struct
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from types import FrameType
from typing import TYPE_CHECKING, Any

from catchpot.errors import PluginFault, error_words

if TYPE_CHECKING:
    from pathlib import Path

_LENGTH = struct.Struct("<Q")


class OverTime(PluginFault):
    """Something took longer than it may."""


PART_WORDS = "it took longer than {:g} s (time_limit_s in [plugins])"


class Elsewhere(PluginFault):
    """An error raised in the plugin's own process. trace: its whole text there; ended: the process is gone."""

    def __init__(self, short: str, trace: str, *, ended: bool = False) -> None:
        super().__init__(short)
        self.trace = trace
        self.ended = ended


@contextmanager
def limited(limit_s: float, words: str = PART_WORDS) -> Iterator[None]:
    """Raise OverTime (words, with the limit put in) when the block takes longer.

    Only in the main thread of systems with an alarm clock, else there is no limit. Code that never comes back to
    Python is not reached; what is not ours runs in a process of its own for that.
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "setitimer"):
        yield
        return

    def ring(number: int, frame: FrameType | None) -> None:
        raise OverTime(words.format(limit_s))

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


class Worker:
    """A process that has loaded the workshop's plugins and works for us, one request at a time."""

    def __init__(self, home: Path, memory_mb: float, trusted: Sequence[str] = ()) -> None:
        """trusted: digests of the drop-in files that may run in it."""
        self.home, self.memory_mb, self.trusted = home, memory_mb, trusted
        self._process: subprocess.Popen[bytes] | None = None
        self._one_at_a_time = threading.Lock()
        # What the process was told last, by its number; kept here so that no other object takes its place.
        self.told: tuple[int, int] = (0, 0)
        self.held: object = None

    @property
    def number(self) -> int:
        """Of the process, for those who told it something that a new one doesn't know; 0 where there is none."""
        return self._process.pid if self._process is not None and self._process.poll() is None else 0

    def ask(self, limit_s: float, kind: str, *what: Any) -> Any:
        """What came of a request (see `run/worker.py`); OverTime, or Elsewhere where it raised or its process ended.

        An exception that the plugin raises on purpose is raised here as it was.
        """
        with self._one_at_a_time:
            ending, *rest = self._asked(limit_s, pickle.dumps((kind, what)))
        if ending == "raised":
            raise Elsewhere(*rest)
        if ending == "refused":
            raise rest[0]
        return rest[0]

    def _asked(self, limit_s: float, asked: bytes) -> Any:
        process = self._started()
        try:
            assert process.stdin is not None
            process.stdin.write(_LENGTH.pack(len(asked)) + asked)
            process.stdin.flush()
            return pickle.loads(self._answer(process, limit_s))
        except OverTime:
            self.stop()
            raise
        except (OSError, EOFError, pickle.UnpicklingError):
            with suppress(subprocess.TimeoutExpired):
                process.wait(5)
            code = process.poll() or 0
            self.stop()
            words = f"signal {signal.Signals(-code).name}" if code < 0 else f"exit status {code}"
            raise Elsewhere(f"its process ended by itself ({words})", "", ended=True) from None
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """End the process, if there is one."""
        process, self._process = self._process, None
        if process is not None:
            _end(process)

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self.stop()
            words = [sys.executable, "-m", "catchpot.run.worker", str(self.home), f"{self.memory_mb:g}", *self.trusted]
            # A session of its own: Ctrl-C is ours to handle, and the end of our pipe ends it.
            self._process = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
            )
            weakref.finalize(self, _end, self._process)
        return self._process

    def _answer(self, process: subprocess.Popen[bytes], limit_s: float) -> bytes:
        assert process.stdout is not None
        number = process.stdout.fileno()
        # loading the plugins anew is not the analysis's time
        until = time.monotonic() + limit_s + 30.0 * (not getattr(process, "warm", False))

        def take(n: int) -> bytes:
            got = bytearray()
            while len(got) < n:
                left = until - time.monotonic()
                if left <= 0 or not select.select([number], [], [], left)[0]:
                    raise OverTime(PART_WORDS.format(limit_s))
                piece = os.read(number, min(n - len(got), 1 << 20))
                if not piece:
                    raise EOFError
                got += piece
            return bytes(got)

        if not getattr(process, "warm", False):
            take(1)
            process.warm = True  # type: ignore[attr-defined]  # a mark of ours on the process
            until = time.monotonic() + limit_s
        return take(_LENGTH.unpack(take(_LENGTH.size))[0])


def _end(process: subprocess.Popen[bytes]) -> None:
    with suppress(OSError):
        process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()


def own_line(error: BaseException, module: Any) -> str:
    """The file and line of the plugin in which an error was raised, as an addition to a sentence; empty where unknown.

    module: the plugin's module; for a package, any of its files counts.
    """
    import traceback
    from pathlib import Path

    file = getattr(module, "__file__", None)
    if not file:
        return ""
    top = Path(file)
    for frame in reversed(traceback.extract_tb(error.__traceback__)):
        place = Path(frame.filename)
        if place == top or (top.name == "__init__.py" and place.is_relative_to(top.parent)):
            return f" ({place.name}, line {frame.lineno})"
    return ""


def fault_words(error: BaseException, module: Any) -> str:
    """What a plugin raised, in a line with its own file and line."""
    return error_words(error) + ("" if isinstance(error, PluginFault) else own_line(error, module))


__all__ = ["Elsewhere", "OverTime", "Worker", "fault_words", "limited", "own_line"]
