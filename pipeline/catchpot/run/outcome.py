"""What came of a run of the analyses, as numbers and as sentences."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

# What differs between failures of one kind: numbers, quoted words, names with digits in them.
_VARYING = re.compile(r"'[^']*'|\S*\d\S*")
_NOUNS = {"shot": ("shot", "shots"), "mould": ("mould", "moulds"), "workshop": ("workshop", "workshops")}


@dataclass
class StepOutcome:
    """One analysis. computed: parts computed (of a dry run: that would be); refused: of these, wholly refused.

    added: of those computed, moulds whose later shots were added to what was kept. rows_read: for all of them. seconds:
    in all, of which reading, computing and writing took read_s, compute_s and write_s.
    why: reason -> parts. failed: parts that raised. removed: parts that are gone. errors: one sentence a failure.
    """

    analysis: str
    plugin: str
    part: str
    computed: int = 0
    unchanged: int = 0
    refused: int = 0
    failed: int = 0
    removed: int = 0
    seconds: float = 0.0
    added: int = 0
    rows_read: int = 0
    read_s: float = 0.0
    compute_s: float = 0.0
    write_s: float = 0.0
    why: Counter[str] = field(default_factory=Counter)
    errors: list[str] = field(default_factory=list)

    def count(self, n: int) -> str:
        """A number of this analysis's parts, in words."""
        return f"{n} {_NOUNS[self.part][n != 1]}"


class Failures:
    """What failed of one analysis, failures of one kind together."""

    def __init__(self) -> None:
        self._kinds: dict[str, list[tuple[str, str]]] = {}
        self._not_tried: Counter[str] = Counter()

    def add(self, units: Sequence[str], text: str, *, tried: bool = True) -> None:
        """Take parts that failed. text: why, in a line. tried: not where it was left alone after failures before."""
        kind = _VARYING.sub("#", text)
        self._kinds.setdefault(kind, []).extend((u, text) for u in units)
        self._not_tried[kind] += 0 if tried else len(units)

    def sentences(self, of: StepOutcome) -> list[str]:
        """One sentence for each kind of failure, with the parts concerned."""
        said = []
        for kind, pairs in self._kinds.items():
            units = [u for u, _ in pairs]
            named = units[0] if len(units) == 1 else f"{len(units)} {of.part}s ({', '.join(units[:3])}"
            if len(units) > 1:
                named += f" and {len(units) - 3} more)" if len(units) > 3 else ")"
            if self._not_tried[kind]:
                named += f", {self._not_tried[kind]} of them not tried after that"
            said.append(f"analysis {of.analysis} of plugin {of.plugin} failed on {named}: {pairs[0][1]}")
        return said


@dataclass
class AnalyseOutcome:
    """A run of the analyses.

    problems: analyses that could not take part. as_of: the newest datum, None for an empty store. away: analyses that
    are not in use now and whose results are kept; superseded: those whose tables others have taken over, and are gone.
    write_s: seconds in which what the last analyses gave was written together.
    """

    dry_run: bool
    steps: list[StepOutcome] = field(default_factory=list)
    problems: Sequence[str] = ()
    as_of: datetime | None = None
    away: Sequence[str] = ()
    superseded: Sequence[str] = ()
    write_s: float = 0.0

    def timings(self) -> list[str]:
        """A line an analysis that computed something: parts, rows read, and where the seconds went; the longest first.

        Results of small parts are written together: what that took stands in a line of its own.
        """
        worked = sorted((s for s in self.steps if s.computed or s.failed), key=lambda s: -s.seconds)
        lines = [
            f"{s.analysis}: {s.count(s.computed + s.failed)}"
            + (f" ({s.added} added to)" if s.added else "")
            + f", {s.rows_read} rows read, {s.seconds:.2f} s (reading {s.read_s:.2f}, computing {s.compute_s:.2f},"
            + f" writing {s.write_s:.2f})"
            for s in worked
        ]
        return [*lines, f"writing what was left: {self.write_s:.2f} s"] if worked else []

    def as_dict(self) -> dict[str, Any]:
        """All of it, for JSON."""
        return {
            "dry_run": self.dry_run,
            "as_of": self.as_of,
            "analyses": [
                {
                    "analysis": s.analysis,
                    "plugin": s.plugin,
                    "part": s.part,
                    "computed": s.computed,
                    "unchanged": s.unchanged,
                    "refused": s.refused,
                    "failed": s.failed,
                    "removed": s.removed,
                    "seconds": round(s.seconds, 3),
                    "added_to": s.added,
                    "rows_read": s.rows_read,
                    "read_s": round(s.read_s, 3),
                    "compute_s": round(s.compute_s, 3),
                    "write_s": round(s.write_s, 3),
                    "why": dict(s.why),
                    "errors": s.errors,
                }
                for s in self.steps
            ],
            "problems": list(self.problems),
            "not_recomputed": list(self.away),
            "superseded": list(self.superseded),
        }

    def sentences(self) -> list[str]:
        """A line an analysis that had something to do, and one for all that had not."""
        lines = []
        idle = []
        for s in self.steps:
            if not (s.computed or s.failed or s.removed):
                idle.append(s.analysis)
                continue
            reasons = ", ".join(f"{n} {w}" if len(s.why) > 1 else w for w, n in sorted(s.why.items()))
            verb = "would be computed" if self.dry_run else "computed"
            done = [f"{s.count(s.computed)} {verb}" + (f" ({reasons})" if reasons else "")] if s.computed else []
            more = [
                f"{n} {word}"
                for n, word in ((s.refused, "refused with a reason"), (s.failed, "failed"), (s.removed, "removed"))
                if n
            ]
            if s.unchanged:
                more.append(f"{s.unchanged} unchanged")
            time = "" if self.dry_run else f" in {s.seconds:.1f} s"
            lines.append(f"{s.analysis}: {', '.join([*done, *more])}{time}")
        if idle:
            lines.append(f"inputs unchanged, nothing to compute: {', '.join(idle)}")
        if self.superseded:
            lines.append(f"taken over by others, so taken out: {', '.join(self.superseded)}")
        if self.away:
            lines.append(
                f"not in use now, results kept as they were and not recomputed: {', '.join(self.away)} "
                "(catchpot plugins forget NAME takes them out)"
            )
        return lines

    def complaints(self) -> list[str]:
        """What failed; empty where all went well."""
        hint = "; `catchpot failures {}` shows where"
        return [*self.problems, *(e + hint.format(s.analysis) for s in self.steps for e in s.errors)]
