"""The mean of normal values some of which are only known to lie above a bound (censored from the right).

Expectation and maximisation: A. P. Dempster, N. M. Laird and D. B. Rubin, Journal of the Royal Statistical Society B 39
(1977) 1; the model is J. Tobin's (Econometrica 26, 1958, 24).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
LEAST_VARIANCE = 0.02
TURNS = 500


@dataclass(frozen=True)
class Censored:
    """mean: of all values. stand_in: values for those above their bounds, in order. sd: what the mean lost by them.

    stand_in keeps the mean and the scatter, so that whatever needs all values may take them. sd: of the mean, beyond
    what as many plain values would have.
    """

    mean: float
    stand_in: Floats
    sd: float


def above(a: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of standard normal values that are known to lie above `a`, each.

    >>> [round(float(v[0]), 4) for v in above(np.zeros(1))]
    [0.7979, 0.3634]
    """
    from scipy.special import log_ndtr

    hazard = np.exp(-0.5 * a * a - 0.5 * np.log(2 * np.pi) - log_ndtr(-a))
    return hazard, np.maximum(1.0 + a * hazard - hazard**2, LEAST_VARIANCE)


def censored_mean(seen: Floats, bound: Floats, spread: float) -> Censored:
    """Estimate the mean of values of known scatter, some seen and some above bounds.

    seen: one or more. bound: of each unseen value. spread: s.d. of the values. Bounds far below the mean tell nothing,
    and move nothing.

    >>> censored_mean(np.array([0.0, 1.0]), np.zeros(0), 1.0).mean
    0.5
    """
    from scipy.special import ndtr, ndtri

    n, late = len(seen) + len(bound), len(bound)
    if not late:
        return Censored(float(seen.mean()), np.zeros(0), 0.0)
    middle = float(np.median(seen))
    for _ in range(TURNS):
        new = (float(seen.sum()) + float((middle + spread * above((bound - middle) / spread)[0]).sum())) / n
        moved, middle = abs(new - middle), new
        if moved < 1e-6 * spread:
            break
    a = (bound - middle) / spread
    order = np.argsort(a)
    stand_in = np.empty(late)
    tail = ndtr(-a[order]) * (1.0 - (np.arange(late) + 0.5) / late)
    stand_in[order] = middle - spread * ndtri(np.clip(tail, 1e-12, 1 - 1e-12))
    stand_in += middle + (middle - seen).sum() / late - stand_in.mean()
    told = len(seen) + float((1.0 - above(a)[1]).sum())
    return Censored(middle, stand_in, spread * float(np.sqrt(max(1.0 / told - 1.0 / n, 0.0))))


__all__ = ["Censored", "above", "censored_mean"]
