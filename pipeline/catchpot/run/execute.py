"""Runs the analyses that are stale, in order, and stores what they say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.core_tables import EVENT, PART, REFUSAL
from catchpot.errors import Stopped
from catchpot.run import staleness
from catchpot.run.clusters import cluster_of
from catchpot.run.computing import Progress
from catchpot.run.engine import Engine
from catchpot.run.graph import Plan, Step, plan
from catchpot.run.outcome import AnalyseOutcome
from catchpot.run.pending import Pending
from catchpot.run.step import Past, StepRun
from catchpot.store import Store
from catchpot.tables import Table

if TYPE_CHECKING:
    from catchpot.plugins import Registry
    from catchpot.workshop import Workshop


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
        past = Past(r)
        # An analysis may be away for a day: an import that failed, a file not yet trusted. What it gave is kept.
        away = sorted(past.counts.keys() - {s.name for s in the_plan.steps})
        owned = {name: r.owned(name) for name in away}
        mirrored = r.table("event").equals(workshop.events) and r.table("part").equals(workshop.parts)
        settled = mirrored and r.stored(_derived(the_plan))
    problems = [str(p) for p in the_plan.problems if only is None or p.analysis in only]
    outcome = AnalyseOutcome(dry_run, problems=problems, as_of=_newest(shots))
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
    pending = Pending(store, {"shot": shots, "event": workshop.events, "part": workshop.parts})
    cluster = cluster_of(workshop.settings.run)
    engine = Engine(workshop.settings.run.workers, cluster)
    try:
        for step in the_plan.steps:
            params = settings_of(workshop, step)
            run = StepRun(step, params, workshop, pending, the_plan, inputs, past, progress, registry, engine)
            # A step that wasn't asked for keeps the keys it has: what reads it sees the rows that are there.
            try:
                if step.name in wanted:
                    outcome.steps.append(run.all(dry_run))
                else:
                    run.skip()
            except KeyboardInterrupt:
                stopped = run.stopped()
                if stopped.computed or stopped.failed or stopped.removed:
                    outcome.steps.append(stopped)
                raise Stopped([*outcome.sentences(), f"stopped in {step.name}; what was computed is stored"]) from None
    finally:
        pending.let_go()
        if cluster is not None:
            cluster.close()
    if not dry_run:
        outcome.write_s = pending.flush()
    return outcome


def away(workshop: Workshop, registry: Registry) -> list[str]:
    """Analyses that have results in the store and can't be computed now."""
    with Store(workshop.store_path).reading() as r:
        names = set(r.ledger_counts())
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

    problems = registry.check_settings()
    if registry.broken or registry.disabled or registry.untrusted:
        # Settings of an analysis whose plugin is away are no mistake of the user's.
        known = {a.name for a in registry.analyses} | {p.name for p in registry.plugins if p.settings is not None}
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
