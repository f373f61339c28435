"""Runs the analyses that are stale, in order, and stores what they say."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.core_tables import EVENT, PART, REFUSAL
from catchpot.run import deliver, job, staleness
from catchpot.run.graph import Plan, Step, plan
from catchpot.run.outcome import AnalyseOutcome, StepOutcome
from catchpot.run.staleness import FAILED, Inputs
from catchpot.store import Store
from catchpot.store.ledger import SCHEMA as LEDGER
from catchpot.tables import Table, empty

if TYPE_CHECKING:
    from catchpot.analysis import Job, Result
    from catchpot.plugins import Registry
    from catchpot.workshop import Workshop

BATCH = 500
# A shot that fails alone says something about the shot; so many in a row, and none well, about the analysis.
GIVE_UP_AFTER = 25
# Results of small parts are written together, for a transaction costs more than computing one.
FLUSH_AFTER_S = 2.0

Progress = Callable[[str, int, int], None]


def make_plan(registry: Registry) -> Plan:
    """The plan of all registered analyses."""
    return plan([(p.name, a) for p in registry.plugins for a in p.analyses])


def settings_of(workshop: Workshop, step: Step) -> Any:
    """The analysis's params, from `[analyses.NAME]`."""
    return step.analysis.params.model_validate(workshop.settings.analyses.get(step.name, {}))


