"""Processes on other machines: dask by its futures, ray by its joblib backend. Imported where they are asked for only.

joblib's backend for dask waits for ever where a process was lost once too often (1.6.0), so its futures are asked.
Scheduling, doing again what a lost process had, and moving data are theirs. Their processes need the same programs and
plugins installed (`same_program.py`); set POLARS_MAX_THREADS=1 and OMP_NUM_THREADS=1 in their environment.
"""

from __future__ import annotations

import importlib
import logging
from collections import deque
from collections.abc import Callable, Iterator
from itertools import islice
from typing import TYPE_CHECKING, Any, Protocol

from catchpot.errors import CatchpotError

if TYPE_CHECKING:
    from catchpot.workshop.settings import RunSettings

REACH_S = 15.0
"""How long a cluster that doesn't answer is waited for."""
TRIES = 3
"""How often work is done again whose process was lost, before it counts as what loses them."""


AHEAD = 4
"""Jobs for each process that are sent off before the first result is waited for."""

Work = Callable[[bytes], Any]


class EngineRefusedError(CatchpotError):
    """The engine that is asked for can't be used, and why, in a sentence."""


class Cluster(Protocol):
    """Processes of a cluster."""

    def workers(self) -> int:
        """How many there are now."""
        ...

    def each(self, work: Work, packed: Iterator[bytes]) -> Iterator[Any]:
        """What work gives for each, in order; few are taken ahead. Raises where a process was lost once too often."""
        ...

    def close(self) -> None:
        """Leave the cluster; it goes on."""
        ...


class Dask:
    """A dask scheduler and its workers. It is connected to when it is first asked."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._client: Any = None

    @property
    def client(self) -> Any:
        """The connection; EngineRefusedError where there is none to be had."""
        if self._client is None:
            distributed = _imported("distributed", "dask")
            try:
                self._client = distributed.Client(self.address, timeout=REACH_S, set_as_default=False)
                self._client.wait_for_workers(1, timeout=REACH_S)
            except (OSError, ValueError) as error:
                self.close()
                raise EngineRefusedError(_unreached("dask", self.address, error)) from error
        return self._client

    def workers(self) -> int:
        """Threads of all workers."""
        return sum(self.client.nthreads().values())

    def each(self, work: Work, packed: Iterator[bytes]) -> Iterator[Any]:
        """As `Cluster`."""
        waiting: deque[Any] = deque()
        most = AHEAD * self.workers()
        try:
            for one in packed:
                waiting.append(self.client.submit(work, one, pure=False))
                if len(waiting) >= most:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            self.client.cancel(list(waiting))

    def close(self) -> None:
        """Leave."""
        client, self._client = self._client, None
        if client is not None:
            client.close()


class Ray:
    """A ray cluster. It is connected to when it is first asked."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._joined = False

    def _join(self) -> Any:
        ray = _imported("ray", "ray")
        if not ray.is_initialized():
            try:
                ray.init(address=self.address, log_to_driver=False, logging_level=logging.ERROR)
            except (OSError, ValueError, RuntimeError) as error:
                raise EngineRefusedError(_unreached("ray", self.address, error)) from error
            self._joined = True
        return ray

    def workers(self) -> int:
        """Processors of all nodes."""
        return int(self._join().cluster_resources().get("CPU", 0))

    def each(self, work: Work, packed: Iterator[bytes]) -> Iterator[Any]:
        """As `Cluster`; ray's joblib backend gives results some at a time."""
        from joblib import Parallel, delayed, parallel_config

        self._join()
        _imported("ray.util.joblib", "ray").register_ray()
        again = {"max_restarts": -1, "max_task_retries": TRIES}
        workers = self.workers()
        with (
            parallel_config(backend="ray", n_jobs=workers, ray_remote_args=again),
            Parallel(batch_size=1, pre_dispatch="all") as parallel,
        ):
            while these := list(islice(packed, AHEAD * workers)):
                yield from parallel(delayed(work)(one) for one in these)

    def close(self) -> None:
        """Leave."""
        if self._joined:
            _imported("ray", "ray").shutdown()
            self._joined = False


def cluster_of(settings: RunSettings) -> Cluster | None:
    """The cluster that `[run]` asks for; None for this machine's own processes."""
    if settings.engine == "local":
        return None
    return Dask(settings.address) if settings.engine == "dask" else Ray(settings.address)


def _imported(module: str, extra: str) -> Any:
    try:
        return importlib.import_module(module)
    except ImportError:
        words = f'[run] engine = "{extra}" needs the extra {extra}: pip install "catchpot[{extra}]"'
        raise EngineRefusedError(words) from None


def _unreached(name: str, address: str, error: BaseException) -> str:
    why = str(error).splitlines()[0] if str(error) else type(error).__name__
    return f"no {name} cluster with a process answers at {address} ([run] address): {why}"


__all__ = ["Cluster", "Dask", "EngineRefusedError", "Ray", "cluster_of"]
