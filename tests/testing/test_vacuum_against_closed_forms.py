"""The two gas volumes against closed forms: laminar and choked leaks, pump-down, outgassing, warming gas."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from catchpot.testing.vacuum import EVACUATE, HOLD, Gas, Pressures, advance, choked_flow, leak

MakeGas = Callable[..., Gas]


def run(gas: Gas, clamp: float, cavity: float, mode: int, seconds: float, dt: float) -> Pressures:
    state = Pressures(np.array([clamp]), np.array([cavity]), np.ones(1, bool), np.zeros(1))
    zero, no = np.zeros(1), np.zeros(1, bool)
    for _ in range(round(seconds / dt)):
        state = advance(gas, state, np.array([mode]), dt, no, gas.cavity_set, zero, zero, np.ones(1), zero)
    return state


def test_laminar_leak_over_an_hour(gas: MakeGas) -> None:
    """V dp/dt = G (Pa2 - p2), G = 1e-6 l/(s mbar), 10 l, from 50 mbar: 397.18997 mbar after 3600 s (tanh solution)."""
    made = gas(outer=1e-6 * (1013.0**2 - 50.0**2), clamp_volume=10.0)
    assert float(run(made, 50.0, 1013.25, HOLD, 3600, 1.0).clamp[0]) == pytest.approx(397.18997, rel=1e-4)
    rise = float(run(made, 50.0, 1013.25, HOLD, 1, 1.0).clamp[0]) - 50.0
    assert rise == pytest.approx(0.102418, rel=1e-4)


def test_pump_down(gas: MakeGas) -> None:
    """50 l at 10 m3/h: time constant 18 s, 1013.25 to 100 mbar in 41.683 s."""
    made = gas(cavity_volume=50.0, cavity_pump_l_s=10 / 3.6, cavity_set=0.0)
    assert float(run(made, 1013.25, 1013.25, EVACUATE, 41.683465, 41.683465 / 400).cavity[0]) == pytest.approx(100.0)


def test_leak_with_outgassing(gas: MakeGas) -> None:
    """p = 10 + 0.01 t + 5 (1 - exp(-t/60)) mbar: a choked leak and an outgassing that dies away."""
    volume = 5.0
    made = gas(cavity=0.01 * volume, cavity_choked=1.0, outgas=5 * volume / 60, outgas_s=60.0, cavity_volume=volume)
    unit = float(choked_flow(np.array(1013.0), np.array(550.0)))
    made.cavity = made.cavity * unit / float(choked_flow(np.array(1013.25), np.array(10.0)))
    for t in (60.0, 600.0):
        expected = 10 + 0.01 * t + 5 * (1 - np.exp(-t / 60))
        assert float(run(made, 1013.25, 10.0, HOLD, t, 0.25).cavity[0]) == pytest.approx(expected, rel=2e-3)


def test_one_kelvin_is_3_4_mbar(gas: MakeGas) -> None:
    made = gas(warming_k_s=1 / 45)
    state = run(made, 1000.0, 1000.0, HOLD, 45, 0.25)
    assert float(state.cavity[0]) - 1000.0 == pytest.approx(3.411, rel=3e-3)


def test_choked_flow_does_not_feel_what_is_below_the_critical_pressure() -> None:
    """Critical ratio 0.528282 for air."""
    high = np.full(3, 1000.0)
    low = np.array([50.0, 528.0, 900.0])
    flow = choked_flow(high, low)
    assert flow[0] == pytest.approx(flow[1])
    assert flow[2] < 0.9 * flow[0]


@pytest.mark.parametrize("choked", [0.0, 0.4, 1.0])
def test_leaks_are_stated_at_the_reference_states(choked: float) -> None:
    part = np.array([choked])
    here = leak(np.array([0.2]), part, np.array([1013.0]), np.array([50.0]), 1013.0, 50.0)
    assert here[0] == pytest.approx(0.2)
    back = leak(np.array([0.2]), part, np.array([50.0]), np.array([1013.0]), 1013.0, 50.0)
    assert back[0] == pytest.approx(-0.2)


def test_two_steps_tell_the_seals_apart(gas: MakeGas) -> None:
    """With the cavity at ambient the inner seal sees 2 x as much as at 550 mbar (differences of squares: 3.4)."""
    made = gas(outer=0.1, inner=0.03)
    dt = 0.25
    low = float(run(made, 50.0, 550.0, HOLD, 10, dt).clamp[0])
    high = float(run(made, 50.0, 1013.25, HOLD, 10, dt).clamp[0])
    ratio = (1013.25**2 - 50**2) / (550**2 - 50**2)
    assert (high - low) * 0.8 / 10 == pytest.approx(0.03 * (ratio - 1), rel=2e-2)
