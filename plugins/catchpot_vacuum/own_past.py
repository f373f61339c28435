"""A leak against the mould's own past: is this shot out of line, and for how long has it been so?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_PAST: Final = 8
_LEAST_PAST: Final = 4
_SCATTER_PAST: Final = 24
_S_D: Final = 3.7
_S_D_ABOUT_NOUGHT: Final = 4.5
_FACTOR: Final = 1.6
_MOST_IN_A_ROW: Final = 25


@dataclass(frozen=True)
class OutOfLine:
    """Per measurement: whether it is out of line, what was usual before it, and where the run of such began."""

    flagged: NDArray[np.bool_]
    usual: Floats
    began: NDArray[np.int64]


def sudden(value: Floats, sd: Floats, seal: NDArray[np.int64], *, factor: float | None = _FACTOR) -> OutOfLine:
    """Measurements far above those before them since the same seal went in.

    value, sd: rises or leaks in order of time. seal: number of the seal each belongs to. factor: how many times the
    usual it must be (scatter taken in logarithms); None for measures about nought (scatter taken as it is).
    At least four before it. Those out of line don't count as usual, up to 25 in a row; then they are the new usual.
    3.7 s.d. of the mould's own scatter (4.5 about nought) and 2 of the measurement's own uncertainty.
    """
    n = len(value)
    flagged, usual, began = np.zeros(n, bool), np.full(n, np.nan), np.arange(n)
    past: list[int] = []
    row: list[int] = []
    for i in range(n):
        if i and seal[i] != seal[i - 1]:
            past, row = [], []
        if len(past) >= _LEAST_PAST:
            last = np.array(past[-_SCATTER_PAST:])
            usual[i] = float(np.median(value[last[-_PAST:]]))
            flagged[i] = _stands_out(value[i], sd[i], value[last], sd[last], usual[i], factor)
        if flagged[i]:
            row.append(i)
            began[i] = row[0]
            if len(row) >= _MOST_IN_A_ROW:
                past, row = row, []
        else:
            past.append(i)
            row = []
    return OutOfLine(flagged, usual, began)


def _stands_out(value: float, sd: float, past: Floats, past_sd: Floats, usual: float, factor: float | None) -> bool:
    own = max(float(sd), 1e-9)
    if value - usual < 2.0 * own:
        return False
    few = 1.0 + 1.0 / min(len(past), _PAST)
    # What is uncertain about every measurement alike (gas temperature, slow outgassing) shows in the scatter of the
    # past already; only a part of the measurement's own uncertainty is its own.
    if factor is None:
        scatter = max(_spread(past[-_PAST:]), 0.35 * float(np.median(past_sd[-_PAST:])))
        return bool(value - usual > _S_D_ABOUT_NOUGHT * few * scatter)
    floor = max(usual, 0.5 * float(np.median(past_sd)), 1e-9)
    # Part of the past's scatter is the error of small leaks, which a large one is measured without.
    spread = _wandering(np.log(np.maximum(past, 0.3 * floor)))
    measured = min(0.5 * float(np.median(past_sd)) / floor, 0.9 * spread)
    scatter = max(np.sqrt(spread**2 - measured**2), 0.1)
    doubt = np.sqrt(scatter**2 + (0.5 * own / value) ** 2 + spread**2 / min(len(past), _PAST))
    return bool(value > factor * floor and np.log(value / floor) > _S_D * few * doubt)


def _wandering(values: Floats) -> float:
    """S.d. of the last eight, or of the last 24 about their straight trend if that is more: what stays bad for a while
    shows too little scatter in a few."""
    if len(values) <= _PAST:
        return _spread(values)
    x = np.arange(len(values), dtype=float)
    slope, start = np.polyfit(x, values, 1)
    return max(_spread(values[-_PAST:]), _spread(values - start - slope * x))


def _spread(values: Floats) -> float:
    """S.d. by the median deviation, not below half the plain one: eight values make either alone too small at times."""
    robust = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return max(robust, 0.6 * float(values.std(ddof=1)))
