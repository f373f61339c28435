"""Where and how a curve leaves its usual course: a step, a growth from some moment on, a lasting drop.

Rows are curves, columns points. Every candidate is tried beside a base that a sound curve may use freely, so that what
is measured is only what the base can't explain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Scan:
    """Candidates tried one at a time beside a base; arrays (curves, candidates) but `left` (curves,).

    left: weighted sum of squares the base leaves. gain: how much of it each candidate takes. size: its coefficient.
    """

    left: Floats
    gain: Floats
    size: Floats

    def best(self, positive: bool | None = None) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Number, gain and size of the best candidate of each curve; only those of one sign where asked."""
        gain = self.gain
        if positive is not None:
            gain = np.where((self.size > 0) == positive, gain, 0.0)
        at = np.argmax(gain, axis=1)
        row = np.arange(len(at))
        return at, gain[row, at], self.size[row, at]


def scan(y: Floats, base: Floats, candidates: Floats, weight: Floats, precision: Floats) -> Scan:
    """Weighted least squares of y on base + one candidate, for each candidate.

    y, weight: (curves, points), weight 0 where nothing is known. base: (curves, points, terms). candidates:
    (curves, points, candidates). precision: (terms,), 1/variance of a term around nought in units of the weighted
    squares (0: free).

    >>> x = np.arange(6.0)
    >>> found = scan((x >= 3)[None] * 2.0, np.ones((1, 6, 1)), (x[:, None] >= [2, 3])[None] * 1.0, np.ones((1, 6)),
    ...              np.zeros(1))
    >>> found.best()[0].tolist(), round(float(found.best()[2][0]), 9)
    ([1], 2.0)
    """
    y = np.where(weight > 0, y, 0.0)
    wb = base * weight[:, :, None]
    normal = np.einsum("npi,npj->nij", wb, base) + np.diag(precision + 1e-12)
    right = np.einsum("npi,np->ni", wb, y)
    across = np.einsum("npi,npc->nic", wb, candidates)
    solved = np.linalg.solve(normal, np.concatenate([right[:, :, None], across], axis=2))
    left = np.einsum("np,np->n", weight * y, y) - np.einsum("ni,ni->n", right, solved[:, :, 0])
    own = np.einsum("np,npc->nc", weight, candidates**2) - np.einsum("nic,nic->nc", across, solved[:, :, 1:])
    shared = np.einsum("np,npc->nc", weight * y, candidates) - np.einsum("ni,nic->nc", right, solved[:, :, 1:])
    total = np.einsum("np,npc->nc", weight, candidates**2)
    sound = own > 1e-6 * np.maximum(total, 1e-300)
    size = np.where(sound, shared / np.where(sound, own, 1.0), 0.0)
    return Scan(np.maximum(left, 0.0), np.where(sound, shared * size, 0.0), size)


def one_sided(width: int, skip: int = 0) -> Floats:
    """Weights that carry a straight line through `width` evenly spaced points half a step beyond the nearest.

    skip: nearest points that get no weight.

    >>> one_sided(2).round(9).tolist()
    [1.5, -0.5]
    """
    d = np.arange(skip, width + skip) + 0.5
    design = np.stack([np.ones(width), d], axis=1)
    return np.concatenate([np.zeros(skip), np.linalg.pinv(design)[0]])


def local_jump(y: Floats, width: int = 10, skip: int = 1) -> tuple[Floats, float]:
    """Jump at each point: straight lines through `width` points either side, met in the middle; and its noise factor.

    y: (curves, points), NaN where unknown. skip: points left out either side, so that a step a point or two wide is
    still a jump. A slope, or a bend, makes no jump. Returns (curves, points) with the jump between point i - 1 and i
    at i, NaN where the curve is not known on both sides, and by what the noise of a point is to be multiplied.
    """
    n, points = y.shape
    weights = one_sided(width, skip)
    out = np.full((n, points), np.nan)
    span = width + skip
    for i in range(span, points - span + 1):
        before = y[:, i - span : i][:, ::-1] @ weights
        after = y[:, i : i + span] @ weights
        out[:, i] = after - before
    return out, float(np.sqrt(2 * np.sum(weights**2)))


def point_noise(y: Floats) -> Floats:
    """Noise of a single point of each curve from second differences, robust to steps and bends (curves,); NaN if few.

    >>> bool(np.isclose(point_noise(np.random.default_rng(0).normal(0, 1, (1, 4000)))[0], 1, atol=0.1))
    True
    """
    second = np.diff(y, n=2, axis=1)
    known = np.isfinite(second)
    size = np.sort(np.abs(second), axis=1)
    n = known.sum(axis=1)
    middle = np.take_along_axis(size, np.maximum(n // 2, 0)[:, None].clip(max=size.shape[1] - 1), axis=1)[:, 0]
    return np.where(n >= 8, 1.4826 * middle / np.sqrt(6.0), np.nan)


__all__ = ["Scan", "local_jump", "one_sided", "point_noise", "scan"]
