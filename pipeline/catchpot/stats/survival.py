"""Lives of past seals, some of them censored: survival curve (Kaplan-Meier) and Weibull life.

A seal replaced before its leak met the limit is censored: its life is at least so long.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Survival:
    """Survival curve: share still alive just after each time at which something ended, with a 95 % interval."""

    time: Floats
    share: Floats
    low: Floats
    high: Floats
    at_risk: Floats


def kaplan_meier(time: ArrayLike, ended: ArrayLike, weight: ArrayLike | None = None) -> Survival:
    """Product-limit estimate of the survival curve.

    time: lives, any unit, shape (n,). ended: true where the life ended, false where censored. weight: counts.
    Censored at the same time as an end counts as alive at it. Interval: Greenwood's variance on the log-log scale.
    Source: Kaplan & Meier 1958.

    >>> kaplan_meier([1, 2, 3], [True, False, True]).share.round(3).tolist()
    [0.667, 0.0]
    """
    t, e = np.asarray(time, float), np.asarray(ended, bool)
    w = np.ones(len(t)) if weight is None else np.asarray(weight, float)
    moments = np.unique(t[e])
    at_risk = np.array([w[t >= m].sum() for m in moments])
    ends = np.array([w[e & (t == m)].sum() for m in moments])
    share = np.cumprod(1.0 - ends / at_risk)
    left = np.maximum(at_risk - ends, 0.0)
    greenwood = np.cumsum(np.where(left > 0, ends / (at_risk * np.where(left > 0, left, 1.0)), 0.0))
    inside = (share > 0) & (share < 1)
    log_share = np.log(np.where(inside, share, 0.5))
    spread = 1.96 * np.sqrt(greenwood) / np.abs(log_share)
    low = np.where(inside, np.exp(log_share * np.exp(spread)), share)
    high = np.where(inside, np.exp(log_share * np.exp(-spread)), np.where(share > 0, share, high_end(at_risk)))
    return Survival(moments, share, low, high, at_risk)


def high_end(at_risk: Floats) -> Floats:
    """Upper 95 % bound on a share of which none of n was seen: 1 - 0.05^(1/n)."""
    return np.asarray(1.0 - 0.05 ** (1.0 / np.maximum(at_risk, 1.0)))


@dataclass(frozen=True)
class WeibullLife:
    """Weibull life: shape, scale (life at which 63 % have ended), log likelihood; s.d. of the scale's log."""

    shape: float
    scale: float
    log_likelihood: float
    log_scale_sd: float

    def life(self, share_ended: float) -> float:
        """Life by which this share has ended (0.5: median, 0.1: B10)."""
        return float(self.scale * (-np.log(1.0 - share_ended)) ** (1.0 / self.shape))


def weibull_life(time: ArrayLike, ended: ArrayLike | None = None, weight: ArrayLike | None = None) -> WeibullLife:
    """Weibull life by maximum likelihood from ended and censored lives.

    time: lives > 0. ended: false where censored (default: all ended). weight: counts. Two ended lives at least.
    The scale is known in closed form given the shape; the shape solves one equation, by bisection on its logarithm.
    Source: Cohen 1965; Lawless 1982.
    """
    t = np.asarray(time, float)
    e = np.ones(len(t), bool) if ended is None else np.asarray(ended, bool)
    w = np.ones(len(t)) if weight is None else np.asarray(weight, float)
    failures = float(w[e].sum())
    if failures < 2 or len(np.unique(t[e])) < 2:
        raise ValueError("two different ended lives at least")
    if (t <= 0).any():
        raise ValueError("lives must be positive")
    log_t = np.log(t / t.max())
    mean_log = float((w[e] * log_t[e]).sum() / failures)

    def slope(shape: float) -> float:
        power = w * np.exp(shape * log_t)
        return float((power * log_t).sum() / power.sum() - 1.0 / shape - mean_log)

    low, high = np.log(1e-3), np.log(1e3)
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if slope(float(np.exp(middle))) < 0 else (low, middle)
    shape = float(np.exp(0.5 * (low + high)))
    scale = float(t.max() * ((w * np.exp(shape * log_t)).sum() / failures) ** (1.0 / shape))
    z = shape * np.log(t / scale)
    like = float((w * (np.where(e, np.log(shape) - np.log(t) + z, 0.0) - np.exp(z))).sum())
    # Observed information in (log shape, log scale) at the maximum.
    h = w * np.exp(z)
    kk = float((h * z * z).sum() + (w[e] * 1.0).sum())
    ks = -shape * float((h * z).sum())
    ss = shape * shape * float(h.sum())
    det = max(kk * ss - ks * ks, 1e-300)
    return WeibullLife(shape, scale, like, float(np.sqrt(kk / det)))
