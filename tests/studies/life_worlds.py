"""Worlds of wear that share no law with the forecasts: processes and mechanisms of other trades, and open data.

Each gives the readings of one unit, their errors (s.d.), the limit, and the age at which the unit met it. Laws: gamma
process (J. M. van Noortwijk, Reliability Engineering & System Safety 94, 2009), inverse Gaussian process (X. Wang,
D. Xu, Technometrics 52, 2010), crack growth (P. Paris, F. Erdogan, Journal of Basic Engineering 85, 1963), blocking of
filters at a steady flow (J. Hermia, Transactions of the Institution of Chemical Engineers 60, 1982), damage by shocks
(compound Poisson), and rolling bearings that are quiet until a flaw grows (common practice, no source). Sizes of the
parameters are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
DATA = Path(__file__).parents[1] / "reference" / "data"
READINGS = 400
"""Readings drawn of a unit; it meets the limit after 30 to 120 of them on average."""


@dataclass(frozen=True)
class Unit:
    """ages, readings, sd: shape (readings,); limit and life in their units (the life by the curve without noise)."""

    ages: Floats
    readings: Floats
    sd: Floats
    limit: float
    life: float


def _read(rng: np.random.Generator, curve: Floats, limit: float, share: float) -> Unit | None:
    """The unit's readings, wrong by `share` of each and a hundredth of the limit; None where it never meets it."""
    over = np.flatnonzero(curve >= limit)
    if over.size == 0 or over[0] < 8:
        return None
    k = int(over[0])
    ages = np.arange(1.0, len(curve) + 1.0)
    life = float(np.interp(limit, [curve[k - 1], curve[k]], ages[[k - 1, k]]))
    sd = np.hypot(share * curve, 0.01 * limit)
    return Unit(ages[:k], (curve + sd * rng.standard_normal(len(curve)))[:k], sd[:k], limit, life)


def _usual(rng: np.random.Generator) -> tuple[Floats, float, float]:
    """Ages over the usual life, the reading when new over the limit, the share by which readings err."""
    return np.arange(1.0, READINGS + 1.0) / rng.uniform(30.0, 120.0), rng.uniform(0.05, 0.5), rng.uniform(0.02, 0.12)


def gamma_process(rng: np.random.Generator) -> Unit | None:
    """Independent gamma increments, even on average."""
    u, new, share = _usual(rng)
    steps = rng.gamma(np.diff(u, prepend=0.0) * 25.0, 1.0 / 25.0)
    return _read(rng, new + (1 - new) * np.cumsum(steps), 1.0, share)


def inverse_gaussian_process(rng: np.random.Generator) -> Unit | None:
    """Independent inverse Gaussian increments whose mean goes as the age to the power 1.4."""
    u, new, share = _usual(rng)
    mean = np.diff(u**1.4, prepend=0.0)
    return _read(rng, new + (1 - new) * np.cumsum(rng.wald(mean, 40.0 * mean**2)), 1.0, share)


def crack(rng: np.random.Generator) -> Unit | None:
    """Growth as the length to the power m / 2, each unit with its own speed, wandering from cycle to cycle."""
    new, share, m = rng.uniform(0.2, 0.6), rng.uniform(0.005, 0.04), rng.uniform(2.5, 3.6)
    cycles = rng.uniform(30.0, 120.0)
    # Speed that brings it from new to 1 in so many cycles.
    speed = (new ** (1 - m / 2) - 1.0) / (m / 2 - 1) / cycles
    length, out = new, []
    wander = 0.0
    for _ in range(READINGS):
        wander = 0.9 * wander + 0.08 * rng.standard_normal()
        length = min(length + speed * length ** (m / 2) * np.exp(wander), 3.0)
        out.append(length)
    return _read(rng, np.array(out), 1.0, share)


def blocked_filter(rng: np.random.Generator) -> Unit | None:
    """Pressure over a filter at a steady flow: cake, intermediate, standard or complete blocking, cake's power 1.5."""
    u, new, share = _usual(rng)
    left = 1.0 / new
    law = rng.integers(5)
    if law == 0:
        curve = 1 + (left - 1) * u
    elif law == 1:
        curve = np.exp(np.log(left) * u)
    elif law == 2:
        curve = np.maximum(1 - (1 - left**-0.5) * u, 1e-2) ** -2
    elif law == 3:
        curve = 1 / np.maximum(1 - (1 - 1 / left) * u, 1e-2)
    else:
        curve = (1 + (left ** (1 / 1.5) - 1) * u) ** 1.5
    return _read(rng, new * np.minimum(curve, 10 * left), 1.0, share)


def shocks(rng: np.random.Generator) -> Unit | None:
    """Damage by shocks, one in six readings, of exponential size."""
    u, new, share = _usual(rng)
    hits = rng.poisson(np.diff(u, prepend=0.0) * 14.0)
    return _read(rng, new + (1 - new) * np.cumsum(rng.gamma(np.maximum(hits, 1e-9), 1.0) / 14.0), 1.0, share)


def bearing(rng: np.random.Generator) -> Unit | None:
    """Quiet for a quarter to two thirds of the life, then a flaw grows by a factor in each reading."""
    u, new, share = _usual(rng)
    start = rng.uniform(0.25, 0.65)
    growth = np.exp(np.log(1 / new) * np.maximum(u - start, 0.0) / (1 - start))
    return _read(rng, new * growth * np.exp(np.cumsum(0.01 * rng.standard_normal(len(u)))), 1.0, share)


WORLDS: dict[str, Callable[[np.random.Generator], Unit | None]] = {
    "gamma process": gamma_process,
    "inverse Gaussian process": inverse_gaussian_process,
    "crack growth": crack,
    "blocked filters": blocked_filter,
    "shocks": shocks,
    "bearings": bearing,
}


def lasers(limit: float = 5.0) -> list[Unit]:
    """W. Q. Meeker, L. A. Escobar 1998: 15 lasers, per cent more current; readings taken as good to 1 %."""
    rows = np.genfromtxt(DATA / "gaas_laser.csv", delimiter=",", names=True)
    made = []
    for unit in np.unique(rows["unit"]):
        own = rows[(rows["unit"] == unit) & (rows["hours"] > 0)]
        if own["increase"].max() < limit:
            continue
        over = int(np.argmax(own["increase"] >= limit))
        life = float(np.interp(limit, own["increase"][over - 1 : over + 1], own["hours"][over - 1 : over + 1]))
        made.append(Unit(own["hours"], own["increase"], 0.01 * own["increase"], limit, life))
    return made
