"""Which of several causes moved several witnesses, and by how much: a joint linear estimate under sparse priors.

The witnesses' changes `d` are `J theta + N eta + e`: causes theta, nuisances eta, errors e, all normal. Each cause is
either as quiet as everyday (small prior s.d.) or active (wide prior s.d.); which ones are active is weighed over all
sets of up to `most` of them by the evidence of the data. Within a set everything is linear and normal, so the answer is
a mixture of normals: chances, means and quantiles of any sum of causes follow without sampling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Priors:
    """quiet_sd, active_sd: s.d. of each cause's size in its two states, shape (causes,). chance: of being active.

    positive: causes that can only add (active ones then have the half of the normal that is positive, by weight).
    """

    quiet_sd: Floats
    active_sd: Floats
    chance: Floats
    positive: Bools


@dataclass(frozen=True)
class Posterior:
    """active: (sets, causes). weight: (sets,). mean: (sets, causes). covariance: (sets, causes, causes).

    law: which of the couplings each row stands under, (sets,).
    """

    active: Bools
    weight: Floats
    mean: Floats
    covariance: Floats
    law: NDArray[np.intp]

    def chance(self, *causes: int) -> float:
        """Chance that one or more of these causes is active (numbers of causes)."""
        return float(self.weight[self.active[:, list(causes)].any(axis=1)].sum())

    def given(self, which: Any) -> Posterior:
        """The same, had only these sets been possible; shape (sets,)."""
        weight = np.where(which, self.weight, 0.0)
        scale = max(float(weight.sum()), 1e-300)
        return Posterior(self.active, weight / scale, self.mean, self.covariance, self.law)

    def total(self, factors: Floats) -> tuple[float, float, float]:
        """Mean and 95 % interval of the sum of factors x causes; factors shape (causes,)."""
        mean = self.mean @ factors
        sd = np.sqrt(np.maximum(np.einsum("i,sij,j->s", factors, self.covariance, factors), 0.0))
        return mixture(self.weight, mean, sd)


def mixture(weight: Floats, mean: Floats, sd: Floats, level: float = 0.95) -> tuple[float, float, float]:
    """Mean and central interval of a mixture of normals; weights sum to 1, all shapes (components,).

    >>> [round(v, 3) for v in mixture(np.ones(1), np.zeros(1), np.ones(1))]
    [0.0, -1.96, 1.96]
    """
    from scipy.special import ndtr

    kept = weight > 1e-9
    w, m, s = weight[kept] / weight[kept].sum(), mean[kept], np.maximum(sd[kept], 1e-12)
    low, high = np.full(2, np.min(m - 9 * s)), np.full(2, np.max(m + 9 * s))
    target = np.array([(1 - level) / 2, (1 + level) / 2])
    for _ in range(60):
        middle = (low + high) / 2
        below = ndtr((middle[:, None] - m) / s) @ w < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return float(w @ m), float(low[0]), float(high[1])


def sets_of(causes: int, most: int, possible: Bools | None = None) -> Bools:
    """All sets of up to `most` causes, the empty one first; shape (sets, causes)."""
    usable = [c for c in range(causes) if possible is None or possible[c]]
    chosen = [s for n in range(most + 1) for s in combinations(usable, n)]
    active = np.zeros((len(chosen), causes), dtype=bool)
    for row, s in enumerate(chosen):
        active[row, list(s)] = True
    return active


def estimate(
    change: Floats,
    covariance: Floats,
    couplings: Sequence[Floats],
    nuisance: Floats,
    priors: Priors,
    most: int = 3,
    possible: Bools | None = None,
    last_readings: Sequence[tuple[float, float, float]] = (),
) -> Posterior:
    """Weigh all sets of causes.

    change: (witnesses,). covariance: of its errors. couplings: one or more (witnesses, causes), all equally likely
    beforehand (several laws). nuisance: covariance that nuisances add, (witnesses, witnesses). last_readings: where the
    last witness has a mixture for its error, its components (value, variance, log weight); they take the place of its
    change and of its variance. The posterior's rows are sets within laws within components.
    """
    from scipy.special import log_ndtr

    active = sets_of(len(priors.chance), most, possible)
    sd = np.where(active, priors.active_sd, priors.quiet_sd)
    log_prior = np.where(active, np.log(priors.chance), np.log1p(-priors.chance)).sum(axis=1)
    total_error = covariance + nuisance
    weights, means, covariances, laws = [], [], [], []
    for value, variance, log_share in last_readings or [(float(change[-1]), float(total_error[-1, -1]), 0.0)]:
        seen, base = change.copy(), total_error.copy()
        seen[-1], base[-1, -1] = value, variance
        for number, law in enumerate(couplings):
            prior = sd**2
            cross = prior[:, :, None] * law.T
            total = base + law @ cross
            solved = np.linalg.solve(total, np.broadcast_to(seen[:, None], (len(active), len(seen), 1)))[..., 0]
            sign, log_det = np.linalg.slogdet(total)
            log_evidence = -0.5 * (log_det + solved @ seen)
            mean = np.einsum("scw,sw->sc", cross, solved)
            gain = np.linalg.solve(total, np.swapaxes(cross, 1, 2))
            left = np.eye(sd.shape[1]) * prior[:, :, None] - cross @ gain
            # a cause that can only add: what of its posterior lies above nought, against one half beforehand
            spread = np.sqrt(np.maximum(np.einsum("scc->sc", left), 1e-30))
            above = np.where(active & priors.positive, log_ndtr(mean / spread) + np.log(2.0), 0.0).sum(axis=1)
            weights.append(np.where(sign > 0, log_prior + log_evidence + above + log_share, -np.inf))
            means.append(mean)
            covariances.append(left)
            laws.append(np.full(len(active), number))
    log_weight = np.concatenate(weights)
    weight = np.exp(log_weight - log_weight.max())
    return Posterior(
        np.tile(active, (len(weights), 1)), weight / weight.sum(), np.concatenate(means), np.concatenate(covariances),
        np.concatenate(laws),
    )  # fmt: skip


def misfit_of(
    posterior: Posterior, change: Floats, covariance: Floats, couplings: Sequence[Floats]
) -> tuple[float, float]:
    """How badly the best set of causes fits: weighted sum of squares of what it leaves, and the witnesses' number."""
    best = int(np.argmax(posterior.weight))
    left = change - couplings[int(posterior.law[best])] @ posterior.mean[best]
    return float(left @ np.linalg.solve(covariance, left)), float(len(change))


