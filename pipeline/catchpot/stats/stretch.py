"""What is believed of a log stretch along a shared curve: a grid, its filter over repetitions, moments and ends.

The level of the stretches wanders a little from one repetition to the next and steps now and then; stretches scatter
about it. All of it are densities on one even grid, so that kernels are convolutions.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LOG_STEP, LOG_HALF = 1e-3, 160
"""Step and half-length of the grid of the log stretch: +-16 % in steps of 0.1 %."""
SCATTER_SD, SCATTER_FREE = 0.006, 4.0
"""Scatter of the stretch about its level: scale and degrees of freedom of a Student t (from experience, no source)."""
WANDER_SD, STEP_CHANCE, STEP_SD = 8e-4, 0.03, 0.03
"""Wander of the level between repetitions; chance and s.d. of a step (from experience, no source)."""
MISTAKEN = 0.002
"""Chance that a repetition's shape lies about its stretch: what its likelihood never falls below."""
LASTING = 0.8
"""S.d. by which the mean log stretches of two periods err apart however many there are, as a multiple of that shared
error (56 made-up moulds in one and two dimensions: 0.6 to 0.9 wherever the periods meet)."""
LEAST_SD = 1e-3
"""Least s.d. of a log stretch: what the grid resolves."""


LOG_GRID: Floats = np.asarray(np.arange(-LOG_HALF, LOG_HALF + 1) * LOG_STEP, dtype=np.float64)


def _kernel(sd: float, free: float | None = None) -> Floats:
    at = np.arange(-2 * LOG_HALF, 2 * LOG_HALF + 1) * LOG_STEP
    z = (at / sd) ** 2
    k = np.exp(-0.5 * z) if free is None else (1.0 + z / free) ** (-(free + 1.0) / 2.0)
    return np.asarray(k / k.sum())


def spread(density: Floats, kernel: Floats) -> Floats:
    """Convolution on the grid; what leaves it is lost."""
    full = np.convolve(density, kernel)
    middle = len(kernel) // 2
    return full[middle : middle + len(density)]


SCATTER, _WANDER, _STEPS = _kernel(SCATTER_SD, SCATTER_FREE), _kernel(WANDER_SD), _kernel(STEP_SD)


def lasting_sd(shared_sd: Floats) -> float:
    """S.d. by which mean log stretches of two periods err apart however many shots they have.

    shared_sd: (shots,), `OwnCurve.shared_sd` as it was at each shot, NaN where unknown; 0 where none is known.
    """
    known = shared_sd[np.isfinite(shared_sd)]
    return LASTING * float(np.median(known)) if len(known) else 0.0


def widened(middle: float, ends: tuple[float, float], sd: float) -> tuple[float, float]:
    """A 95 % interval with an independent error of this s.d. beside what it holds.

    >>> [round(v, 2) for v in widened(1.0, (0.97, 1.04), 0.04 / 1.96)]
    [0.95, 1.06]
    """
    low, high = (middle + float(np.copysign(np.hypot(e - middle, 1.96 * sd), e - middle)) for e in ends)
    return low, high


def ahead_of(level: Floats, step: tuple[float, float] = (STEP_CHANCE, STEP_SD)) -> Floats:
    """Belief of the next level. step: chance and s.d. of a step before it."""
    chance, sd = step
    steps = _STEPS if sd == STEP_SD else _kernel(sd)
    made = (1.0 - chance) * spread(level, _WANDER) + chance * spread(level, steps)
    return np.asarray(made / made.sum())


def smoothed_stretches(likelihoods: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Mean log stretches (repetitions,), each from all likelihoods, and the belief of the last level.

    Forward and backward through the level's wander and steps, from an even belief before the first.
    """
    shown = [spread(v, SCATTER) for v in likelihoods]
    ahead, forward = np.full(len(LOG_GRID), 1.0 / len(LOG_GRID)), []
    for v in shown:
        forward.append(ahead)
        last = ahead * v / (ahead @ v)
        ahead = ahead_of(last)
    behind, made = np.ones(len(LOG_GRID)), np.zeros(len(likelihoods))
    for i in range(len(likelihoods) - 1, -1, -1):
        posterior = spread(forward[i] * behind, SCATTER) * likelihoods[i]
        made[i] = posterior @ LOG_GRID / posterior.sum()
        # the kernels are even: going back is going ahead
        behind = ahead_of(behind * shown[i])
    return made, last


def doubted(likelihood: Floats) -> Floats:
    """The likelihood where a repetition may be mistaken: it never falls below that chance, (len(LOG_GRID),)."""
    return np.asarray((1.0 - MISTAKEN) * likelihood + MISTAKEN)


def moments(density: Floats) -> tuple[float, float]:
    """Mean, and s.d. but no less than the grid resolves."""
    middle = float(density @ LOG_GRID / density.sum())
    return middle, float(np.hypot(np.sqrt(density @ (LOG_GRID - middle) ** 2 / density.sum()), LEAST_SD))


def surprise(ahead: Floats, likelihood: Floats) -> float:
    """Squared distance of a likelihood from where it was expected, over what was expected of it."""
    expected, sd_expected = moments(spread(ahead, SCATTER))
    seen, sd_seen = moments(likelihood)
    return float((seen - expected) ** 2 / (sd_expected**2 + sd_seen**2))


def ends(posterior: Floats) -> tuple[float, float]:
    """Ends of the 95 % interval of a density on LOG_GRID."""
    sums = np.concatenate([[0.0], np.cumsum(posterior)])
    edges = np.concatenate([LOG_GRID - LOG_STEP / 2, [LOG_GRID[-1] + LOG_STEP / 2]])
    rising = np.concatenate([[True], np.diff(sums) > 0])
    low, high = np.interp([0.025, 0.975], sums[rising], edges[rising])
    return float(low), float(high)
