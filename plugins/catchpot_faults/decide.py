"""From evidence to findings: prior odds and costs are settings, chances come out of them, nothing else decides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from catchpot_faults.chances import as_found
from catchpot_faults.hypothesis import Evidence, Kind, Look

CATCH_ALL = "unusual_shape"
MOST = 3
"""Faults of one shot that are looked for: a third one is seldom more than what the first two do to the log."""


@dataclass(frozen=True)
class Odds:
    """Settings of the decision. one_in: of each kind, over the kind's own. miss_over_alarm: what a missed fault costs
    beside a false alarm."""

    one_in: Mapping[str, float] = field(default_factory=dict)
    miss_over_alarm: float = 1.0

    def log_against(self, kind: Kind) -> float:
        """Log of the odds against a kind before anything was seen."""
        return float(np.log(self.one_in.get(kind.name, kind.one_in) - 1.0))

    @property
    def least_chance(self) -> float:
        """Chance from which a fault is named."""
        return 1.0 / (1.0 + self.miss_over_alarm)

    @property
    def least_log(self) -> float:
        """Log odds below which a kind is not looked at; two that share one cause may be likely only together."""
        return float(-np.log(self.miss_over_alarm)) - 1.0


@dataclass(frozen=True)
class Verdict:
    """A kind named for a shot: with which chance, seen in which look, and what came next."""

    kind: str
    chance: float
    look: Look
    at: int
    evidence: Evidence
    runner_up: tuple[str, float]


def decide(
    look: Look, j: int, kinds: Mapping[str, Kind], evidence: Mapping[str, Evidence], odds: Odds,
    before: Mapping[str, int],
) -> list[Verdict]:  # fmt: skip
    """What is named of shot j. Kinds that speak of the same channel compete; two at once are tried.

    A first fault is taken off the curve, then the others are weighed anew on what is left. before: how many shots
    lately have each kind.
    """
    left = dict(kinds)
    log = {k: float(e.total[j]) - odds.log_against(kinds[k]) for k, e in evidence.items()}
    named: list[Verdict] = []
    now, at, look_now = evidence, j, look
    for _ in range(MOST):
        best = _first(left, log, kinds, odds, now, before) or max(left, key=lambda k: log[k], default=None)
        if best is None or log[best] < odds.least_log:
            break
        chance, runner_up = _chance(best, left, log, kinds, before)
        if chance < odds.least_chance:
            # two explanations of one thing may be likely only together: the likelier one is named
            together = chance + runner_up[1] if runner_up[0] != "healthy" else chance
            if together < odds.least_chance:
                break
        named.append(Verdict(best, chance, look_now, at, now[best], runner_up))
        shared = kinds[best].channels
        spoilt, deformation = kinds[best].spoils, now[best].deformation
        # what is left of the curve has a name now: no longer unusual
        left = {k: v for k, v in left.items() if not v.channels & spoilt and (deformation is None or k != CATCH_ALL)}
        left.pop(best, None)
        if deformation is None:
            left = {k: v for k, v in left.items() if not v.channels & shared}
            continue
        left = {k: v for k, v in left.items() if not v.channels & (shared - {"curve"})}
        # what the first one leaves of the curve is weighed anew
        look_now, at = look_now.one(at, deformation[at]), 0
        now = {k: v.evidence(look_now) for k, v in left.items()}
        log = {k: float(e.total[0]) - odds.log_against(kinds[k]) for k, e in now.items()}
    return named


def _first(left: Mapping[str, Kind], log: Mapping[str, float], kinds: Mapping[str, Kind], odds: Odds,
           now: Mapping[str, Evidence], before: Mapping[str, int]) -> str | None:  # fmt: skip
    """A kind that spoils channels and is likely by its own: what others say of those channels is then worth nothing.

    After those one that deforms the curve, on which others' readings rest.
    """
    likely = [k for k in left if _chance(k, left, log, kinds, before)[0] >= odds.least_chance]
    spoilers = [k for k in likely if left[k].spoils and now[k].deformation is None]
    benders = [k for k in likely if now[k].deformation is not None]
    return max(spoilers or benders, key=lambda k: log[k], default=None)


def _chance(best: str, left: Mapping[str, Kind], log: Mapping[str, float],
            kinds: Mapping[str, Kind], before: Mapping[str, int]) -> tuple[float, tuple[str, float]]:  # fmt: skip
    """Chance of the likeliest kind among healthy and those that speak of its channels, as such chances turn out, and
    the runner-up's."""
    rivals = {k: log[k] for k in left if kinds[k].channels & kinds[best].channels} | {"healthy": 0.0}
    top = max(rivals.values())
    weight = {k: float(np.exp(v - top)) for k, v in rivals.items()}
    total = sum(weight.values())
    share = {k: v / total for k, v in weight.items()}
    chance = as_found(best, share[best], before.get(best, 0))
    # what such findings are less sure than said is for nothing wrong
    share["healthy"] += share[best] - chance
    second = max((k for k in share if k != best), key=lambda k: share[k])
    return chance, (second, share[second])


__all__ = ["Odds", "Verdict", "decide"]
