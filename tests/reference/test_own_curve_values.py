"""The shared curve against general-purpose libraries: its likelihood, its smoothing, its stretches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.optimize import least_squares
from scipy.stats import multivariate_normal
from sklearn.isotonic import IsotonicRegression

from catchpot.stats.curve_fit import CELLS, FLOOR, GRID, HAT_STEP, HATS, SLIP_SD, STEP, Repetition
from catchpot.stats.own_curve import OwnCurve
from catchpot.stats.stretch import LOG_GRID, MISTAKEN

Floats = NDArray[np.float64]
N = 120
"""Cells of a repetition."""


def truth(v: Floats) -> Floats:
    """A slope, a climb, and a jump over half a hundredth: that a stretch can be told from offset and height."""
    return np.asarray(0.5 + v + 6.0 * np.clip(v - 0.8, 0, None) ** 2 + 0.4 / (1.0 + np.exp(-(v - 0.97) / 0.005)))


def repetition(rng: np.random.Generator, stretch: float, noise: float, end: float = 1.05) -> Repetition:
    edges = np.linspace(0.0, end, N + 1)
    mean = truth((edges[1:] + edges[:-1]) / 2 / stretch)
    sd = noise * mean
    return Repetition(edges, mean + sd * rng.standard_normal(N), sd)


def learnt(rng: np.random.Generator, stretches: Floats, noise: float) -> OwnCurve:
    own = OwnCurve()
    for s in stretches:
        r = repetition(rng, float(s), noise)
        own.learn(r, own.place(r))
    return own


def test_the_posterior_is_that_of_a_multivariate_normal() -> None:
    """Source: scipy.stats.multivariate_normal, with offset, height and departures of shape as a covariance.

    The ratio of two posteriors of one curve, placed once after a likely step and once after an unlikely one, shares the
    likelihood; here the prior's part is taken out by placing a second curve that says nothing.
    """
    rng = np.random.default_rng(3)
    own = learnt(rng, np.exp(0.004 * rng.standard_normal(10)), 0.01)
    wide = (0.9, 0.05)
    r = repetition(rng, 1.012, 0.01)
    r = Repetition(r.edges, truth((r.edges[1:] + r.edges[:-1]) / 2 / 1.012), r.noise)  # misfit below 1: nothing widened
    posterior = own.place(r, wide).posterior
    deaf = own.place(Repetition(r.edges, r.mean, 1e4 * r.noise), wide).posterior
    near = np.flatnonzero(np.abs(LOG_GRID - LOG_GRID[np.argmax(posterior)]) <= 0.0101)
    told = posterior[near] / deaf[near]
    # the floor that no likelihood falls below, and the power that says how far earlier ones missed
    likelihood = (told / told.max() - MISTAKEN) / (1.0 - MISTAKEN)
    got = np.log(likelihood) * own.overdispersion

    curve, _, _, last = own.curve()
    middle = (r.edges[1:] + r.edges[:-1]) / 2
    scale = uniform_filter1d(r.mean, 11, mode="nearest")
    hats = np.maximum(0.0, 1.0 - np.abs(middle[:, None] / np.exp(own.log_level) - HATS[None, :]) / HAT_STEP)
    offset, height, offset_sd, height_sd = own.usual_terms
    departures = (scale[:, None] * hats) @ own.covariance() @ (scale[:, None] * hats).T
    sums = np.concatenate([[0.0], np.cumsum(curve)]) * STEP
    slip = (SLIP_SD * np.gradient(curve) * (np.arange(CELLS) + 0.5)) ** 2
    lies = np.minimum((middle / np.exp(own.log_level) / STEP).astype(int), CELLS - 1)
    own_noise = r.noise**2 + (FLOOR * scale) ** 2 + slip[lies]
    want = []
    for s in np.exp(LOG_GRID[near]):
        x = r.edges / s
        shape = np.diff(np.interp(x, np.arange(CELLS + 1) * STEP, sums)) / np.diff(x)
        at = np.minimum((middle / s / STEP).astype(int), CELLS - 1)
        inside = at <= last
        cov = np.diag(own_noise) + departures + offset_sd**2 + height_sd**2 * np.outer(shape, shape)
        mean = offset + height * shape
        assert inside.all()
        want.append(multivariate_normal.logpdf(r.mean, mean, cov))
    apart = got - np.array(want)
    # but where a cell's middle falls on the edge of one of the shared curve's
    assert np.mean(np.abs(apart - np.median(apart)) < 1e-3) > 0.9
    assert np.ptp(np.array(want)) > 0.5
    assert LOG_GRID[near][np.argmax(want)] == LOG_GRID[near][np.argmax(got)]


def test_the_shared_curve_is_an_isotonic_fit_to_the_repetitions_where_those_are_many() -> None:
    """Source: scikit-learn, IsotonicRegression, over all cells of all repetitions, which have no stretch here."""
    rng = np.random.default_rng(5)
    own = learnt(rng, np.ones(40), 0.02)
    cells = [repetition(np.random.default_rng(100 + i), 1.0, 0.02) for i in range(40)]
    x = np.concatenate([(c.edges[1:] + c.edges[:-1]) / 2 for c in cells])
    fit = IsotonicRegression().fit(x, np.concatenate([c.mean for c in cells]))
    inner = (GRID > 0.05) & (GRID < 1.0)
    curve = own.curve()[0][inner] / own.usual_terms[1]
    assert np.abs(curve / fit.predict(GRID[inner]) - 1).max() < 0.02


def test_stretches_are_those_of_a_joint_least_squares_fit() -> None:
    """Source: scipy.optimize.least_squares with the true curve known: stretch, offset and height of each repetition."""
    rng = np.random.default_rng(8)
    stretches = np.exp(0.008 * rng.standard_normal(16))
    repetitions = [repetition(rng, float(s), 0.004) for s in stretches]
    own, got, want = OwnCurve(), [], []
    for r in repetitions:
        placed = own.place(r)
        own.learn(r, placed)
        got.append(placed.log_stretch)
        middle = (r.edges[1:] + r.edges[:-1]) / 2

        def left(p: Floats, r: Repetition = r, middle: Floats = middle) -> Floats:
            return np.asarray((r.mean - p[1] - p[2] * truth(middle / np.exp(p[0]))) / r.noise)

        want.append(least_squares(left, [0.0, 0.0, 1.0]).x[0])
    apart = (np.array(got) - np.array(want))[4:]
    # the joint fit knows the curve and no scatter of offset and height; the shared curve has only those before it
    assert np.std(apart) < 0.5 * np.std(want[4:])
    assert np.corrcoef(got[4:], want[4:])[0, 1] > 0.9
