"""Where the next value of a series that wanders and now and then steps will lie, learnt as the series goes.

A local-level model (J. Durbin and S. J. Koopman, Time Series Analysis by State Space Methods, 2001, ch. 2) is run for a
grid of wander over scatter, without and with a slope. Before every value the level may also have stepped: each run then
goes on both ways, and how well either said the values that came decides between them (run lengths: R. P. Adams and D.
J. C. MacKay, arXiv 0710.3742, 2007; collapsed as in P. J. Harrison and C. F. Stevens, Journal of the Royal Statistical
Society B 38, 1976, 205). So after a step the outlook is wide at once, and a value or two later it lies where the series
went. Scatter is unknown and outlives a step, so each run says a Student-t. Nothing looks ahead: the outlook before a
value is made of the values before it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WANDER = np.array([0.0, 0.03, 0.1, 0.25, 0.6])
"""The level's wander from value to value over the scatter, as s.d., tried side by side."""
SLOPE = np.array([0.0, 0.02])
"""The same for the slope's wander; 0 is a series without slope."""
STEP_CHANCE, STEP_SD = 0.01, 0.03
"""A step from one value to the next: how often, where nothing is known to have happened, and its s.d."""
FREE_MOST = 60.0
ODD = 3.5
"""A value further out than so many spreads moves a run as one so many spreads out."""
LEAST_OWN = 0.5
"""Measuring errors are never taken to explain more than the rest of a miss's square."""
LEAST_WEIGHT, MOST_RUNS = 1e-3, 40
"""Runs lighter than this beside the heaviest, or beyond so many, are dropped."""


@dataclass(frozen=True)
class Outlook:
    """A mixture of Student-t: weight, centre, scale, free of shape (runs,). n: values it rests on."""

    weight: Floats
    centre: Floats
    scale: Floats
    free: Floats
    n: int

    def chance_below(self, value: float) -> float:
        """Chance that the next value is no more than this."""
        from scipy.special import stdtr

        return float(self.weight @ stdtr(self.free, (value - self.centre) / self.scale))

    def quantile(self, chance: float) -> float:
        """The value that the next one does not exceed with this chance, 0 < chance < 1."""
        from scipy.special import stdtrit

        each = self.centre + self.scale * stdtrit(self.free, chance)
        low, high = float(each.min()), float(each.max())
        for _ in range(32):
            middle = (low + high) / 2
            low, high = (middle, high) if self.chance_below(middle) < chance else (low, middle)
        return (low + high) / 2

    def widened(self, sd: float) -> Outlook:
        """With a further independent error of that s.d."""
        return replace(self, scale=np.hypot(self.scale, sd))

    def moved(self, by: float) -> Outlook:
        """Shifted."""
        return replace(self, centre=self.centre + by)


