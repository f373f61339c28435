"""Gelling resin, race track slots and what they do to a filling curve, against worked values from outside.

D9, D16: worked values of the closed forms (Darcy 1856; Weitzenbock, Shenoi and Wilson 1999, Composites A 30:781;
slot: plane Poiseuille flow), recomputed from the stated inputs.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.plugins.catchpot_faults.by_hand import SHARE, found_last

K, POROSITY, MU, DP, LENGTH = 1e-9, 0.8, 0.2, 1e5, 0.5
"""Strip of 0.5 m, permeability 1e-9 m2, porosity 0.8, 0.2 Pa s, 1 bar: 200 s to fill at constant viscosity."""


def gelling_fill(efold_s: float, shares: np.ndarray) -> np.ndarray:
    """Times at which a strip at constant pressure has filled those shares while mu = mu0 exp(t / efold_s); NaN: never.

    x^2 = 2 K dp/(porosity mu0) tau (1 - exp(-t/tau)), so t = -tau ln(1 - t0/tau), t0 the time without gelling.
    """
    ungelled = POROSITY * MU * (shares * LENGTH) ** 2 / (2 * K * DP)
    rest = 1 - ungelled / efold_s
    return np.where(rest > 0, -efold_s * np.log(np.where(rest > 0, rest, 1.0)), np.nan)


def test_gelling_strip_takes_as_long_as_worked_out() -> None:
    """D9: 243.279065 s at an e-fold of 600 s; at 150 s the front stops at 0.433013 m."""
    assert gelling_fill(600.0, np.array([1.0]))[0] == pytest.approx(243.279065, rel=1e-8)
    furthest = np.sqrt(2 * K * DP * 150 / (POROSITY * MU))
    assert furthest == pytest.approx(0.433013, abs=1e-6)
    times = gelling_fill(150.0, np.array([0.999, 1.001]) * furthest / LENGTH)
    assert np.isfinite(times[0]) and np.isnan(times[1])


@pytest.mark.parametrize("efold", [150.0, 300.0])
def test_the_e_fold_time_is_read_back_from_the_curve_of_a_gelling_strip(efold: float) -> None:
    """The resistance of that strip, mu0 exp(t/tau) x / K, held against the ungelled one."""
    shares = np.minimum(SHARE, 0.86)
    times = gelling_fill(efold, shares)
    usual = MU * SHARE * LENGTH / K
    gelled = np.where(np.isfinite(times) & (SHARE <= 0.86), usual * np.exp(times / efold), np.nan)
    (found,) = found_last(gelled, usual, np.where(np.isfinite(gelled), times, np.nan))
    assert found.found.kind == "early_gel"
    assert found.chance > 0.95
    assert found.parameter["efold_s"] == pytest.approx(efold, rel=0.35)


def test_a_slot_of_two_millimetres_is_a_race_track() -> None:
    """D16: g^2/12 = 3.333333e-7 m2, 333 times the mat. A slot over a fiftieth of the width takes most of it off.

    Both lanes see one pressure, so each has run as the root of its own permeability; conductances add up.
    """
    slot = 0.002**2 / 12
    assert slot == pytest.approx(3.333333e-7, rel=1e-6)
    assert slot / K == pytest.approx(333.3, abs=0.1)
    share = 0.02
    work = np.linspace(1e-6, 1.2, 20000)  # of what fills the mat lane
    mat, track = np.minimum(np.sqrt(work), 1.0), np.minimum(np.sqrt(work * slot / K), 1.0)
    volume = (1 - share) * mat + share * track
    conductance = (1 - share) / mat + share * (slot / K) / track
    raced = np.interp(SHARE, volume, 1 / conductance)
    found = found_last(raced + 0.02, SHARE + 0.02, 100 * SHARE**2)
    assert found[0].found.kind == "race_tracking"
    assert found[0].chance > 0.9