def difference(values: Floats, after: Bools) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Change of each witness between two periods, the covariance of its error, and the fewer shots on one side.

    values: (shots, witnesses), NaN where unknown. after: (shots,). Odd shots are pulled to 3.5 robust spreads; spread
    and correlation are pooled over both periods; a witness unknown on either side (below 3 shots) comes out as NaN.
    Runs of alike shots count for less (first-order autocorrelation, where it shows).
    """
    witnesses = values.shape[1]
    rest = np.full(values.shape, np.nan)
    change = np.full(witnesses, np.nan)
    count = np.zeros((2, witnesses), dtype=np.intp)
    for w in range(witnesses):
        level = []
        for side in (False, True):
            rows = (after == side) & np.isfinite(values[:, w])
            count[int(side), w] = rows.sum()
            y = values[rows, w]
            if y.size >= 3:
                middle = np.median(y)
                half = 3.5 * 1.4826 * np.median(np.abs(y - middle))
                y = middle + np.clip(y - middle, -half, half) if half > 0 else y
                level.append(float(y.mean()))
                rest[rows, w] = y - y.mean()
        if len(level) == 2:
            change[w] = level[1] - level[0]
        else:
            rest[:, w] = np.nan
    known = np.isfinite(rest)
    z = np.where(known, rest, 0.0)
    free = np.maximum(known.sum(axis=0) - 2, 1)
    sd = np.sqrt(np.maximum((z * z).sum(axis=0) / free, 1e-16))
    both = known.T.astype(float) @ known
    correlation = np.divide(z.T @ z, np.sqrt(np.outer((z * z).sum(axis=0), (z * z).sum(axis=0))) + 1e-30)
    correlation *= both / (both + 4.0)  # few common shots tell little of a correlation
    np.fill_diagonal(correlation, 1.0)
    covariance = np.zeros((witnesses, witnesses))
    for side in (False, True):
        here = known & (after == side)[:, None]
        n = np.maximum(here.sum(axis=0), 1)
        covariance += np.outer(sd, sd) * correlation * (here.T.astype(float) @ here) / np.outer(n, n)
    inflate = np.sqrt(np.maximum(free + 0.0, 1) / np.maximum(free - 2.0, 1.0)) * _runs(z, known)
    covariance *= np.outer(inflate, inflate)
    values_, vectors = np.linalg.eigh(covariance)  # pairwise overlaps need not make a covariance: mend it
    floor = 1e-9 * max(float(values_.max()), 1e-20)
    covariance = (vectors * np.maximum(values_, floor)) @ vectors.T
    return change, covariance, np.minimum(count[0], count[1])


def _runs(z: Floats, known: Bools) -> Floats:
    """Factor on the s.d. of a mean for autocorrelation that shows (beyond 1.6 standard errors), each witness."""
    both = known[1:] & known[:-1]
    n = np.maximum(known.sum(axis=0), 1)
    r = np.where(both, z[1:] * z[:-1], 0.0).sum(axis=0) / np.maximum((z * z).sum(axis=0), 1e-30) + 1.0 / n
    r = np.where(r > 1.6 / np.sqrt(n), np.clip(r, 0.0, 0.7), 0.0)
    return np.asarray(np.sqrt((1 + r) / (1 - r)))


__all__ = ["Posterior", "Priors", "difference", "estimate", "misfit_of", "mixture", "sets_of"]
