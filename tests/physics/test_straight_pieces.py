"""Curves cut into straight pieces: against the exact partition over every cell, worked out plainly."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from catchpot.physics.straight_pieces import straight_pieces

Floats = NDArray[np.float64]
NOISE = 0.25


def misfit(t: Floats, p: Floats) -> float:
    return float(((p - np.polyval(np.polyfit(t, p, 1), t)) ** 2).sum()) / NOISE**2


def exact(t: Floats, p: Floats) -> tuple[list[int], float]:
    """Optimal partition by trying every edge for every end (Jackson et al., 2005)."""
    penalty = 3.0 * np.log(len(t))
    best, before = [0.0, np.inf], [0, 0]
    for j in range(2, len(t) + 1):
        costs = [best[i] + misfit(t[i:j], p[i:j]) + penalty for i in range(j - 1)]
        before.append(int(np.argmin(costs)))
        best.append(min(costs))
    edges = [len(t)]
    while edges[-1] > 0:
        edges.append(before[edges[-1]])
    return edges[::-1], best[-1]


def cost(t: Floats, p: Floats, edges: list[int]) -> float:
    penalty = 3.0 * np.log(len(t))
    return float(sum(misfit(t[i:j], p[i:j]) + penalty for i, j in pairwise(edges)))


def curves(rng: np.random.Generator) -> list[Floats]:
    """An evacuation with a hold, and a pump's top-ups."""
    t = np.arange(60.0)
    hold = 50.0 + 400.0 * np.exp(-t / 3.0) + np.where((t >= 23) & (t < 46), 0.25 * (t - 23), 0.0)
    saw = 50.0 + (t % 14.0) * 0.7
    return [hold + rng.normal(0.0, NOISE, 60), saw + rng.normal(0.0, NOISE, 60)]


def edges_of(t: Floats, p: Floats) -> list[int]:
    found = straight_pieces(t[None, :], p[None, :], np.array([len(t)]), np.array([NOISE]))
    assert (found.first[1:] == found.stop[:-1]).all()
    return [0, *found.stop.tolist()]


@pytest.mark.parametrize("kind", [0, 1])
def test_the_cut_costs_hardly_more_than_the_exact_one(kind: int) -> None:
    t = np.arange(60.0)
    dearer = []
    for seed in range(6):
        p = curves(np.random.default_rng(seed))[kind]
        edges, least = exact(t, p)
        assert cost(t, p, edges) == pytest.approx(least)
        dearer.append(cost(t, p, edges_of(t, p)) - least)
    assert min(dearer) >= -1e-6
    assert np.median(dearer) < 0.25 * 3.0 * np.log(60.0)
    assert max(dearer) < 3.0 * np.log(60.0)


def test_a_curve_is_cut_alike_alone_and_among_others() -> None:
    rng = np.random.default_rng(3)
    rows = [curves(rng)[0], curves(rng)[1][:37], curves(rng)[1]]
    used = np.array([len(r) for r in rows])
    p = np.stack([np.pad(r, (0, 60 - len(r))) for r in rows])
    t = np.where(np.arange(60.0)[None, :] < used[:, None], np.arange(60.0)[None, :], 0.0)
    together = straight_pieces(t, p, used, np.full(3, NOISE))
    for k, row in enumerate(rows):
        assert [0, *together.stop[together.curve == k].tolist()] == edges_of(np.arange(float(len(row))), row)


def test_every_piece_has_two_cells_and_a_curve_of_one_has_none() -> None:
    rng = np.random.default_rng(4)
    p = rng.normal(0.0, 40.0, (20, 30))
    used = np.arange(20) % 5
    used[10:] = 30
    found = straight_pieces(np.tile(np.arange(30.0), (20, 1)), p, used, np.full(20, NOISE))
    assert (found.stop - found.first).min() >= 2
    covered = np.bincount(found.curve, found.stop - found.first, minlength=20)
    assert covered.tolist() == np.where(used >= 2, used, 0).tolist()