@dataclass(frozen=True)
class _Runs:
    """kind: place in the grid. level, slope: means; v: their variances and covariance over the scatter's, three
    columns (level, both, slope). free, sum: of the scatter. log_weight. All of shape (runs,), v (runs, 3)."""

    kind: NDArray[np.intp]
    level: Floats
    slope: Floats
    v: Floats
    free: Floats
    sum: Floats
    log_weight: Floats

    @property
    def scatter(self) -> Floats:
        """Variance of the scatter."""
        return self.sum / self.free

    def only(self, rows: NDArray[np.intp]) -> _Runs:
        """Some of the runs."""
        return _Runs(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    def with_those(self, other: _Runs) -> _Runs:
        """These runs and others."""
        return _Runs(*(np.concatenate([getattr(self, n), getattr(other, n)]) for n in self.__dataclass_fields__))


class Follower:
    """Runs that follow a series value by value: `outlook()` before, `take(value, sd)` after.

    Both take the chance and the s.d. of a step before the coming value, where something is known to have happened.
    """

    def __init__(self, typical_sd: float, strength: float = 3.0) -> None:
        """typical_sd: a first guess of the scatter; strength: how many values' worth it counts."""
        q, s = np.meshgrid(WANDER**2, SLOPE**2, indexing="ij")
        self.q, self.s = q.ravel(), s.ravel()
        self.sloped = self.s > 0
        kinds = self.q.size
        # steady is likeliest; the more wander, the less likely beforehand
        prior = np.where(self.sloped, 0.15, 1.0) / (1.0 + 3.0 * np.sqrt(self.q)) ** 2
        nought = np.zeros(kinds)
        free = np.full(kinds, strength)
        self.runs = _Runs(
            np.arange(kinds), nought, nought, np.zeros((kinds, 3)), free, free * typical_sd**2, np.log(prior)
        )
        self.n = 0

    def _ahead(self, chance: float, step_sd: float) -> tuple[_Runs, int]:
        """All runs before the coming value: first those without a step before it, so many, then those with one."""
        r = self.runs
        level, both, slope = r.v.T
        v = np.column_stack([level + 2 * both + slope + self.q[r.kind], both + slope, slope + self.s[r.kind]])
        on = replace(r, level=r.level + r.slope, v=v, log_weight=r.log_weight + np.log1p(-chance))
        top = r.log_weight.max()
        weight = np.exp(r.log_weight - top)
        total = np.bincount(r.kind, weight, self.q.size)
        there = np.flatnonzero(total > 0)
        share = weight / total[r.kind]

        def mean(values: Floats) -> Floats:
            return np.bincount(r.kind, share * values, self.q.size).astype(np.float64)

        # where a step leaves from matters little beside its size: one run a kind, with the mean and spread of all
        middle = mean(on.level)
        free, scatter_sum = mean(on.free)[there], mean(on.sum)[there]
        stepped = np.column_stack([mean(v[:, j])[there] for j in range(3)])
        apart = mean((on.level - middle[r.kind]) ** 2)[there]
        stepped[:, 0] += (apart + step_sd**2) * free / scatter_sum
        new = _Runs(
            there, middle[there], mean(on.slope)[there], stepped, free, scatter_sum,
            np.log(total[there]) + top + np.log(chance),
        )  # fmt: skip
        return on.with_those(new), len(r.kind)

    def outlook(self, chance: float = STEP_CHANCE, step_sd: float = STEP_SD) -> Outlook:
        """What the next value will be, its own measuring error left out; needs one value or more."""
        if self.n == 0:
            raise ValueError("there is no value to look ahead from")
        r, _ = self._ahead(chance, step_sd)
        weight = np.exp(r.log_weight - r.log_weight.max())
        return Outlook(weight / weight.sum(), r.level, np.sqrt(r.scatter * (r.v[:, 0] + 1.0)), r.free, self.n)

    def take(self, value: float, sd: float = 0.0, chance: float = STEP_CHANCE, step_sd: float = STEP_SD) -> None:
        """Learn a value with its measuring error's s.d."""
        from scipy.special import gammaln

        if self.n == 0:
            r = self.runs
            v = np.column_stack([1.0 + sd**2 / r.scatter, 0 * r.free, np.where(self.sloped, 0.1**2, 0.0)])
            self.runs = replace(r, level=np.full(r.kind.size, value), v=v)
            self.n = 1
            return
        r, going_on = self._ahead(chance, step_sd)
        noise = 1.0 + sd**2 / r.scatter
        total = r.v[:, 0] + noise
        scale2 = r.scatter * total
        miss, f = value - r.level, r.free
        said = (
            gammaln((f + 1) / 2) - gammaln(f / 2) - 0.5 * np.log(f * np.pi * scale2)
            - (f + 1) / 2 * np.log1p(miss**2 / (f * scale2))
        )  # fmt: skip
        z = np.clip(miss / np.sqrt(scale2), -ODD, ODD)
        learnt = self._moved(r, z * np.sqrt(scale2), total)
        # scatter is what is left once a reading's own error is taken off; what a step was tells nothing of it
        kept = np.minimum(f, FREE_MOST) / f
        own = np.maximum(z**2 * r.scatter / total * (r.v[:, 0] + 1.0), LEAST_OWN * z**2 * r.scatter)
        steady = np.arange(f.size) < going_on
        free = np.where(steady, f * kept + 1.0, f)
        scatter_sum = np.where(steady, np.maximum(r.sum * kept + own, 0.05 * r.scatter * free), r.sum)
        self._keep(replace(learnt, free=free, sum=scatter_sum), said)

    def _moved(self, r: _Runs, miss: Floats, total: Floats) -> _Runs:
        """Level and slope after a miss; total: the miss's variance over the scatter's."""
        sloped = self.sloped[r.kind]
        level, both, slope = r.v.T
        gain, bend = level / total, np.where(sloped, both / total, 0.0)
        v = np.column_stack([level - gain * level, np.where(sloped, both - bend * level, 0.0),
                             np.where(sloped, slope - bend * both, 0.0)])  # fmt: skip
        return replace(r, level=r.level + gain * miss, slope=np.where(sloped, r.slope + bend * miss, 0.0), v=v)

    def _keep(self, r: _Runs, said: Floats) -> None:
        """Weigh the runs by what they said, and drop the light ones."""
        weight = r.log_weight + said
        weight = weight - weight.max()
        heavy = np.argsort(-weight, kind="stable")[:MOST_RUNS]
        self.runs = replace(r, log_weight=weight).only(np.sort(heavy[weight[heavy] > np.log(LEAST_WEIGHT)]))
        self.n += 1


__all__ = ["Follower", "Outlook"]