def analyse(
    workshop: Workshop,
    registry: Registry,
    *,
    dry_run: bool = False,
    only: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> AnalyseOutcome:
    """Compute what is stale.

    only: just these analyses and what they need. dry_run: say what would run and why, and change nothing.
    WorkshopError where an analysis's settings are wrong; an unknown name in `only` is a WorkshopError too. An analysis
    that fails keeps its traceback in the ledger, and the rest goes on.
    """
    the_plan = make_plan(registry)
    _check_settings(workshop, registry)
    wanted = _wanted(the_plan, only)
    store = Store(workshop.store_path, list(the_plan.declared.values()))
    with store.reading() as r:
        shots = r.table("shot")
        ledger = _Ledger(r.ledger())
        mirrored = r.table("event").equals(workshop.events) and r.table("part").equals(workshop.parts)
        there = {n: t for n, t in r.tables().items() if n not in the_plan.declared}
        settled = mirrored and r.stored(_derived(the_plan))
    problems = [str(p) for p in the_plan.problems if only is None or p.analysis in only]
    outcome = AnalyseOutcome(dry_run, problems=problems, as_of=_newest(shots))
    gone = sorted(ledger.analyses() - {s.name for s in the_plan.steps}) if only is None else []
    outcome.forgotten = gone
    if not dry_run and (gone or (there and only is None) or not settled) and (shots.height or store.path.exists()):
        with store.writing() as w:
            for name in gone:
                w.forget(name)
            if only is None:
                w.drop(list(there))
            w.mirror(EVENT, workshop.events)
            w.mirror(PART, workshop.parts)
            w.ensure(_derived(the_plan))
    inputs = staleness.read_inputs(shots, workshop, registry)
    for step in the_plan.steps:
        run = _Run(step, workshop, store, the_plan, inputs, ledger, progress)
        # A step that wasn't asked for keeps the keys it has: what reads it sees the rows that are there.
        outcome_of = run.all(dry_run) if step.name in wanted else run.skip()
        if outcome_of is not None:
            outcome.steps.append(outcome_of)
    return outcome


def _derived(the_plan: Plan) -> list[Table]:
    return [REFUSAL, EVENT, PART, *dict.fromkeys(t for s in the_plan.steps for t in s.analysis.yields)]


def _newest(shots: pl.DataFrame) -> datetime | None:
    newest = shots["started_at"].max()
    return newest if isinstance(newest, datetime) else None


def _check_settings(workshop: Workshop, registry: Registry) -> None:
    from catchpot.workshop import WorkshopError

    problems = registry.check_settings(workshop.home)
    if registry.broken or registry.disabled or registry.untrusted:
        # Settings of an analysis whose plugin is away are no mistake of the user's.
        known = {a.name for a in registry.analyses}
        problems = [p for p in problems if p.key.split(".")[1:2] and p.key.split(".")[1] in known]
    errors = [p for p in problems if getattr(p, "severity", "error") == "error"]
    if errors:
        raise WorkshopError(errors)


def _wanted(the_plan: Plan, only: Sequence[str] | None) -> set[str]:
    from catchpot.workshop import Problem, WorkshopError

    if only is None:
        return {s.name for s in the_plan.steps}
    left_out = {p.analysis for p in the_plan.problems}
    try:
        return the_plan.with_parents([n for n in only if n not in left_out])
    except KeyError as error:
        raise WorkshopError([Problem("command line", 0, "analyse", str(error.args[0]))]) from None


class _Ledger:
    """What the ledger said when the run began."""

    def __init__(self, rows: pl.DataFrame) -> None:
        self.rows: dict[str, dict[str, tuple[str, str]]] = {}
        for analysis, part, key, status in rows.select("analysis", "part", "key", "status").iter_rows():
            self.rows.setdefault(analysis, {})[part] = (key, status)

    def analyses(self) -> set[str]:
        return set(self.rows)


class _Run:
    """One step of a run."""

    def __init__(
        self,
        step: Step,
        workshop: Workshop,
        store: Store,
        the_plan: Plan,
        inputs: Inputs,
        ledger: _Ledger,
        progress: Progress | None,
    ) -> None:
        self.step, self.workshop, self.store, self.inputs = step, workshop, store, inputs
        self.declared = the_plan.declared
        self.before = ledger.rows.get(step.name, {})
        self.progress = progress
        self.params = settings_of(workshop, step)
        self.outcome = StepOutcome(step.name, step.plugin, step.analysis.part)
        self.statuses = {part: status for part, (_, status) in self.before.items()}
        self.done = 0
        self.total = 0
        self.well = False
        self.in_a_row = 0
        self.last_failure = ""
        self.pending: list[tuple[Sequence[str], Mapping[Table, pl.DataFrame], pl.DataFrame, pl.DataFrame]] = []
        self.flushed = time.monotonic()

    def skip(self) -> StepOutcome | None:
        """Take the keys the ledger has, computing nothing."""
        self.inputs.keys[self.step.name] = {p: k for p, (k, _) in self.before.items()}
        self.inputs.statuses[self.step.name] = self.statuses
        return None

    def all(self, dry_run: bool) -> StepOutcome:
        """Compute every stale part and take out those that are gone."""
        began = time.perf_counter()
        name = self.step.name
        keys = staleness.key_all(self.inputs, self.step, self.params)
        self.inputs.keys[name] = keys
        self.inputs.statuses[name] = self.statuses
        stale = []
        for part, key in keys.items():
            before, status = self.before.get(part, (None, ""))
            why = staleness.why(before, key) or ("failed before" if status == FAILED else "")
            if why:
                stale.append(part)
                self.outcome.why[why] += 1
        gone = [p for p in self.before if p not in keys]
        self.outcome.unchanged = len(keys) - len(stale)
        self.outcome.removed = len(gone)
        self.total = len(stale)
        if dry_run:
            self.outcome.computed = len(stale)
            return self.outcome
        if gone:
            with self.store.writing() as w:
                w.clear_results(name, self.step.analysis.part, self.step.analysis.yields, gone)
            for p in gone:
                self.statuses.pop(p, None)
        size = BATCH if self.step.analysis.part == "shot" else 1
        for i in range(0, len(stale), size):
            self._compute(stale[i : i + size], keys)
        self._flush()
        self.outcome.seconds = time.perf_counter() - began
        return self.outcome

    def _compute(self, units: Sequence[str], keys: Mapping[str, str]) -> None:
        """Compute units; where that raises, halves of them, until what is bad stands alone."""
        if not self.well and self.in_a_row >= GIVE_UP_AFTER:
            words = f"not tried, since the first {self.in_a_row} all failed; the last: {self.last_failure}"
            self._failed(units, keys, words, 0.0)
            return
        began = time.perf_counter()
        try:
            # Too much memory for so many is a reason to halve them like any other.
            the_job, result, frames = self._once(units)
        except Exception as error:
            if len(units) > 1:
                half = len(units) // 2
                self._compute(units[:half], keys)
                self._compute(units[half:], keys)
                return
            self.in_a_row += 1
            self.last_failure = f"{type(error).__name__}: {error}"
            self._failed(units, keys, traceback.format_exc(), time.perf_counter() - began, self.last_failure)
            return
        self.well = True
        whole = deliver.refused_whole(self.step.analysis, result)
        each = (time.perf_counter() - began) / len(units)
        rows = [
            (self.step.name, u, keys[u], "refused" if u in whole else "done", whole.get(u, ""), each) for u in units
        ]
        self.outcome.computed += len(units)
        self.outcome.refused += sum(u in whole for u in units)
        self._keep(units, frames, deliver.refusals(self.step.analysis, the_job, result), rows)

    def _once(self, units: Sequence[str]) -> tuple[Job, Result, Mapping[Table, pl.DataFrame]]:
        with self.store.reading() as r:
            the_job = job.build(r, self.step, units, self.declared, self.workshop.book, self.params)
        result = self.step.analysis.compute(the_job)
        return the_job, result, deliver.check(self.step.analysis, self.step.plugin, the_job, result)

    def _failed(
        self, units: Sequence[str], keys: Mapping[str, str], told: str, seconds: float, short: str | None = None
    ) -> None:
        rows = [(self.step.name, u, keys[u], FAILED, told, seconds) for u in units]
        self.outcome.failed += len(units)
        named = units[0] if len(units) == 1 else f"{units[0]} and {len(units) - 1} more"
        self.outcome.errors.append(
            f"analysis {self.step.name} of plugin {self.step.plugin} failed on {named}: {short or told}"
        )
        self._keep(units, {t: empty(t) for t in self.step.analysis.yields}, deliver.no_refusals(), rows)

    def _keep(
        self,
        units: Sequence[str],
        frames: Mapping[Table, pl.DataFrame],
        refused: pl.DataFrame,
        rows: Sequence[tuple[Any, ...]],
    ) -> None:
        for _, unit, _, status, _, _ in rows:
            self.statuses[unit] = status
        self.pending.append((units, frames, refused, pl.DataFrame(rows, schema=LEDGER, orient="row")))
        self.done += len(units)
        if self.progress is not None:
            self.progress(self.step.name, self.done, self.total)
        if self.step.analysis.part == "shot" or time.monotonic() - self.flushed > FLUSH_AFTER_S:
            self._flush()

    def _flush(self) -> None:
        """Write what is pending: rows, refusals and ledger in one transaction."""
        if not self.pending:
            return
        units = [u for us, _, _, _ in self.pending for u in us]
        frames = {t: pl.concat([f[t] for _, f, _, _ in self.pending]) for t in self.step.analysis.yields}
        refused = pl.concat([r for _, _, r, _ in self.pending])
        rows = pl.concat([r for _, _, _, r in self.pending])
        with self.store.writing() as w:
            w.put_results(self.step.name, self.step.analysis.part, units, frames, refused)
            w.put_ledger(rows)
        self.pending = []
        self.flushed = time.monotonic()
