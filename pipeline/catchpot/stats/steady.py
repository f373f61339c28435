"""Whether a month was steady: single shots against limits from the month itself, and a step or trend within it.

The limits are set for the month's own number of shots, so that a stated share of steady months is called unsteady;
limits at 3 spreads from 20 or 40 shots would call one steady month in ten so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.changepoint import SHOTS, Change, find_changes, limit_at
from catchpot.stats.control import RUN_RULES, individuals_chart, run_rule_hits
from catchpot.stats.laws import Weighed
from catchpot.stats.segments import Least

Floats = NDArray[np.float64]
SEED = 20266
# A month is short: a shorter stretch must do on either side of a step than in a long history.
MONTH = Least(first=12, end=4, within=4, ramp=12)


@dataclass(frozen=True)
class Steadiness:
    """steady, and what spoke against it. hits: phrase -> places (0-based) of the shots that completed the pattern.

    change: a step or trend within the month. lower, upper: control limits in the measure's unit. limit_sd: where they
    stand, in spreads from shot to shot. false_share: share of steady months of as many shots that would be called
    unsteady.
    """

    steady: bool
    hits: dict[str, tuple[int, ...]]
    change: Change | None
    lower: float
    upper: float
    limit_sd: float
    false_share: float


@lru_cache(maxsize=256)
def individuals_limit(n: int, share: float, seed: int = SEED) -> float:
    """How many spreads (moving range) from the mean the limits of n shots must stand for `share` of steady months to
    have a shot beyond; by simulation of 20,000 months, never below 2.5.

    >>> 2.7 < individuals_limit(20, 0.10) < 3.0
    True
    """
    z = np.random.default_rng(seed).standard_normal((20_000, n))
    sd = np.abs(np.diff(z, axis=1)).mean(axis=1) * np.sqrt(np.pi) / 2
    far = np.abs(z - z.mean(axis=1, keepdims=True)).max(axis=1) / sd
    return max(2.5, float(np.quantile(far, 1 - share)))


def change_limit(n: int, share: float) -> float:
    """The penalty of a change at which `share` of steady months of n shots are called, neighbours alike or not.

    >>> change_limit(20, 0.025) < change_limit(20, 0.01)
    True
    """
    # `find_changes` asks more of series beyond 60 shots; here the table knows the length already.
    return limit_at("month", n, share) - 2 * float(np.log(max(n, SHOTS) / SHOTS))


def _rounded(n: int) -> int:
    """The number of shots whose simulated limit is used: to two figures, so that few are simulated."""
    return n if n <= 20 else 5 * round(n / 5) if n < 100 else 20 * round(n / 20)


def judge(
    values: Floats,
    laws: Weighed | None = None,
    rules: Sequence[str] = ("one beyond the control limits",),
    limit_sd: float | None = None,
    share: float = 0.05,
) -> Steadiness:
    """Whether the shots of a month, in time order, were steady.

    values: shape (n,), n >= 5, not all equal. laws: the chart stands on the named one's scale. rules: by phrase.
    limit_sd: control limits in spreads; None: half of `share` is spent on them (for "one beyond the control limits"),
    half on a step or trend. share: of steady months called unsteady, with limit_sd None and no other rule.

    >>> rng = np.random.default_rng(3)
    >>> judge(rng.normal(5, 1, 40)).steady, judge(np.r_[rng.normal(5, 1, 20), rng.normal(9, 1, 20)]).steady
    (True, False)
    """
    x = np.asarray(values, dtype=float)
    y = x if laws is None else laws.scores(x)
    n = _rounded(x.size)
    reach = individuals_limit(n, share / 2) if limit_sd is None else limit_sd
    chart = individuals_chart(y, reach)
    z = (y - chart.mean) / chart.sd
    hits = {phrase: tuple(int(i) for i in np.flatnonzero(run_rule_hits(z, phrase, reach))) for phrase in rules}
    hits = {phrase: places for phrase, places in hits.items() if places}
    change: Change | None = None
    if x.size >= MONTH.first:
        found = find_changes(y, None, change_limit(n, share / 2), MONTH)
        change = found[0] if found else None
    ends = [chart.lower, chart.upper]
    if laws is not None:
        ends = [float(laws.named.points(at)[0]) for at in ends]
    return Steadiness(
        not hits and change is None, hits, change, ends[0], ends[1], reach, false_share(n, tuple(rules), reach, share)
    )


@lru_cache(maxsize=512)
def false_share(n: int, rules: tuple[str, ...], limit_sd: float, share: float, seed: int = SEED) -> float:
    """Share of steady months of n shots that the rules or the search for a change call unsteady; 4,000 simulated."""
    z = np.random.default_rng(seed + 2).standard_normal((4000, n))
    sd = np.abs(np.diff(z, axis=1)).mean(axis=1, keepdims=True) * np.sqrt(np.pi) / 2
    z = (z - z.mean(axis=1, keepdims=True)) / sd
    rung = np.zeros(4000, dtype=bool)
    for phrase in rules:
        rung |= run_rule_hits(z, phrase, limit_sd).any(axis=1)
    alone = float(rung.mean())
    # The search for a change is spent half the share; the two ring almost independently.
    return 1 - (1 - alone) * (1 - (share / 2 if n >= MONTH.first else 0.0))


__all__ = ["MONTH", "RUN_RULES", "Steadiness", "change_limit", "false_share", "individuals_limit", "judge"]
