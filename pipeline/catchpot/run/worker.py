"""The process in which plugins that are not ours compute: reads jobs from its standard input, writes results."""

from __future__ import annotations

import os
import pickle
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from catchpot.run.guard import _LENGTH, own_line


def main(home: Path, memory_mb: float, trusted: Sequence[str]) -> None:
    """Serve until the other end closes. memory_mb: most address space. trusted: digests of files that may run."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever the plugin prints must not get between the answers
    with suppress(ImportError, ValueError, OSError):
        import resource

        most = int(memory_mb * 1e6)
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    from catchpot.plugins import load
    from catchpot.workshop import open_with_last_good

    registry = load(open_with_last_good(home), only=trusted)
    answers.write(b"!")
    answers.flush()
    while head := sys.stdin.buffer.read(_LENGTH.size):
        name, job = pickle.loads(sys.stdin.buffer.read(_LENGTH.unpack(head)[0]))
        try:
            answer = pickle.dumps(("done", registry.analysis(name).compute(job)))
        except BaseException as error:
            short = f"{type(error).__name__}: {error}".removesuffix(": ")
            where = own_line(error, registry.plugin_of(name).module)
            answer = pickle.dumps(("raised", short + where, traceback.format_exc()))
        answers.write(_LENGTH.pack(len(answer)) + answer)
        answers.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3:])
