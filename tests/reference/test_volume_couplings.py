"""What a change is worth in litres, against worked cases, and the joint estimate against a general-purpose solver."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize
from scipy.stats import multivariate_normal

from catchpot.physics.volume import CAUSES, WITNESSES, PartBook, couplings, kozeny_exponent, litres
from catchpot.stats.causes import Priors, estimate, mixture, sets_of

Floats = NDArray[np.float64]
# D13: 2 m2, 4 mm, three layers of 450 g/m2, fibre 2550 kg/m3: 6.941176 l (recomputed once).
BOOK = PartBook(2.0, 4.0, 1.35, 2.55, 1.1, 0.4, 0.5, 0.0, 6.741176)


def test_d13_litres_of_a_thicker_cavity_and_of_heavier_glass() -> None:
    """+0.1 mm is +0.200000 l, +5 % of glass -0.052941 l: recomputed once, no independent evidence."""
    worth = dict(zip(CAUSES, litres(BOOK), strict=True))
    assert worth["cavity_thickness"] * 0.1 / 4.0 == pytest.approx(0.2, rel=1e-6)
    assert worth["fabric_pack"] * 0.05 == pytest.approx(-0.052941, rel=1e-5)
    assert worth["gel_coat"] * 0.1 == pytest.approx(-0.2, rel=1e-6)
    assert worth["core"] * 0.1 == pytest.approx(-0.05, rel=1e-6)


def test_kozeny_and_carman_between_two_fibre_shares() -> None:
    """K(0.40)/K(0.45) = 1.643125 by d^2 (1-v)^3 / (16 k v^2) (recomputed once): the exponent between gives the same."""
    v = np.linspace(0.40, 0.45, 2001)
    grown = np.trapezoid(kozeny_exponent(v) / v, v)
    assert float(np.exp(grown)) == pytest.approx(1.643125, rel=1e-6)


def test_couplings_are_derivatives_of_the_volumes_and_masses() -> None:
    """Central differences of volume, part mass and permeability written out once more."""

    def witnesses(x: Floats) -> list[float]:
        h = 4.0 * (1 + x[0]) - x[2]
        glass = 1.35 * (1 + x[1])
        core = 0.4 + x[3]
        resin = 2.0 * (h - glass / 2.55) - core * 0.5
        metered = (resin + x[4] + x[6]) * np.exp(x[5])
        share = glass / (2.55 * h)
        k = (1 - share) ** 3 / share**2 * h * np.exp(x[5])
        mass = resin * 1.1 + 2 * glass + 2 * 1.25 * x[2]
        return [float(np.log(metered)), float(np.log(k)), float(mass)]

    rows = couplings(BOOK)
    chosen = [WITNESSES.index(w) for w in ("volume", "permeability", "part_mass")]
    for c in range(len(CAUSES)):
        step = np.zeros(len(CAUSES))
        step[c] = 1e-5
        slope = (np.array(witnesses(step)) - np.array(witnesses(-step))) / 2e-5
        expected = rows[chosen, c].copy()
        if CAUSES[c] == "resin_past_seal":
            expected[1] = 0.0  # that loss reads like a meter, which the closed form above leaves out
        assert slope == pytest.approx(expected, abs=1e-4), CAUSES[c]


def _problem() -> tuple[Floats, Floats, Floats]:
    rng = np.random.default_rng(3)
    law = rng.normal(0, 1, (5, 4))
    noise = np.diag([0.1, 0.2, 0.1, 0.3, 0.2]) ** 2
    noise[0, 1] = noise[1, 0] = 0.008
    return law, noise, law @ np.array([0.0, 1.5, 0.0, -0.8]) + rng.multivariate_normal(np.zeros(5), noise)


def test_joint_estimate_within_a_set_equals_a_general_solver() -> None:
    """scipy.optimize.minimize on minus the log posterior, all causes active; and its inverse curvature."""
    law, noise, change = _problem()
    prior_sd = np.array([1.0, 2.0, 0.5, 1.5])
    priors = Priors(prior_sd, prior_sd, np.full(4, 0.5), np.zeros(4, bool))
    got = estimate(change, noise, [law], np.zeros((5, 5)), priors, 0)

    def cost(x: Floats) -> float:
        r = change - law @ x
        return float(0.5 * r @ np.linalg.solve(noise, r) + 0.5 * np.sum((x / prior_sd) ** 2))

    found = optimize.minimize(cost, np.zeros(4), method="BFGS", options={"gtol": 1e-9})
    assert got.mean[0] == pytest.approx(found.x, abs=1e-5)
    curvature = law.T @ np.linalg.solve(noise, law) + np.diag(1 / prior_sd**2)
    assert got.covariance[0] == pytest.approx(np.linalg.inv(curvature), rel=1e-8)


def test_weights_of_the_sets_equal_densities_by_scipy() -> None:
    """Evidence of each set from scipy.stats.multivariate_normal, times its prior chance."""
    law, noise, change = _problem()
    priors = Priors(np.full(4, 0.01), np.full(4, 1.0), np.array([0.1, 0.2, 0.05, 0.3]), np.zeros(4, bool))
    got = estimate(change, noise, [law], np.zeros((5, 5)), priors, 2)
    active = sets_of(4, 2)
    expected = []
    for row in active:
        sd = np.where(row, priors.active_sd, priors.quiet_sd)
        total = noise + law @ np.diag(sd**2) @ law.T
        chance = np.prod(np.where(row, priors.chance, 1 - priors.chance))
        expected.append(multivariate_normal(np.zeros(5), total).pdf(change) * chance)
    assert got.weight == pytest.approx(np.array(expected) / np.sum(expected), rel=1e-8)
    assert set(np.flatnonzero(got.active[int(np.argmax(got.weight))])) == {1, 3}


def test_quantiles_of_a_mixture_by_root_finding() -> None:
    from scipy.stats import norm

    w, m, s = np.array([0.3, 0.7]), np.array([-1.0, 2.0]), np.array([0.5, 1.0])
    _, low, high = mixture(w, m, s)
    for end, share in ((low, 0.025), (high, 0.975)):
        root = optimize.brentq(lambda x, share=share: float(w @ norm.cdf(x, m, s)) - share, -20, 20)
        assert end == pytest.approx(root, abs=1e-8)
