"""What an analysis keeps between runs: which of it still holds in this run, and what takes its place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from catchpot.analysis import Kept, keeps
from catchpot.store.results import Later, dated

if TYPE_CHECKING:
    from catchpot.analysis import Job, Result
    from catchpot.run.graph import Step
    from catchpot.run.staleness import Inputs, Keys
    from catchpot.store.kept import State
    from catchpot.store.reading import Reading


class Carried:
    """What is kept of the parts of one analysis. kind: see `Analysis`; "" where nothing is kept."""

    def __init__(self, step: Step, inputs: Inputs, keys: Keys) -> None:
        self.step, self.inputs, self.keys = step, inputs, keys
        self.kind = _kind(step)
        self._states: dict[str, State] = {}

    def read(self, stored: Callable[[], Reading], parts: Sequence[str]) -> None:
        """Take what is stored of these parts."""
        if self.kind and parts:
            self._states = stored().kept(self.step.name, parts)

    def __bool__(self) -> bool:
        """Whether anything was stored of the parts."""
        return bool(self._states)

    def dropped(self, part: str) -> bool:
        """Drop what is kept of a part; whether there was anything."""
        return self._states.pop(part, None) is not None

    def of(self, units: Sequence[str]) -> Kept | None:
        """What was kept of a part, if it still holds."""
        key, shots, state = self._states.get(units[0], ("", 0, b"")) if len(units) == 1 else ("", 0, b"")
        if not key:
            return None
        if self.kind == "worked_out":
            return Kept(shots, state) if key == self.keys.code_and_settings else None
        starts = self.inputs.starts[units[0]]
        # Where two shots began at one moment, what is dated by it can't be cut between them.
        if not 0 < shots < len(starts) or starts[shots - 1] == starts[shots]:
            return None
        return Kept(shots, state) if key == self.keys.of_first(units[0], shots) else None

    def later(self, job: Job) -> dict[str, Later]:
        """Of a mould that was added to: its later shots."""
        if job.kept is None or self.kind != "added":
            return {}
        (mould,), n = job.units, job.kept.shots
        return {mould: Later(self.inputs.eligible[mould][n:], self.inputs.starts[mould][n])}

    def renewed(self, units: Sequence[str], result: Result) -> dict[str, State | None]:
        """What is to be stored of these parts; None for what is to be taken out."""
        if not self.kind:
            return {}
        if result.kept is None:
            return dict.fromkeys(units) if self._states else {}
        unit, shots = units[0], result.kept.shots
        key = self.keys.code_and_settings if self.kind == "worked_out" else self.keys.of_first(unit, shots)
        return {unit: (key, shots, result.kept.state)}

    def nothing_of(self, units: Sequence[str]) -> dict[str, State | None]:
        """Of parts that failed nothing is kept."""
        return dict.fromkeys(units) if self.kind else {}


def _kind(step: Step) -> str:
    """What is kept for an analysis; "" where its tables don't say which rows are a later shot's."""
    kind = keeps(step.analysis)
    if kind == "added" and not (
        step.analysis.part == "mould"
        and step.analysis.causal
        and all("mould" in t.names and ("shot" in t.names or dated(t)) for t in step.analysis.yields)
    ):
        return ""
    return kind if kind == "added" or step.analysis.part != "shot" else ""


__all__ = ["Carried"]
