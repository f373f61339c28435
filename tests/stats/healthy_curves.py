"""Curves of a mould without a fault, for the tests of shape."""

from __future__ import annotations

import numpy as np


def healthy(n: int, points: int, seed: int) -> np.ndarray:
    """Curves with two smooth ways of varying, and noise."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 1, points)
    ways = np.stack([np.ones(points), x])
    return np.asarray(5 + 3 * x + rng.normal(0, (0.5, 0.3), (n, 2)) @ ways + rng.normal(0, 0.1, (n, points)))
