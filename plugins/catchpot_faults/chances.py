"""From the chance a model gives to how often such a finding is right, by kind.

Models of curves are never quite the moulds': neighbouring cells tell much the same, and a mould that errs does so in
many shots, so that what is named again and again is likelier its habit than a fault. How far that goes was counted on
made-up moulds whose truth is known (`tests/studies/teach_chances.py`): log odds said are lowered and flattened by kind,
never raised (after J. Platt, Probabilistic outputs for support vector machines, 1999).
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

import numpy as np

OTHERS = "*"
"""The row of kinds that have none of their own, as those from outside."""
MOST_SURE = 1e-6
"""Chances nearer to nought or one than this count as this."""
LATELY = 50
"""Shots before in which a kind was named again and again."""

AS_SAID = (0.0, 1.0, 0.0)


def as_found(kind: str, chance: float, before: int = 0) -> float:
    """Share of findings of a kind, said with that chance, that are right. before: shots of the mould lately that had
    the same.

    >>> as_found("race_tracking", 0.9, 4) < as_found("race_tracking", 0.9) < 0.9
    True
    """
    shift, slope, again = _table().get(kind) or _table().get(OTHERS, AS_SAID)
    held = min(max(chance, MOST_SURE), 1.0 - MOST_SURE)
    said = float(np.log(held / (1.0 - held)))
    return min(float(1.0 / (1.0 + np.exp(-(shift + slope * said + again * np.log1p(before))))), held)


def counted(named: Iterable[Iterable[str]]) -> Mapping[str, int]:
    """How many of some shots have each kind. named: kinds by shot."""
    made: dict[str, int] = {}
    for kinds in named:
        for kind in set(kinds):
            made[kind] = made.get(kind, 0) + 1
    return made


@lru_cache(maxsize=1)
def _table() -> dict[str, tuple[float, float, float]]:
    """Shift and slope of the log odds, and what each repetition takes off, by kind, from `chances.csv`."""
    with (Path(__file__).parent / "chances.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {r["kind"]: (float(r["shift"]), float(r["slope"]), float(r["again"])) for r in rows}


__all__ = ["AS_SAID", "LATELY", "MOST_SURE", "OTHERS", "as_found", "counted"]
