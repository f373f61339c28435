"""Resin, fibre pack and force balance against worked cases.

Confidence in words beside each. "Recomputed once" holds the code still and is no independent evidence; densities and
activation energies are from memory.
"""

from __future__ import annotations

import pytest

from catchpot.physics import clamp, resin


def test_d12_porosity_of_three_layers() -> None:
    """3 x 450 g/m2 in 4 mm: 0.867647 at 2550 kg/m3; fibre share 0.132874 at 2540, 0.129808 at 2600: recomputed once."""
    assert float(resin.porosity(1.35, 2550.0, 0.004)) == pytest.approx(0.867647, rel=1e-6)
    assert 1 - float(resin.porosity(1.35, 2540.0, 0.004)) == pytest.approx(0.132874, rel=1e-5)
    assert 1 - float(resin.porosity(1.35, 2600.0, 0.004)) == pytest.approx(0.129808, rel=1e-5)


def test_d13_resin_volume_and_what_moves_it() -> None:
    """6.941176 l on 2 m2; +0.1 mm is +0.2 l; +5 % glass is -0.052941 l: recomputed once."""
    base = float(resin.resin_volume(2.0, 0.004, 1.35, 2550.0)) * 1e3
    assert base == pytest.approx(6.941176, rel=1e-6)
    assert float(resin.resin_volume(2.0, 0.0041, 1.35, 2550.0)) * 1e3 - base == pytest.approx(0.2, rel=1e-9)
    assert float(resin.resin_volume(2.0, 0.004, 1.35 * 1.05, 2550.0)) * 1e3 - base == pytest.approx(-0.052941, rel=1e-5)


def test_a_core_displaces_what_it_does_not_take_up() -> None:
    """By hand: 0.4 l of core of which half takes resin takes 0.2 l away."""
    with_core = resin.resin_volume(2.0, 0.004, 1.35, 2550.0, 0.4e-3, 0.5)
    assert float(resin.resin_volume(2.0, 0.004, 1.35, 2550.0) - with_core) == pytest.approx(0.2e-3, rel=1e-9)


def test_d17_viscosity_with_temperature() -> None:
    """E = 40 kJ/mol (from memory): 20 against 25 deg C is 1.316813; halving from 20 to 30 needs 51.216 kJ/mol."""
    gas = resin.GAS_CONSTANT_J_MOL_K
    assert float(resin.viscosity(20.0, 1.0, 25.0, 40e3 / gas)) == pytest.approx(1.316812923, rel=1e-8)
    assert float(resin.viscosity(30.0, 1.0, 20.0, 51.21617222e3 / gas)) == pytest.approx(0.5, rel=1e-8)


def test_f1_force_balance() -> None:
    """Clamp area 0.4 m2 at 10 kPa, part 2 m2 at 110 kPa: net 19180 N; lifts at 119.59 kPa: recomputed once."""
    assert float(clamp.closing_force(101325.0, 10e3, 0.4, 110e3, 2.0)) == pytest.approx(19180.0)
    assert float(clamp.lifting_pressure(101325.0, 10e3, 0.4, 2.0)) == pytest.approx(119590.0)
    assert float(clamp.lifting_pressure(101325.0, 40e3, 0.4, 2.0)) - 101325.0 == pytest.approx(12265.0)
    blocked = clamp.blocked_vent_force(101325.0, 10e3, 0.4, 0.18265e5, 2.0)
    assert float(blocked) == pytest.approx(0.0, abs=1e-6)


def test_f2_dry_closing_force() -> None:
    """Dry at 50 kPa: 139180 N: recomputed once."""
    dry = clamp.mean_cavity_pressure(130e3, 50e3, 0.0, 0.2)
    assert float(clamp.closing_force(101325.0, 10e3, 0.4, dry, 2.0)) == pytest.approx(139180.0)


def test_f3_catalyst_ratio() -> None:
    """1.5 % by mass at 1.10 and 1.15 (densities from memory) is 1.434783 % by volume: recomputed once."""
    by_volume = float(resin.volume_ratio_from_mass(1.5, 1100.0, 1150.0))
    assert by_volume == pytest.approx(1.434783, rel=1e-6)
    assert float(resin.mass_ratio_from_volume(by_volume, 1100.0, 1150.0)) == pytest.approx(1.5, rel=1e-12)
    assert 10 * by_volume / 100 == pytest.approx(0.143478, rel=1e-5)
