"""Lanes: limits by hand, and the whole curve against the generator's front, which is marched cell by cell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from catchpot.physics import lanes
from catchpot.physics.darcy import resistance_share, taper_of
from catchpot.testing import made_up as mu


def test_two_lanes_of_a_strip_by_hand() -> None:
    """Fronts go as sqrt(k u): with k = 1.21 and 0.79 the slow lane is at sqrt(0.79 / 1.21) at the first arrival."""
    curve = lanes.lane_curve(1.0, np.array([1.21, 0.79]), np.array([1.0, 2.0]))
    slow = np.sqrt(0.79 / 1.21)
    assert curve.filled_at_first == pytest.approx((1 + slow) / 2, rel=1e-4)
    # conductances at that moment: 1.21 / 1 and 0.79 / slow, their mean inverted
    assert curve.resistance[0] == pytest.approx(2 / (1.21 + 0.79 / slow), rel=1e-3)
    assert curve.resistance[-1] == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize("taper", [0.02, 0.2, 1.0, 2.0, 45.0])
def test_equal_lanes_are_a_straight_front(taper: float) -> None:
    at = np.array([0.2, 0.5, 0.9, 1.0, 1.5])
    curve = lanes.lane_curve(taper, np.ones(4), at)
    assert curve.resistance == pytest.approx(resistance_share(np.minimum(at, 1.0), taper), rel=2e-3)


@pytest.mark.parametrize("name", ["strip", "wedge", "all-round"])
def test_curve_against_a_front_marched_cell_by_cell(name: str) -> None:
    """Noise-free made-up shot with eight lanes: resistance over volume, before and after the first arrival."""
    nuisances = replace(mu.Nuisances.off(0.0), lane_sd=0.17, lanes=8)
    geometry = mu.five_geometries()[name]
    mould = mu.Mould("m", geometry, shots=1, overflow_share=0.15, cover_l_bar=0.0)
    made = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=nuisances), seed=3, dt_s=0.1)
    truth = made.truth_shot.row(0, named=True)
    rows = made.sample.filter((pl.col("t_s") > truth["inject_from_s"] + 5) & (pl.col("t_s") < truth["stop_s"] - 0.5))
    dp = rows["line_pressure_bar"].to_numpy() * 1e5 + (1013.25 - rows["cavity_pressure_mbar"].to_numpy()) * 100
    flow = rows["flow_l_min"].to_numpy() / 6e4
    bed = dp / flow - truth["line_resistance_per_m3"] * truth["viscosity_line_pa_s"]
    share = rows["vol_l"].to_numpy() / truth["arrival_volume_l"]
    # some pattern of the family's spread must follow it: fit factor and shapes, look at what is left
    family = lanes.lane_family(
        float(taper_of(geometry.inlet_width_m, geometry.flow_length_m, geometry.part_area_m2)), 0.19
    )
    node = np.rint(share * lanes.NODES_PER_ARRIVAL).astype(int)
    columns = family.table[[0, 2, 3, 4]][:, node].T / bed[:, None]
    fitted = columns @ np.linalg.lstsq(columns, np.ones_like(bed), rcond=None)[0]
    assert np.max(np.abs(fitted - 1)) < 0.02
    assert float(np.sqrt(np.mean((fitted - 1) ** 2))) < 0.005
    assert truth["arrival_true_l"] / truth["pore_volume_l"] == pytest.approx(family.filled_at_first, abs=0.05)


def test_wider_spread_means_earlier_arrival_and_longer_smear() -> None:
    families = [lanes.lane_family(0.2, s) for s in (0.0, 0.1, 0.2)]
    assert np.all(np.diff([f.smear for f in families]) > 0)
    assert np.all(np.diff([f.filled_at_first for f in families]) < 0)


def test_column_for_the_volume_before_the_bed_is_the_derivative() -> None:
    """By hand on a strip: x = (V - R) / (A - R), so that dx/dR at A - R = 1 is x - 1 before arrival and 0 after."""
    table = lanes.lane_family(1.0, 0.0).table
    middle, past = lanes.NODES_PER_ARRIVAL // 2, int(1.5 * lanes.NODES_PER_ARRIVAL)
    assert table[1, middle] == pytest.approx(-0.5, rel=1e-6)
    assert table[1, past] == 0.0
    assert table[1, 0] == 0.0


def test_share_of_the_conductance_that_ends_in_a_front() -> None:
    """By hand on a strip: two lanes of 1.21 and 0.79; at the first arrival the slower one conducts as its root."""
    curve = lanes.lane_curve(1.0, np.array([1.21, 0.79]), np.array([0.5, 1.0001, 2.0]))
    slow, fast = 0.79 / np.sqrt(0.79 / 1.21), 1.21
    assert curve.dry[0] == pytest.approx(1.0)
    assert curve.dry[1] == pytest.approx(slow / (slow + fast), rel=2e-2)
    assert curve.dry[2] == 0.0
    dry = lanes.lane_family(0.2, 0.19).dry
    assert dry[lanes.NODES_PER_ARRIVAL // 2] == pytest.approx(1.0)
    assert np.all(np.diff(dry) < 1e-9)


def test_running_sums_give_the_mean_over_a_stroke() -> None:
    """By hand on a strip: the mean resistance share over the volume shares 0.2 to 0.4 is 0.3."""
    family = lanes.lane_family(1.0, 0.0)
    first, last = (round(x * lanes.NODES_PER_ARRIVAL) for x in (0.2, 0.4))
    mean = (family.sums[0, last] - family.sums[0, first]) / (last - first)
    assert mean == pytest.approx(0.3, abs=1e-4)
