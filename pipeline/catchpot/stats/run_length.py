"""How long a chart runs before it rings: average run lengths, by integral equation, Markov chain or simulation.

References: S. V. Crowder, Technometrics 29, 1987 (EWMA); E. S. Page 1954, A. L. Goel and S. M. Wu, Technometrics 13,
1971 (CUSUM by integral equation); C. W. Champ and W. H. Woodall, Technometrics 29, 1987 (run rules as a Markov chain);
J. M. Lucas and M. S. Saccucci, Technometrics 32, 1990 (tables). All assume independent normal shots and a centre line
and spread that are known; limits taken from few shots ring more often (`share_of_healthy_months`).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.control import RUN_RULES, any_rule

Floats = NDArray[np.float64]


def shewhart_arl(shift_sd: float, limit_sd: float = 3.0) -> float:
    """Average run length of "one beyond the control limits" for a mean shifted by shift_sd spreads.

    >>> round(shewhart_arl(0.0), 1)
    370.4
    """
    from scipy.special import ndtr

    return float(1 / (ndtr(shift_sd - limit_sd) + ndtr(-shift_sd - limit_sd)))


@lru_cache(maxsize=256)
def ewma_arl(weight: float, limit_sd: float, shift_sd: float = 0.0, nodes: int = 100) -> float:
    """Average run length of an EWMA with steady limits, by Crowder's integral equation (Gauss-Legendre nodes).

    >>> round(ewma_arl(0.25, 3.0, 1.0), 6)
    11.154267
    """
    x, w = np.polynomial.legendre.leggauss(nodes)
    half = limit_sd * np.sqrt(weight / (2 - weight))
    u = half * x
    z = (u[None, :] - (1 - weight) * u[:, None]) / weight - shift_sd
    kernel = half * w[None, :] * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / weight
    at_nodes = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    z0 = u / weight - shift_sd
    return float(1 + np.sum(half * w * np.exp(-0.5 * z0**2) / np.sqrt(2 * np.pi) / weight * at_nodes))


@lru_cache(maxsize=256)
def cusum_arl_one_sided(slack_sd: float, limit_sd: float, shift_sd: float = 0.0, nodes: int = 100) -> float:
    """Average run length of a one-sided CUSUM started at 0, by Page's integral equation with its atom at 0.

    >>> round(cusum_arl_one_sided(0.5, 4.0), 1)
    335.4
    """
    from scipy.special import ndtr

    x, w = np.polynomial.legendre.leggauss(nodes)
    s = np.concatenate([[0.0], limit_sd * (x + 1) / 2])
    move = s[None, 1:] - s[:, None] + slack_sd - shift_sd
    kernel = np.empty((nodes + 1, nodes + 1))
    kernel[:, 0] = ndtr(-s + slack_sd - shift_sd)
    kernel[:, 1:] = limit_sd / 2 * w[None, :] * np.exp(-0.5 * move**2) / np.sqrt(2 * np.pi)
    return float(np.linalg.solve(np.eye(nodes + 1) - kernel, np.ones(nodes + 1))[0])


def cusum_arl(slack_sd: float, limit_sd: float, shift_sd: float = 0.0) -> float:
    """Average run length of the two-sided CUSUM: 1/ARL = 1/ARL_up + 1/ARL_down (exact for these two charts).

    >>> round(cusum_arl(0.5, 5.0), 0)
    465.0
    """
    up = cusum_arl_one_sided(slack_sd, limit_sd, shift_sd)
    down = cusum_arl_one_sided(slack_sd, limit_sd, -shift_sd)
    return 1 / (1 / up + 1 / down)


def ewma_limit_for(weight: float, arl: float) -> float:
    """The limit, in spreads, at which an EWMA of that weight rings falsely once in `arl` shots on average."""
    from scipy.optimize import brentq

    return float(brentq(lambda limit: ewma_arl(weight, limit) - arl, 1.0, 5.0, xtol=1e-6))


def cusum_limit_for(slack_sd: float, arl: float) -> float:
    """The limit, in spreads, at which a two-sided CUSUM of that slack rings falsely once in `arl` shots on average."""
    from scipy.optimize import brentq

    return float(brentq(lambda limit: cusum_arl(slack_sd, limit) - arl, 0.5, 20.0, xtol=1e-6))


@lru_cache(maxsize=64)
def run_rules_arl(phrases: tuple[str, ...], shift_sd: float = 0.0, limit_sd: float = 3.0) -> float:
    """Average run length of a selection of run rules, zones at thirds of the way to the limits at limit_sd.

    Exact (Markov chain over the zones of the last shots, Champ and Woodall 1987) for rules that look at zones only;
    by simulation with a fixed seed (about 2 % exact) where "rising" or "by turns" is among them.

    >>> round(run_rules_arl(("one beyond the control limits",)), 1)
    370.4
    """
    rules = [RUN_RULES[p] for p in phrases]
    if not rules:
        raise ValueError("no run rule is selected")
    if any(r.kind in ("rising", "alternating") for r in rules):
        return _simulated_arl(phrases, shift_sd, limit_sd)
    return _markov_arl(phrases, shift_sd, limit_sd)


_EDGES = np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0])


def _markov_arl(phrases: tuple[str, ...], shift_sd: float, limit_sd: float) -> float:
    from scipy.sparse import csr_matrix, identity
    from scipy.sparse.linalg import spsolve
    from scipy.special import ndtr

    cumulated = np.concatenate([[0.0], ndtr(_EDGES * limit_sd / 3 - shift_sd), [1.0]])
    chance = np.diff(cumulated)
    middles = np.array([-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5])
    rules = [RUN_RULES[p] for p in phrases]
    # What each rule remembers of the past: for every rule and side, which of its last shots were hits.
    tests = [
        (r.count, r.of, hit)
        for r in rules
        for hit in ([middles > r.sd, middles < -r.sd] if r.kind == "beyond" else [np.abs(middles) < r.sd])
    ]

    def step(state: tuple[int, ...], zone: int) -> tuple[int, ...] | None:
        new = []
        for bits, (count, of, hit) in zip(state, tests, strict=True):
            window = ((bits << 1) | int(hit[zone])) & ((1 << of) - 1)
            if window & 1 and window.bit_count() >= count:
                return None
            if count == of:  # only the run that ends now matters
                run = ((window ^ (window + 1)) >> 1) if window & 1 else 0
                window = run
            new.append(window & ((1 << (of - 1)) - 1))
        return tuple(new)

    start = tuple(0 for _ in tests)
    index = {start: 0}
    queue = [start]
    rows: list[int] = []
    columns: list[int] = []
    values: list[float] = []
    while queue:
        state = queue.pop()
        for zone, p in enumerate(chance):
            after = step(state, zone)
            if after is None:
                continue
            if after not in index:
                index[after] = len(index)
                queue.append(after)
            rows.append(index[state])
            columns.append(index[after])
            values.append(float(p))
    size = len(index)
    moves = csr_matrix((values, (rows, columns)), shape=(size, size))
    expected = spsolve((identity(size) - moves).tocsc(), np.ones(size))
    return float(np.asarray(expected)[0])


def _simulated_arl(
    phrases: tuple[str, ...], shift_sd: float, limit_sd: float, seed: int = 20261, runs: int = 4000
) -> float:
    rng = np.random.default_rng(seed)
    open_runs, total, length = runs, 0.0, 400
    carried = np.empty((runs, 0))
    while open_runs:
        z = np.concatenate([carried, rng.standard_normal((open_runs, length)) + shift_sd], axis=1)
        hits = any_rule(z, phrases, limit_sd)[:, carried.shape[1] :]
        first = np.argmax(hits, axis=1)
        ended = hits.any(axis=1)
        total += float(np.sum(first[ended] + 1)) + float(length * np.sum(~ended))
        carried = z[~ended, -20:]
        open_runs = int(np.sum(~ended))
    return total / runs


@lru_cache(maxsize=512)
def share_of_healthy_months(phrases: tuple[str, ...], n: int, limit_sd: float = 3.0, seed: int = 20262) -> float:
    """Share of steady months of n shots in which the selection rings, limits taken from the same n shots.

    By simulation of 4,000 months of independent normal shots (fixed seed): known to about 0.005.
    """
    z = np.random.default_rng(seed).standard_normal((4000, n))
    sd = np.abs(np.diff(z, axis=1)).mean(axis=1, keepdims=True) * np.sqrt(np.pi) / 2
    z = (z - z.mean(axis=1, keepdims=True)) / sd
    return float(any_rule(z, phrases, limit_sd).any(axis=1).mean())


@lru_cache(maxsize=64)
def stretch_limits(
    baseline: int, stretch: int, share: float, weight: float, slack_sd: float, seed: int = 20265
) -> tuple[float, float]:
    """Limits of EWMA and CUSUM, in spreads, that this share of steady stretches of that many shots passes, each.

    baseline: shots from which mean and spread (moving range) are taken, just before the stretch: with so few the
    limits for a known process would ring far more often than their tables say. The EWMA's limit is given as a distance
    from the mean, not in its own s.d. By simulation of 8,000 stretches of independent normal shots, fixed seed.
    """
    from catchpot.stats.control import ewma

    z = np.random.default_rng(seed).standard_normal((8000, baseline + stretch))
    first = z[:, :baseline]
    sd = np.abs(np.diff(first, axis=1)).mean(axis=1, keepdims=True) * np.sqrt(np.pi) / 2
    y = (z[:, baseline:] - first.mean(axis=1, keepdims=True)) / sd
    smooth = np.abs(ewma(y, weight, 0.0)).max(axis=1)
    highest = np.zeros(y.shape[0])
    for sign in (1.0, -1.0):
        walk = np.concatenate([np.zeros((y.shape[0], 1)), np.cumsum(sign * y - slack_sd, axis=1)], axis=1)
        highest = np.maximum(highest, (walk - np.minimum.accumulate(walk, axis=1)).max(axis=1))
    return float(np.quantile(smooth, 1 - share)), float(np.quantile(highest, 1 - share))


def rate_sentence(phrases: Sequence[str], limit_sd: float = 3.0) -> str:
    """How often the selection rings on a steady process, in words.

    >>> rate_sentence(["one beyond the control limits"])
    'On a steady process this selection rings falsely once in about 370 shots.'
    """
    shots = run_rules_arl(tuple(phrases), 0.0, limit_sd)
    return f"On a steady process this selection rings falsely once in about {shots:.0f} shots."


__all__ = [
    "cusum_arl",
    "cusum_arl_one_sided",
    "cusum_limit_for",
    "ewma_arl",
    "ewma_limit_for",
    "rate_sentence",
    "run_rules_arl",
    "share_of_healthy_months",
    "shewhart_arl",
    "stretch_limits",
]
