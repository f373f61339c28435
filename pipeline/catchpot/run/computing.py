"""Computing batches of an analysis's parts: here, in a process of its own, or by an engine; what fails, and what came
of it."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.analysis import narrowed
from catchpot.errors import MOST_TRACE, error_words, shortened
from catchpot.run import deliver, job
from catchpot.run.carried import Carried
from catchpot.run.clusters import EngineRefusedError
from catchpot.run.content import contents
from catchpot.run.engine import Engine
from catchpot.run.graph import Plan, Step
from catchpot.run.guard import OverTime, Worker, limited, own_line
from catchpot.run.outcome import Failures, StepOutcome
from catchpot.run.pending import Done, Pending
from catchpot.run.staleness import FAILED, Inputs, Keys, Known
from catchpot.store.ledger import SCHEMA as LEDGER
from catchpot.tables import Table, empty

if TYPE_CHECKING:
    from catchpot.analysis import Job, Result
    from catchpot.plugins import Registry
    from catchpot.store.kept import State
    from catchpot.store.results import Later
    from catchpot.workshop import Workshop

BATCH = 250
# A shot that fails alone says something about the shot; so many in a row, and none well, about the analysis. An end of
# its process costs some seconds each time.
GIVE_UP_AFTER = 25
GIVE_UP_AFTER_ENDS = 3
# So often an engine is asked again after it broke off.
MOST_BREAKS = 3
# Work that is known to take less does not close the store that it read.
HELD_S = 0.5

Progress = Callable[[str, int, int], None]


def _short(error: BaseException) -> str:
    """An error in a line."""
    words = error_words(error)
    return f"it called for the program's end ({words})" if isinstance(error, SystemExit) else words


class Computing:
    """Computes parts of one analysis. costs: parts that each analysis has in the ledger, and seconds of each."""

    def __init__(
        self,
        step: Step,
        params: Any,
        workshop: Workshop,
        pending: Pending,
        the_plan: Plan,
        inputs: Inputs,
        costs: Mapping[str, tuple[int, float]],
        progress: Progress | None,
        registry: Registry,
        engine: Engine,
    ) -> None:
        self.step, self.workshop, self.pending, self.inputs = step, workshop, pending, inputs
        self.declared = the_plan.declared
        self.count_before, self.seconds_each = costs.get(step.name, (0, 0.0))
        self.progress = progress
        self.params = params
        self.keys_of = Keys(inputs, step, params)
        self.known = Known(step, self.keys_of)
        self.outcome = StepOutcome(step.name, step.plugin, step.analysis.part)
        self.keys: dict[str, str] = {}
        self.done = 0
        self.total = 0
        self.well = False
        self.in_a_row = 0
        self.ends_in_a_row = 0
        self.last_failure = ""
        self.over_time = False
        self.takes_long = True
        self.failures = Failures()
        self.limit_s = workshop.settings.plugins.time_limit_s
        plugin = registry.plugin_of(step.name)
        self.module = plugin.module
        self.worker = registry.worker if plugin.outside else None
        # a plugin of others that is a file lies in this workshop only; a package is installed where the cluster is
        apart = self.worker is not None and (engine.cluster is None or bool(plugin.file_digest))
        self.engine = Engine(0) if apart else engine
        self.registry, self.outside = registry, self.worker is not None
        self.carried = Carried(step, inputs, self.keys_of)
        # what others get only some rows of
        given = [t.name for t in step.analysis.yields] if step.analysis.part == "workshop" else []
        readers = {t: [s for s in the_plan.steps if t in narrowed(s.analysis) and t in s.reads] for t in given}
        self.narrowed = {t: steps for t, steps in readers.items() if steps}

    def compute_all(self, batches: Sequence[Sequence[str]]) -> None:
        """Compute batches, in other processes where that pays and nothing was kept; what fails there fails here."""
        left = list(batches)
        shots = sum(len(self.inputs.eligible.get(u, ())) or 1 for units in batches for u in units)
        # what a part took that was only added to says nothing of the whole
        known = self.count_before and self.carried.kind != "added"
        before = self.seconds_each * sum(len(units) for units in batches)
        expected = before if known else None
        self.takes_long = self.worker is not None or not self.count_before or before > HELD_S
        breaks = 0
        while breaks < MOST_BREAKS and not self.carried and self.engine.pays(len(left), shots, expected):
            self.takes_long = True  # jobs are asked for while results are written
            try:
                done = self.engine.computed(self.step.analysis, list(left), self._job, self.limit_s)
                for units, the_job, result, seconds in done:
                    left.pop(0)
                    self.outcome.compute_s += seconds
                    if the_job is None or result is None or not self._taken(units, the_job, result, seconds):
                        self._compute(units)
            except (KeyboardInterrupt, EngineRefusedError):
                raise
            except OSError:  # no process can be started or reached: what is left is computed here
                break
            except Exception:
                # A process was lost once too often. What the analysis does to processes it must not do to this one:
                # what was on its way is computed in a process of its own, the rest is sent again.
                breaks += 1
                self.worker = self.worker or self._own_process()
                many = self.engine.workers
                on_its_way, left = left[:many], left[many:]
                for units in on_its_way:
                    self._compute(units)
        for units in left:
            self._compute(units)

    def _own_process(self) -> Worker:
        limit = self.workshop.settings.plugins.memory_limit_mb
        return self.registry.worker or Worker(self.workshop.home, limit)

    def _job(self, units: Sequence[str]) -> Job | None:
        """The job of a batch for another process; None where it can't be made, which is told when it is made here."""
        try:
            return self._built(units)
        except Exception:
            return None

    def _built(self, units: Sequence[str]) -> Job:
        began = time.perf_counter()
        kept = self.carried.of(units)
        with self.pending.lock:
            reads = self.pending.reading()
            made = job.build(reads, self.step, units, self.declared, self.workshop.book, self.params, kept=kept)
            if self.takes_long:
                self.pending.let_go()
        self.outcome.read_s += time.perf_counter() - began
        self.outcome.rows_read += sum(f.height for f in made.tables.values())
        return made

    def _taken(self, units: Sequence[str], the_job: Job, result: Result, seconds: float) -> bool:
        """Take what another process computed; False where it is not what was promised."""
        try:
            frames = deliver.check(self.step.analysis, self.step.plugin, the_job, result)
            self._reasoned(result, frames)
        except deliver.DeliveryError:
            return False
        self._take(units, the_job, result, frames, seconds)
        return True

    def _compute(self, units: Sequence[str]) -> None:
        """Compute units; where that raises, halves of them, until what is bad stands alone."""
        if self.over_time:
            words = f"not tried, since it ran over its time before; {self.last_failure}"
            self._failed(units, words, 0.0, self.last_failure, tried=False)
            return
        if not self.well and (self.in_a_row >= GIVE_UP_AFTER or self.ends_in_a_row >= GIVE_UP_AFTER_ENDS):
            words = f"not tried, since the first {self.in_a_row} all failed; the last: {self.last_failure}"
            self._failed(units, words, 0.0, self.last_failure, tried=False)
            return
        began = time.perf_counter()
        try:
            # Too much memory for so many is a reason to halve them like any other.
            the_job, result, frames = self._once(units)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may exit, or panic below Python
            if not isinstance(error, OverTime) and self.carried.dropped(units[0]):
                # What was kept is a help and no input: without it this is a history like any other.
                self._compute(units)
                return
            self.over_time = isinstance(error, OverTime)
            if len(units) > 1 and not self.over_time:
                half = len(units) // 2
                self._compute(units[:half])
                self._compute(units[half:])
                return
            self.in_a_row += 1
            self.ends_in_a_row = self.ends_in_a_row + 1 if getattr(error, "ended", False) else 0
            self.last_failure = _short(error) + own_line(error, self.module)
            trace = shortened(getattr(error, "trace", "") or traceback.format_exc(), MOST_TRACE)
            self._failed(units, trace, time.perf_counter() - began, self.last_failure)
            return
        self._take(units, the_job, result, frames, time.perf_counter() - began)

    def _take(
        self,
        units: Sequence[str],
        the_job: Job,
        result: Result,
        frames: Mapping[Table, pl.DataFrame],
        seconds: float,
    ) -> None:
        """Take results that are as promised."""
        self.well = True
        whole = deliver.refused_whole(self.step.analysis, result)
        each = seconds / len(units)
        rows = [
            (self.step.name, u, self.keys[u], "refused" if u in whole else "done", whole.get(u, ""), each)
            for u in units
        ]
        self.outcome.computed += len(units)
        self.outcome.refused += sum(u in whole for u in units)
        self.known.failed -= set(units)
        self._digest(frames)
        refused = deliver.refusals(self.step.analysis, the_job, result)
        self._keep(units, frames, refused, rows, self.carried.renewed(units, result), self.carried.later(the_job))

    def _once(self, units: Sequence[str]) -> tuple[Job, Result, Mapping[Table, pl.DataFrame]]:
        the_job = self._built(units)
        began = time.perf_counter()
        try:
            if self.worker is not None:
                result = self.worker.ask(self.limit_s, "compute", self.step.name, the_job)
            else:
                with limited(self.limit_s):
                    result = self.step.analysis.compute(the_job)
            frames = deliver.check(self.step.analysis, self.step.plugin, the_job, result)
            self._reasoned(result, frames)
        finally:
            self.outcome.compute_s += time.perf_counter() - began
        return the_job, result, frames

    def _reasoned(self, result: Result, frames: Mapping[Table, pl.DataFrame]) -> None:
        if self.outside:
            deliver.refuse_unreasoned(self.step.analysis, self.step.plugin, result, frames)

    def _digest(self, frames: Mapping[Table, pl.DataFrame]) -> None:
        """Tell apart what a workshop's analysis has given, as others get it."""
        now: dict[str, str] = {}
        for table, frame in frames.items():
            if table.name in self.narrowed:
                now |= contents(table.name, frame, self.narrowed[table.name], self.inputs)
        for group in {*now, *self.known.content} if self.narrowed else ():
            self.pending.group(self.step.name, group, (now[group], 0) if group in now else None)
        self.known.content = now

    def _failed(self, units: Sequence[str], told: str, seconds: float, short: str, *, tried: bool = True) -> None:
        rows = [(self.step.name, u, self.keys[u], FAILED, told, seconds) for u in units]
        self.outcome.failed += len(units)
        self.known.failed |= set(units)
        self.failures.add(units, short, tried=tried)
        none = {t: empty(t) for t in self.step.analysis.yields}
        self._keep(units, none, deliver.no_refusals(), rows, self.carried.nothing_of(units))

    def _keep(
        self,
        units: Sequence[str],
        frames: Mapping[Table, pl.DataFrame],
        refused: pl.DataFrame,
        rows: Sequence[tuple[Any, ...]],
        kept: Mapping[str, State | None],
        later: Mapping[str, Later] | None = None,
    ) -> None:
        ledger = pl.DataFrame(rows, schema=LEDGER, orient="row")
        self.outcome.added += len(later or {})
        done = Done(self.step.name, self.step.analysis.part, units, frames, refused, ledger, kept, later or {})
        self.outcome.write_s += self.pending.add(done)
        self.done += len(units)
        if self.progress is not None:
            self.progress(self.step.name, self.done, self.total)


__all__ = ["BATCH", "Computing", "Progress"]
