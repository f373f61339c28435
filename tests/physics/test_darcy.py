"""Darcy's closed form: what geometry means, limits, and what is refused. Values: tests/reference/test_darcy.py."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpot.physics import darcy

tapers = st.floats(0.01, 60.0)
fills = st.floats(1e-4, 1.0)


@pytest.mark.parametrize(
    ("width", "length", "area", "taper"),
    [(0.6, 0.9, 0.54, 1.0), (4.0, 0.4, 0.96, 0.2), (2 * np.pi * 0.5, 0.49, np.pi * (0.25 - 1e-4), 0.02)],
)
def test_taper_makes_the_area(width: float, length: float, area: float, taper: float) -> None:
    """Strip; rectangle 1.2 m x 0.8 m fed all round; disc of 0.5 m fed at its rim with a vent of 10 mm."""
    assert float(darcy.taper_of(width, length, area)) == pytest.approx(taper, rel=1e-6)


def test_a_square_fed_all_round_is_held_open_at_its_vent() -> None:
    assert float(darcy.taper_of(4.0, 0.5, 1.0)) == darcy.NARROWEST_TAPER


@pytest.mark.parametrize(("width", "length", "area"), [(4.0, 0.4, 0.7), (0.0, 1.0, 1.0), (np.nan, 1.0, 1.0)])
def test_geometry_that_contradicts_itself_has_no_taper(width: float, length: float, area: float) -> None:
    assert np.isnan(darcy.taper_of(width, length, area))


@given(tapers, fills, fills)
def test_more_fill_more_resistance_and_time(taper: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    for measure in (darcy.position_share, darcy.resistance_share, darcy.time_share):
        assert float(measure(low, taper)) <= float(measure(high, taper)) * (1 + 1e-12)


@given(tapers, fills)
def test_mean_pressure_lies_between_nought_and_the_inlets(taper: float, fill: float) -> None:
    assert 0.0 <= float(darcy.mean_pressure_share(fill, taper)) <= fill


@given(tapers, fills)
def test_pressure_falls_from_inlet_to_front(taper: float, fill: float) -> None:
    profile = darcy.pressure_share(np.linspace(0, 1, 11) * fill, fill, taper)
    assert profile[0] == pytest.approx(1.0)
    assert profile[-1] == pytest.approx(0.0, abs=1e-12)
    assert np.all(np.diff(profile) <= 1e-12)


@given(tapers, fills)
def test_inverses(taper: float, fill: float) -> None:
    assert float(darcy.fill_of_position(darcy.position_share(fill, taper), taper)) == pytest.approx(fill, rel=1e-6)
    assert float(darcy.fill_of_resistance(darcy.resistance_share(fill, taper), taper)) == pytest.approx(fill, rel=1e-6)


def test_a_pressure_limit_that_is_never_met_leaves_the_flow_alone() -> None:
    time, switch = darcy.fill_time_switched(1.0, 0.8, 0.2, 1e-9, 5e-6, 1e9, 0.5, 0.5, 0.25, 0.004, 1.0)
    assert float(switch) == pytest.approx(1.0)
    assert float(time) == pytest.approx(float(darcy.fill_time_at_flow(1.0, 0.8, 5e-6, 0.25, 0.004)))
