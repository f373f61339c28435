"""Where a slope begins without a jump: a level that bends, dated by all dates' odds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.segments import whitened

Floats = NDArray[np.float64]
DATED_SHARE: Final = 0.98
FIRST_LIKELIER: Final = 10.0
"""A log that begins within a slope is likelier than a slope that begins at any one shot of it."""


@dataclass(frozen=True)
class Bend:
    """at: first shot of the slope; low, high: 95 % interval of it. squares: whitened residual squares at `at`."""

    at: int
    low: int
    high: int
    squares: float


def bend(y: Floats, rho: float, variance: float, ramp: int, throughout: bool) -> Bend | None:
    """The best bend of a stretch: a level up to a shot, from there on a slope that starts where the level stood.

    y: shape (shots,). rho, variance: of the noise (variance of what is new in each shot). ramp: shots that a slope
    needs. throughout: whether it may be a slope from the first shot on, which is `FIRST_LIKELIER` times as likely
    beforehand as each later date; else it is no bend. None where the stretch is too short.

    >>> x = np.arange(60.0)
    >>> found = bend(np.clip(x - 30, 0, None) + 0.1 * np.sin(x), 0.0, 0.01, 20, False)
    >>> found is not None and abs(found.at - 30) <= 1
    True
    """
    n = y.size
    dates = np.arange(0 if throughout else 1, n - ramp + 1)
    if dates.size < 2 or not variance > 0:
        return None
    order = np.arange(n)
    columns = np.column_stack([np.ones(n), y, np.maximum(order[:, None] - dates[None, :], 0)])
    one, w, *bends = whitened(columns, (0,), rho).T
    bent = np.array(bends)
    level = float(one @ w) / float(one @ one)
    rest = w - level * one
    across = bent - np.outer(bent @ one / float(one @ one), one)
    squares = float(rest @ rest) - (across @ rest) ** 2 / np.maximum((across * across).sum(axis=1), 1e-12)
    odds = -0.5 * squares / variance
    if throughout:
        odds[0] += np.log(FIRST_LIKELIER)
    share = np.exp(odds - odds.max())
    share /= share.sum()
    ordered = np.argsort(-share)
    kept = dates[ordered[: int(np.searchsorted(np.cumsum(share[ordered]), DATED_SHARE)) + 1]]
    best = int(np.argmax(share))
    return Bend(int(dates[best]), int(kept.min()), int(kept.max()), float(squares[best]))


__all__ = ["Bend", "bend"]
