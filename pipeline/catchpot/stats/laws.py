"""The law a month's shots follow, chosen by a stated rule: normal, lognormal, Weibull, or none of them.

References: M. A. Stephens, in R. B. D'Agostino and M. A. Stephens, Goodness-of-Fit Techniques, 1986 (Anderson-Darling
with fitted parameters, tables 4.7 and 4.17).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Law = Literal["normal", "lognormal", "weibull"]

LEAST_SHOTS = 20
LEAST_IN_MONTH = 5
# Upper points of the adjusted statistic at the 5 % level when both parameters are fitted.
NORMAL_5, WEIBULL_5 = 0.752, 0.757
RULE = (
    "The law is chosen from this month's shots and those of up to eleven months before, each month about its own mean:"
    " normal, unless an Anderson-Darling test at the 5 % level says otherwise; then lognormal, unless the same test on"
    " the logarithms says otherwise; then Weibull, likewise; then no curve. Below 20 shots in all: normal."
    " A law named in the settings comes before the rule."
)


@dataclass(frozen=True)
class Choice:
    """The law chosen, the statistic that decided and why, as a sentence. law None: no curve fits."""

    law: Law | None
    statistic: float
    reason: str


def anderson_darling_normal(values: Floats) -> tuple[float, float]:
    """A2 against the normal law with fitted mean and s.d., and A2 adjusted for n: A2 (1 + 0.75/n + 2.25/n^2).

    values: shape (n,), n >= 3, not all equal.
    """
    from scipy.special import log_ndtr

    x = np.sort(np.asarray(values, dtype=float))
    n, sd = x.size, x.std(ddof=1)
    if n < 3 or not sd > 0:
        raise ValueError("the test needs three values or more that are not all equal")
    z = (x - x.mean()) / sd
    i = np.arange(1, n + 1)
    a2 = float(-n - np.sum((2 * i - 1) * (log_ndtr(z) + log_ndtr(-z[::-1]))) / n)
    return a2, a2 * (1 + 0.75 / n + 2.25 / n**2)


def anderson_darling_weibull(values: Floats) -> tuple[float, float]:
    """A2 against the two-parameter Weibull law with fitted parameters, and A2 adjusted for n: A2 (1 + 0.2/sqrt(n)).

    values: shape (n,), n >= 3, positive, not all equal.
    """
    x = np.sort(np.asarray(values, dtype=float))
    shape, scale = fit_weibull(x)
    n = x.size
    h = (x / scale) ** shape
    i = np.arange(1, n + 1)
    log_cdf = np.log(-np.expm1(-h))
    a2 = float(-n - np.sum((2 * i - 1) * (log_cdf - h[::-1])) / n)
    return a2, a2 * (1 + 0.2 / np.sqrt(n))


def fit_weibull_rows(rows: Floats) -> tuple[Floats, Floats]:
    """Maximum likelihood shape and scale of each row, by Newton steps on the log shape; all rows at once.

    rows: shape (m, n), positive. Returns two arrays of shape (m,).
    """
    y = np.log(np.asarray(rows, dtype=float))
    middle = y.mean(axis=1, keepdims=True)
    spread = y.std(axis=1, keepdims=True)
    if not (spread > 0).all():
        raise ValueError("a Weibull law needs values that are not all equal")
    u = (y - middle) / spread
    shape = np.full((u.shape[0], 1), 1.28)
    for _ in range(60):
        w = np.exp(shape * (u - u.max(axis=1, keepdims=True)))
        total = w.sum(axis=1, keepdims=True)
        first = (w * u).sum(axis=1, keepdims=True) / total
        second = (w * u * u).sum(axis=1, keepdims=True) / total
        move = (1 / shape - first) / (1 / shape**2 + second - first**2)
        shape = np.maximum(shape + move, shape / 4)
        if float(np.abs(move).max()) < 1e-11:
            break
    top = u.max(axis=1, keepdims=True)
    log_scale = top + np.log(np.exp(shape * (u - top)).mean(axis=1, keepdims=True)) / shape
    return (shape / spread)[:, 0], np.exp(middle + spread * log_scale)[:, 0]


def fit_weibull(values: Floats) -> tuple[float, float]:
    """Maximum likelihood shape and scale; values shape (n,), positive.

    >>> shape, scale = fit_weibull(np.array([1.0, 2.0, 3.0, 4.0]))
    >>> round(float(np.mean((np.array([1.0, 2.0, 3.0, 4.0]) / scale) ** shape)), 9)  # holds at the maximum
    1.0
    """
    shape, scale = fit_weibull_rows(np.asarray(values, dtype=float)[None, :])
    return float(shape[0]), float(scale[0])


def _pooled(months: Sequence[Floats]) -> Floats:
    """All months' values about their own means, restored to the spread they have within their months."""
    return np.concatenate([(m - m.mean()) * np.sqrt(m.size / (m.size - 1)) for m in months])


