"""The gas balance against definitions, closed forms, an independent integrator and published examples.

V1 definitions of units. V2 40 CFR 1065.644 worked example. V3 isentropic flow of air. V4 leak of one inch of mercury
in five minutes. V5 closed form against integration. V6 pump-down. V7 leak with outgassing. V8 ideal gas.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from catchpot.physics import vacuum
from catchpot.physics.binned import bin_rises
from catchpot.physics.rise import fit_rises

ATM_PA, GAS_J_MOL_K = 101325.0, 8.314472
INCH_HG_MBAR = 13595.1 * 9.80665 * 0.0254 / 100.0


def slope_of(t: np.ndarray, p: np.ndarray) -> tuple[float, float, float, float]:
    data = bin_rises(t, p, np.array([0]), np.array([len(t)]))
    fit = fit_rises(data, height_mbar=5.0, drift_mbar_min=0.0)
    return float(fit.slope[0]), float(fit.plain[0]), float(fit.low[0]), float(fit.high[0])


def test_v1_unit_of_leak() -> None:
    assert pytest.approx(vacuum.PA_M3_S_PER_MBAR_L_S) == 1e2 * 1e-3
    assert pytest.approx(33.8639, rel=1e-5) == INCH_HG_MBAR


def test_v2_regulation_leak_example() -> None:
    # 2 l, 25.300 to 50.600 kPa in 70 s at 293.15 K: 2.9657e-4 mol/s (the regulation prints 0.00030).
    t = np.linspace(0.0, 70.0, 281)
    slope, _, _, _ = slope_of(t, 253.0 + (506.0 - 253.0) * t / 70.0)
    mol_s = slope * 2.0 * vacuum.PA_M3_S_PER_MBAR_L_S / (GAS_J_MOL_K * 293.15)
    assert mol_s == pytest.approx(2.96570e-4, rel=2e-4)


def test_v3_choked_orifice() -> None:
    assert pytest.approx(0.528282, abs=1e-6) == vacuum.CRITICAL_RATIO
    assert float(vacuum.orifice_leak_mbar_l_s(1.0, 1013.25)) == pytest.approx(201.26, rel=3e-4)
    flow = vacuum.relative_flow("choked", 1000.0, np.array([0.0, 300.0, 528.0, 900.0, 1000.0]))
    assert flow[:3] == pytest.approx(1000.0)
    # Subcritical branch: isentropic mass flow of air written out on its own.
    r = 0.9
    whole = np.sqrt(2.0 / 0.4 * (r ** (2 / 1.4) - r ** (2.4 / 1.4)))
    assert flow[3] == pytest.approx(1000.0 * whole / ((2 / 2.4) ** (2.4 / 0.8)), rel=1e-9)
    assert flow[4] == pytest.approx(0.0, abs=1e-6)


def test_v4_one_inch_of_mercury_in_five_minutes() -> None:
    t = np.linspace(0.0, 300.0, 1201)
    slope, _, _, _ = slope_of(t, 50.0 + INCH_HG_MBAR * t / 300.0)
    leak = slope * 10.0
    assert leak == pytest.approx(1.128796, rel=2e-4)
    area = leak / float(vacuum.orifice_leak_mbar_l_s(1.0, 1013.25))
    assert 2.0 * np.sqrt(area / np.pi) == pytest.approx(0.084505, rel=3e-4)


def test_v5_laminar_rise_against_integration() -> None:
    p = vacuum.laminar_rise_mbar(np.array([0.0, 3600.0]), 50.0, 1013.25, 1e-6, 10.0)
    assert p == pytest.approx([50.0, 397.18997], rel=1e-7)
    numeric = solve_ivp(lambda _t, y: 1e-6 * (1013.25**2 - y**2) / 10.0, (0, 3600), [50.0], rtol=1e-10, atol=1e-8)
    assert numeric.y[0, -1] == pytest.approx(397.18997, rel=1e-7)


def test_v5_straightened_rise_is_straight_and_at_the_first_rate() -> None:
    t = np.linspace(0.0, 1200.0, 300)
    p = vacuum.laminar_rise_mbar(t, 50.0, 1013.25, 1e-6, 10.0)[None, :]
    straight = vacuum.straighten(p, np.array([50.0]), np.array([1013.25]), laminar_share=1.0)[0]
    assert np.diff(straight) / np.diff(t) == pytest.approx(0.102418, rel=2e-3)


def test_v6_pump_down() -> None:
    assert vacuum.pump_down_s(50.0, 10.0 / 3.6, 1013.25, 100.0) == pytest.approx(41.683465, rel=1e-7)


def test_v7_leak_under_outgassing_is_not_the_naive_slope() -> None:
    t = np.arange(0.0, 601.0, 10.0)
    p = 10.0 + 0.01 * t + 5.0 * (1.0 - np.exp(-t / 60.0))
    assert (p[-1] - p[0]) / 600.0 == pytest.approx(0.018333, rel=1e-3)
    slope, plain, low, high = slope_of(t, p)
    assert plain > 0.0125
    assert low <= 0.01 <= high
    assert slope == pytest.approx(0.01, rel=0.03)


def test_v8_gas_temperature() -> None:
    assert float(vacuum.thermal_rate_mbar_s(1000.0, 1.0, 1.0)) == pytest.approx(3.411, abs=1e-3)
    # 1 K at 550 mbar in 5 l over 45 s fakes 0.2 mbar l/s.
    assert float(vacuum.thermal_rate_mbar_s(550.0, 1.0, 45.0)) * 5.0 == pytest.approx(0.2085, rel=1e-3)
