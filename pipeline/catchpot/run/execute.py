"""Runs the analyses that are stale, in order, and stores what they say."""

from __future__ import annotations

import re
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.core_tables import EVENT, PART, REFUSAL
from catchpot.errors import Stopped
from catchpot.run import deliver, job, staleness
from catchpot.run.graph import Plan, Step, plan
from catchpot.run.guard import Elsewhere, OverTime, Worker, limited, own_line
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
        owned = {name: r.owned(name) for name in ledger.analyses()}
        mirrored = r.table("event").equals(workshop.events) and r.table("part").equals(workshop.parts)
        settled = mirrored and r.stored(_derived(the_plan))
    problems = [str(p) for p in the_plan.problems if only is None or p.analysis in only]
    outcome = AnalyseOutcome(dry_run, problems=problems, as_of=_newest(shots))
    # An analysis may be away for a day: an import that failed, a file not yet trusted. What it gave is kept.
    away = sorted(ledger.analyses() - {s.name for s in the_plan.steps})
    yielded = {t.name for s in the_plan.steps for t in s.analysis.yields}
    outcome.superseded = [name for name in away if owned[name] and set(owned[name]) <= yielded]
    outcome.away = [name for name in away if name not in outcome.superseded]
    if not dry_run and (outcome.superseded or not settled) and (shots.height or store.path.exists()):
        with store.writing() as w:
            for name in outcome.superseded:
                w.forget(name)
            w.mirror(EVENT, workshop.events)
            w.mirror(PART, workshop.parts)
            w.ensure(_derived(the_plan))
    inputs = staleness.read_inputs(shots, workshop, registry)
    limits = workshop.settings.plugins
    worker = Worker(workshop.home, limits.memory_limit_mb, [p.file_digest for p in registry.plugins if p.file_digest])
    try:
        for step in the_plan.steps:
            run = _Run(step, workshop, store, the_plan, inputs, ledger, progress, registry, worker)
            # A step that wasn't asked for keeps the keys it has: what reads it sees the rows that are there.
            try:
                outcome_of = run.all(dry_run) if step.name in wanted else run.skip()
            except KeyboardInterrupt:
                outcome.steps.append(run.stopped())
                raise Stopped([*outcome.sentences(), f"stopped in {step.name}; what was computed is stored"]) from None
            if outcome_of is not None:
                outcome.steps.append(outcome_of)
    finally:
        worker.stop()
    return outcome


def away(workshop: Workshop, registry: Registry) -> list[str]:
    """Analyses that have results in the store and can't be computed now."""
    with Store(workshop.store_path).reading() as r:
        names = set(r.ledger()["analysis"])
    return sorted(names - {s.name for s in make_plan(registry).steps})


def forget_results(workshop: Workshop, registry: Registry, name: str) -> list[str]:
    """Take out what an analysis that is away has given; the names of its tables. WorkshopError where it is in use."""
    from catchpot.workshop import Problem, WorkshopError
    from catchpot.workshop.problems import did_you_mean

    gone = away(workshop, registry)
    if name not in gone:
        in_use = any(a.name == name for a in registry.analyses)
        known = f"; kept are results of {', '.join(gone)}" if gone else "; no results of absent analyses are kept"
        why = "is in use, and would be computed again" if in_use else f"has no results here{did_you_mean(name, gone)}"
        raise WorkshopError([Problem("command line", 0, "plugins forget", f"analysis {name!r} {why}{known}")])
    with Store(workshop.store_path).writing() as w:
        return w.forget_all(name)


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


# What differs between failures of one kind: numbers, quoted words, names with digits in them.
_VARYING = re.compile(r"'[^']*'|\S*\d\S*")


def _short(error: BaseException) -> str:
    """An error in a line."""
    if isinstance(error, Elsewhere | OverTime):
        return str(error)
    if isinstance(error, SystemExit):
        return f"it called for the program's end (SystemExit: {error})"
    return f"{type(error).__name__}: {error}"


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
        registry: Registry,
        worker: Worker,
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
        self.over_time = False
        self.failures: dict[str, list[tuple[str, str]]] = {}
        self.limit_s = workshop.settings.plugins.time_limit_s
        plugin = registry.plugin_of(step.name)
        self.module = plugin.module
        self.worker = worker if plugin.outside else None
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
        self.outcome.errors = self._errors()
        self.outcome.seconds = time.perf_counter() - began
        return self.outcome

    def stopped(self) -> StepOutcome:
        """What was done when someone stopped the run; it is stored."""
        self._flush()
        self.outcome.errors = self._errors()
        return self.outcome

    def _errors(self) -> list[str]:
        """One sentence for each kind of failure, with the parts concerned."""
        said = []
        for pairs in self.failures.values():
            units = [u for u, _ in pairs]
            named = units[0] if len(units) == 1 else f"{len(units)} {self.step.analysis.part}s ({', '.join(units[:3])}"
            if len(units) > 1:
                named += f" and {len(units) - 3} more)" if len(units) > 3 else ")"
            who = f"analysis {self.step.name} of plugin {self.step.plugin}"
            said.append(f"{who} failed on {named}: {pairs[0][1]}")
        return said

    def _compute(self, units: Sequence[str], keys: Mapping[str, str]) -> None:
        """Compute units; where that raises, halves of them, until what is bad stands alone."""
        if self.over_time:
            words = f"not tried, since it ran over its time before; {self.last_failure}"
            self._failed(units, keys, words, 0.0)
            return
        if not self.well and self.in_a_row >= GIVE_UP_AFTER:
            words = f"not tried, since the first {self.in_a_row} all failed; the last: {self.last_failure}"
            self._failed(units, keys, words, 0.0)
            return
        began = time.perf_counter()
        try:
            # Too much memory for so many is a reason to halve them like any other.
            the_job, result, frames = self._once(units)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a plugin may exit, or panic below Python
            self.over_time = isinstance(error, OverTime)
            if len(units) > 1 and not self.over_time:
                half = len(units) // 2
                self._compute(units[:half], keys)
                self._compute(units[half:], keys)
                return
            self.in_a_row += 1
            self.last_failure = _short(error) + own_line(error, self.module)
            trace = getattr(error, "trace", "") or traceback.format_exc()
            self._failed(units, keys, trace, time.perf_counter() - began, self.last_failure)
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
        if self.worker is not None:
            result = self.worker.compute(self.step.name, the_job, self.limit_s)
        else:
            with limited(self.limit_s):
                result = self.step.analysis.compute(the_job)
        frames = deliver.check(self.step.analysis, self.step.plugin, the_job, result)
        if self.worker is not None:
            deliver.refuse_unreasoned(self.step.analysis, self.step.plugin, result, frames)
        return the_job, result, frames

    def _failed(
        self, units: Sequence[str], keys: Mapping[str, str], told: str, seconds: float, short: str | None = None
    ) -> None:
        rows = [(self.step.name, u, keys[u], FAILED, told, seconds) for u in units]
        self.outcome.failed += len(units)
        text = short or told
        self.failures.setdefault(_VARYING.sub("#", text), []).extend((u, text) for u in units)
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
