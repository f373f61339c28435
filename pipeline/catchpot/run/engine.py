"""The one seam through which independent parts are computed beside each other: other processes, by joblib.

Parts go out as jobs and come back as results in their order; one parent reads, checks and writes. What raises comes
back as nothing, and the parent computes it itself, where failures are told and halved. One thread each inside: DuckDB
and polars would otherwise take every core in every process. Where the processes are is joblib's backend: this machine's
own, or a cluster's (`clusters.py`); who gets what, and doing again what a lost process had, are the backend's business.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from catchpot.run.same_program import Differs, Program, difference, program_of

if TYPE_CHECKING:
    from catchpot.analysis import Analysis, Job, Result
    from catchpot.run.clusters import Cluster

WORTH_SHOTS = 600
"""Shots to go through from which starting other processes pays: they import for about two seconds."""
WORTH_S = 4.0
"""And seconds of work, where it is known what a part takes."""

Done = tuple[Sequence[str], "Job | None", "Result | None", float]
Build = Callable[[Sequence[str]], "Job | None"]


def cores() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Engine:
    """Local processes, or a cluster's. workers: how many local ones; 0 or 1 computes everything in this one."""

    def __init__(self, workers: int | None = None, cluster: Cluster | None = None) -> None:
        self.cluster = cluster
        self._workers = workers

    @property
    def workers(self) -> int:
        """How many processes there are."""
        if self.cluster is not None:
            return self.cluster.workers()
        return cores() if self._workers is None else self._workers

    def pays(self, batches: int, shots: int, seconds: float | None = None) -> bool:
        """Whether so many batches of so many shots in all are worth other processes. seconds: what they took before."""
        worth = shots >= WORTH_SHOTS and (seconds is None or seconds >= WORTH_S)
        return worth and batches > 1 and (self.cluster is not None or self.workers > 1)

    def computed(
        self, analysis: Analysis, batches: Sequence[Sequence[str]], build: Build, limit_s: float
    ) -> Iterator[Done]:
        """Each batch with its job, its result and the seconds it took; without a result where it raised.

        build: the job of a batch, None where it can't be made. Few jobs are held at once. EngineRefused where a process
        runs another program than this one; whatever the backend raises where a process was lost once too often.
        """
        program = program_of(type(analysis).__module__)
        sent = self._locally if self.cluster is None else self._on(self.cluster)
        for units, job, came in sent(batches, build, lambda job: _packed(analysis, job, limit_s, program)):
            if isinstance(came, Differs):
                from catchpot.run.clusters import EngineRefusedError

                raise EngineRefusedError(difference(came, program))
            yield units, job, *came

    def _locally(
        self, batches: Sequence[Sequence[str]], build: Build, packed: Callable[[Job | None], bytes]
    ) -> Iterator[tuple[Sequence[str], Job | None, Any]]:
        """Jobs are made while others are computed."""
        from joblib import Parallel, delayed, parallel_config

        waiting: list[tuple[Sequence[str], Job | None]] = []

        def tasks() -> Iterator[object]:
            for units in batches:
                job = build(units)
                waiting.append((units, job))
                yield delayed(_compute)(packed(job))

        with _one_thread_each(), parallel_config(backend="loky", n_jobs=self.workers, inner_max_num_threads=1):
            done = Parallel(return_as="generator", pre_dispatch=self.workers, batch_size=1)(tasks())
            for came in done:
                yield *waiting.pop(0), came

    def _on(self, cluster: Cluster) -> Callable[..., Iterator[tuple[Sequence[str], Job | None, Any]]]:
        """Jobs are made here, between results: no thread of the cluster's reads the store."""

        def sent(
            batches: Sequence[Sequence[str]], build: Build, packed: Callable[[Job | None], bytes]
        ) -> Iterator[tuple[Sequence[str], Job | None, Any]]:
            waiting: list[tuple[Sequence[str], Job | None]] = []

            def tasks() -> Iterator[bytes]:
                for units in batches:
                    waiting.append((units, build(units)))
                    yield packed(waiting[-1][1])

            for came in cluster.each(_compute, tasks()):
                yield *waiting.pop(0), came

        return sent


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


def _packed(analysis: Analysis, job: Job | None, limit_s: float, program: Program) -> bytes:
    """What goes to a process: the program first, so that the rest is opened only by the same one."""
    return pickle.dumps((program, pickle.dumps((analysis, job, limit_s))))


def _compute(packed: bytes) -> tuple[Result | None, float] | Differs:
    """In the other process. It never raises: the parent computes again what did, and tells of it."""
    import time
    import warnings

    from catchpot.run.guard import limited

    program, work = pickle.loads(packed)
    own = program_of(program.module)
    if own != program:
        return Differs(own)
    analysis, job, limit_s = pickle.loads(work)
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
