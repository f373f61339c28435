"""Where the next value of a wandering series will lie: level, wander and scatter learnt as the series goes.

A local-level model (J. Durbin and S. J. Koopman, Time Series Analysis by State Space Methods, 2001, ch. 2) is run for a
grid of wander over scatter, without and with a slope; the runs are weighed by how well each said the values before
they came, older ones counting less (dynamic model averaging: A. E. Raftery, M. Karny and P. Ettler, Technometrics 52,
2010). Scatter is unknown, so each run says a Student-t. Nothing looks ahead: the outlook before a value is made of the
values before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.censored import above

Floats = NDArray[np.float64]

WANDER = np.array([0.0, 0.03, 0.1, 0.25, 0.6, 1.5])
"""The level's step from value to value over the scatter, as s.d., tried side by side."""
SLOPE = np.array([0.0, 0.02])
"""The same for the slope's step; 0 is a series without slope."""
FORGET = 0.97
FREE_MOST = 60.0
ODD = 3.5
"""A value further out than so many spreads moves the runs as one so many spreads out."""
LEAST_OWN = 0.5
"""Measuring errors are never taken to explain more than the rest of a miss's square."""


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
        return Outlook(self.weight, self.centre, np.hypot(self.scale, sd), self.free, self.n)

    def moved(self, by: float) -> Outlook:
        """Shifted."""
        return Outlook(self.weight, self.centre + by, self.scale, self.free, self.n)


class Follower:
    """Runs that follow a series value by value: `outlook()` before, `take(value, sd)` after."""

    def __init__(self, typical_sd: float, strength: float = 3.0) -> None:
        """typical_sd: a first guess of the scatter; strength: how many values' worth it counts."""
        q, s = np.meshgrid(WANDER**2, SLOPE**2, indexing="ij")
        self.q, self.s = q.ravel(), s.ravel()
        self.sloped = self.s > 0
        runs = self.q.size
        self.level = np.zeros((runs, 2))
        self.p = np.zeros((runs, 2, 2))
        self.free = np.full(runs, strength)
        self.sum = np.full(runs, strength * typical_sd**2)
        # steady is likeliest; the more wander, the less likely beforehand
        prior = np.where(self.sloped, 0.15, 1.0) / (1.0 + 3.0 * np.sqrt(self.q)) ** 2
        self.prior = prior / prior.sum()
        self.log_weight = np.log(self.prior)
        self.n = 0

    def _ahead(self) -> tuple[Floats, Floats]:
        slope = np.where(self.sloped, self.level[:, 1], 0.0)
        p = self.p
        var = p[:, 0, 0] + 2 * p[:, 0, 1] + p[:, 1, 1] + self.q
        return self.level[:, 0] + slope, var

    def outlook(self) -> Outlook:
        """What the next value will be, its own measuring error left out; needs one value or more."""
        if self.n == 0:
            raise ValueError("there is no value to look ahead from")
        centre, var = self._ahead()
        weight = np.exp(self.log_weight - self.log_weight.max())
        scatter = self.sum / self.free
        return Outlook(weight / weight.sum(), centre, np.sqrt(scatter * (var + 1.0)), self.free, self.n)

    def take(self, value: float, sd: float = 0.0) -> None:
        """Learn a value with its measuring error's s.d."""
        from scipy.special import gammaln

        scatter = self.sum / self.free
        noise = 1.0 + sd**2 / scatter
        if self.n == 0:
            self.level[:, 0] = value
            self.p[:, 0, 0] = noise
            self.p[:, 1, 1] = np.where(self.sloped, 0.1**2, 0.0)
            self.n = 1
            return
        centre, var = self._ahead()
        total = var + noise
        miss = value - centre
        scale2 = scatter * total
        f = self.free
        said = (
            gammaln((f + 1) / 2) - gammaln(f / 2) - 0.5 * np.log(f * np.pi * scale2)
            - (f + 1) / 2 * np.log1p(miss**2 / (f * scale2))
        )  # fmt: skip
        weight = FORGET * self.log_weight + (1 - FORGET) * np.log(self.prior)
        weight = weight + said
        self.log_weight = weight - weight.max()
        z = np.clip(miss / np.sqrt(scale2), -ODD, ODD)
        calm = z * np.sqrt(scale2)
        p = self.p
        carried = np.stack([p[:, 0, 0] + 2 * p[:, 0, 1] + p[:, 1, 1] + self.q, p[:, 0, 1] + p[:, 1, 1]], axis=1)
        gain = carried / total[:, None]
        slope = self.level[:, 1] + gain[:, 1] * calm
        self.level = np.stack([centre + gain[:, 0] * calm, np.where(self.sloped, slope, 0.0)], axis=1)
        new = np.empty_like(p)
        new[:, 0, 0] = carried[:, 0] - gain[:, 0] * carried[:, 0]
        new[:, 0, 1] = new[:, 1, 0] = carried[:, 1] - gain[:, 0] * carried[:, 1]
        new[:, 1, 1] = p[:, 1, 1] + self.s - gain[:, 1] * carried[:, 1]
        self.p = new
        # scatter is what is left once a reading's own error is taken off
        kept = np.minimum(self.free, FREE_MOST) / self.free
        own = np.maximum(z**2 * scatter / total * (total - noise + 1.0), LEAST_OWN * z**2 * scatter)
        self.free = self.free * kept + 1.0
        self.sum = np.maximum(self.sum * kept + own, 0.05 * scatter * self.free)
        self.n += 1

    def take_above(self, bound: float, sd: float) -> None:
        """Learn that a value lay above a bound, known with that s.d.

        The value is put where the outlook, cut off at the bound, expects it; how uncertain that is counts as its
        measuring error. A bound below the middle of the outlook tells next to nothing and is passed over.
        """
        if self.n == 0:
            return
        o = self.outlook()
        centre = float(o.weight @ o.centre)
        spread = float(np.sqrt(o.weight @ (o.scale**2 + (o.centre - centre) ** 2) + sd**2))
        a = (bound - centre) / spread
        if a < 0:
            return
        mean, left = above(a)
        self.take(centre + spread * mean, spread * float(np.sqrt(left)))


__all__ = ["Follower", "Outlook"]
