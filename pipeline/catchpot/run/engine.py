"""The one seam through which independent parts are computed beside each other: other processes, by joblib.

Parts go out as jobs and come back as results in their order; one parent reads, checks and writes. What raises comes
back as nothing, and the parent computes it itself, where failures are told and halved. One thread each inside: DuckDB
and polars would otherwise take every core in every process.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from catchpot.analysis import Analysis, Job, Result

WORTH_SHOTS = 600
"""Shots to go through from which starting other processes pays: they import for about two seconds."""
WORTH_S = 4.0
"""And seconds of work, where it is known what a part takes."""


def cores() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Engine:
    """Local processes. workers: how many; 0 or 1 computes everything in this one."""

    def __init__(self, workers: int | None = None) -> None:
        self.workers = cores() if workers is None else workers

    def pays(self, batches: int, shots: int, seconds: float | None = None) -> bool:
        """Whether so many batches of so many shots in all are worth other processes. seconds: what they took before."""
        worth = shots >= WORTH_SHOTS and (seconds is None or seconds >= WORTH_S)
        return self.workers > 1 and batches > 1 and worth

    def computed(
        self,
        analysis: Analysis,
        batches: Sequence[Sequence[str]],
        build: Callable[[Sequence[str]], Job | None],
        limit_s: float,
    ) -> Iterator[tuple[Sequence[str], Job | None, Result | None, float]]:
        """Each batch with its job, its result and the seconds it took; without a result where it raised.

        build: the job of a batch, None where it can't be made. Few jobs are held at once.
        """
        from joblib import Parallel, delayed, parallel_config

        waiting: list[tuple[Sequence[str], Job | None]] = []

        def tasks() -> Iterator[object]:
            for units in batches:
                job = build(units)
                waiting.append((units, job))
                yield delayed(_compute)(analysis, job, limit_s)

        with _one_thread_each(), parallel_config(backend="loky", n_jobs=self.workers, inner_max_num_threads=1):
            done = Parallel(return_as="generator", pre_dispatch=self.workers, batch_size=1)(tasks())
            for result, seconds in done:
                units, job = waiting.pop(0)
                yield units, job, result, seconds


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """What processes that start in the block find in their environment."""
    name = "POLARS_MAX_THREADS"
    before = os.environ.get(name)
    os.environ[name] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


def _compute(analysis: Analysis, job: Job | None, limit_s: float) -> tuple[Result | None, float]:
    """In the other process. It never raises: the parent computes again what did, and tells of it."""
    import time
    import warnings

    from catchpot.run.guard import limited

    if job is None:
        return None, 0.0
    began = time.perf_counter()
    try:
        with limited(limit_s), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            result = analysis.compute(job)
    except KeyboardInterrupt:
        raise
    except BaseException:
        return None, 0.0
    return result, time.perf_counter() - began


__all__ = ["Engine", "cores"]
