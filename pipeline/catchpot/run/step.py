"""One analysis of a run: which of its parts are stale, and what came of it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.run import staleness
from catchpot.run.computing import BATCH, Computing, Progress
from catchpot.run.engine import Engine
from catchpot.run.graph import Plan, Step
from catchpot.run.outcome import StepOutcome
from catchpot.run.pending import Pending
from catchpot.run.staleness import FAILED, Inputs
from catchpot.store.ledger import TIMING

if TYPE_CHECKING:
    from catchpot.plugins import Registry
    from catchpot.store.ledger import Groups
    from catchpot.store.reading import Reading
    from catchpot.workshop import Workshop


class Past:
    """What the ledger said when the run began."""

    def __init__(self, r: Reading) -> None:
        self.costs = r.ledger_costs()
        self.counts = {name: parts for name, (parts, _) in self.costs.items()}
        self.groups: dict[str, Groups] = r.ledger_groups()


class StepRun(Computing):
    """One step of a run."""

    def __init__(
        self,
        step: Step,
        params: Any,
        workshop: Workshop,
        pending: Pending,
        the_plan: Plan,
        inputs: Inputs,
        past: Past,
        progress: Progress | None,
        registry: Registry,
        engine: Engine,
    ) -> None:
        super().__init__(step, params, workshop, pending, the_plan, inputs, past.costs, progress, registry, engine)
        self.groups_before = past.groups.get(step.name, {})
        self.before: dict[str, tuple[str, str]] = {}
        self.known.content = {g: k for g, (k, _) in self.groups_before.items() if g.startswith(staleness.CONTENT)}

    def skip(self) -> None:
        """Take the keys the ledger has, computing nothing."""
        rows = self._ledger_of(None)
        self.known.stored = {p: k for p, (k, _) in rows.items()}
        self.known.failed = {p for p, (_, status) in rows.items() if status == FAILED}
        self.inputs.known[self.step.name] = self.known
        for group in self.inputs.groups(self.step):
            stored = self.groups_before.get(group)
            parts = self.inputs.parts(self.step, group)
            self.known.of_group[group] = (
                stored[0] if stored else staleness.digest(*(f"{p} {rows[p]}" for p in parts if p in rows))
            )

    def all(self, dry_run: bool) -> StepOutcome:
        """Compute every stale part and take out those that are gone."""
        began = time.perf_counter()
        self.inputs.known[self.step.name] = self.known
        open_groups = []
        found = 0
        for group in self.inputs.groups(self.step):
            key = self.known.of_group[group] = self.keys_of.of_group(group)
            if (self.groups_before.get(group) or ("", 0))[0] == key:
                found += self.groups_before[group][1]
                self.outcome.unchanged += self.groups_before[group][1]
            else:
                open_groups.append(group)
        stale = self._stale(open_groups)
        gone = self._gone(found, dry_run)
        self.outcome.removed = len(gone)
        self.total = len(stale)
        if dry_run:
            self.outcome.computed = len(stale)
            self._mark_failed(open_groups)
            return self.outcome
        if gone:
            self.pending.flush()
            with self.pending.store.writing() as w:
                w.clear_results(self.step.name, self.step.analysis.part, self.step.analysis.yields, gone)
                w.put_kept(self.step.name, dict.fromkeys(gone))
        self.carried.read(self.pending.stored, stale)
        size = BATCH if self.step.analysis.part == "shot" else 1
        self.compute_all([stale[i : i + size] for i in range(0, len(stale), size)])
        self._settle(open_groups)
        self.outcome.errors = self.failures.sentences(self.outcome)
        self.outcome.seconds = time.perf_counter() - began
        if stale:
            self.pending.timing(self._timing())
        return self.outcome

    def _ledger_of(self, parts: Sequence[str] | None) -> dict[str, tuple[str, str]]:
        if not self.count_before:
            return {}
        return self.pending.stored().ledger_of(self.step.name, parts)

    def _stale(self, groups: Sequence[str]) -> list[str]:
        """The parts of these groups that are to be computed, with the reason of each in the outcome."""
        parts = [p for g in groups for p in self.inputs.parts(self.step, g)]
        if not parts:
            return []
        self.before = self._ledger_of(parts if len(parts) < self.count_before // 2 else None)
        stale = []
        for group in groups:
            keys = self.keys_of.of_parts(group)
            self.known.made[group] = keys
            self.keys |= keys
            for part, key in keys.items():
                before, status = self.before.get(part, (None, ""))
                if status == FAILED:
                    self.known.failed.add(part)
                why = staleness.why(before, key) or ("failed before" if status == FAILED else "")
                if why:
                    stale.append(part)
                    self.outcome.why[why] += 1
        self.outcome.unchanged += len(self.keys) - len(stale)
        # in the order of all parts, whatever group they are of
        return sorted(stale) if self.step.analysis.part == "shot" else stale

    def _gone(self, found: int, dry_run: bool) -> list[str]:
        """Parts that have rows and are no more."""
        found += sum(p in self.before for p in self.keys)
        if found == self.count_before:
            return []
        now = {p for g in self.inputs.groups(self.step) for p in self.inputs.parts(self.step, g)}
        gone = [p for p in self._ledger_of(None) if p not in now]
        if not dry_run:
            for group in set(self.groups_before) - set(self.known.of_group) - set(self.known.content):
                self.pending.group(self.step.name, group, None)
        return gone

    def _mark_failed(self, groups: Sequence[str]) -> None:
        """Tell a group with failures apart: what reads it must see when they are mended."""
        for group in groups:
            failed = [p for p in self.inputs.parts(self.step, group) if p in self.known.failed]
            if failed:
                self.known.of_group[group] += "!" + staleness.digest(*failed)

    def _settle(self, groups: Sequence[str]) -> None:
        self._mark_failed(groups)
        for group in groups:
            parts = self.inputs.parts(self.step, group)
            key = self.known.of_group[group]
            self.pending.group(self.step.name, group, None if "!" in key else (key, len(parts)))

    def _timing(self) -> pl.DataFrame:
        o = self.outcome
        row = (o.analysis, o.computed + o.failed, o.added, o.rows_read, o.seconds, o.read_s, o.compute_s, o.write_s)
        return pl.DataFrame([row], schema=TIMING, orient="row")

    def stopped(self) -> StepOutcome:
        """What was done when someone stopped the run; it is stored."""
        self.pending.flush()
        self.outcome.errors = self.failures.sentences(self.outcome)
        return self.outcome


__all__ = ["Past", "StepRun"]