def choose_law(values: Floats, before: Sequence[Floats] = (), fixed: Law | None = None) -> Choice:
    """The law by the stated rule (`RULE`).

    values: the month's shots, shape (n,), finite. before: those of earlier months, an array a month; months of fewer
    than 5 shots are left out. fixed: a law that the settings name.
    """
    x = np.asarray(values, dtype=float)
    positive = bool((x > 0).all())
    if fixed is not None:
        if fixed != "normal" and not positive:
            return Choice(None, float("nan"), f"the settings name the {fixed} law, but not every value lies above zero")
        return Choice(fixed, float("nan"), f"the settings name the {fixed} law for this measure")
    months = [m for m in (*(np.asarray(b, dtype=float) for b in before), x) if m.size >= LEAST_IN_MONTH and m.std() > 0]
    shots = sum(m.size for m in months)
    if shots < LEAST_SHOTS:
        return Choice(
            "normal", float("nan"), f"with fewer than {LEAST_SHOTS} shots a normal law is assumed, not tested"
        )
    normal = anderson_darling_normal(_pooled(months))[1]
    if normal <= NORMAL_5:
        return Choice("normal", normal, f"{shots} shots agree with a normal law")
    if positive and all((m > 0).all() for m in months):
        logs = _pooled([np.log(m) for m in months])
        log = anderson_darling_normal(logs)[1]
        if log <= NORMAL_5:
            return Choice(
                "lognormal", log, f"{shots} shots are too skewed for a normal law, but agree with a lognormal"
            )
        weibull = anderson_darling_weibull(np.exp(logs))[1]
        if weibull <= WEIBULL_5:
            return Choice("weibull", weibull, f"{shots} shots fit neither a normal nor a lognormal law, but a Weibull")
    return Choice(None, normal, f"{shots} shots fit none of the laws tried (normal, lognormal, Weibull)")


def lag_one(values: Floats) -> float:
    """Correlation of each shot with the one before it, over the common mean; values shape (n,), n >= 3.

    >>> lag_one(np.array([1.0, 2.0, 3.0]))
    0.0
    """
    d = np.asarray(values, dtype=float) - np.mean(values)
    total = float(np.sum(d * d))
    return float(np.sum(d[1:] * d[:-1]) / total) if total > 0 else 0.0


def is_autocorrelated(values: Floats) -> bool:
    """Whether neighbours are more alike than independent shots are, once in 40 healthy months by chance.

    The lag-1 correlation of n independent shots has mean -1/n and s.d. near 1/sqrt(n) (M. S. Bartlett, 1946).
    """
    n = np.size(values)
    return bool(n >= 10 and lag_one(values) > 1.96 / np.sqrt(n) - 1 / n)


__all__ = [
    "LEAST_SHOTS",
    "RULE",
    "Choice",
    "Law",
    "anderson_darling_normal",
    "anderson_darling_weibull",
    "choose_law",
    "fit_weibull",
    "fit_weibull_rows",
    "is_autocorrelated",
    "lag_one",
]
