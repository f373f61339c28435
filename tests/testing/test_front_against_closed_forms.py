"""The marched front against published closed forms it knows nothing of.

Common inputs: K = 1e-9 m2, porosity 0.8, viscosity 0.2 Pa s, 1e5 Pa, L = W = 0.5 m, h = 4 mm; disc 5 mm to 0.5 m.
Forms: Darcy (1856) quasi-steady fills as in Adams, Russel and Rebenfeld 1988 (Int J Multiphase Flow 14:203) and
Weitzenbock, Shenoi and Wilson 1999 (Composites A 30:781); the numbers were recomputed from the formula and by an
independent solver of the differential equation.
"""

from __future__ import annotations

from collections.abc import Callable
from math import log, pi

import numpy as np
import pytest

from catchpot.testing.front import Bed, Front, Step, expected_arrival_m3
from catchpot.testing.geometry import Geometry, Paths, path
from catchpot.testing.march import Record

Fill = Callable[..., Record]
STRIP = Geometry("linear", 0.5, 0.5, 0.25, 4.0)
R0, R = 0.005, 0.5
PORT = Geometry("radial", 2 * pi * R0, R - R0, pi * (R**2 - R0**2), 4.0)
RIM = Geometry("peripheral", 2 * pi * R, R - R0, pi * (R**2 - R0**2), 4.0)


def first(values: np.ndarray) -> float:
    return float(values[0])


def when(record: Record, share: float) -> float:
    """Time at which that share of the bed is full; the share is recorded at the start of each step."""
    return float(np.interp(share, record.share[0], record.t_s - record.dt_s / 2))


def test_strip_at_constant_pressure(fill: Fill) -> None:
    record = fill(STRIP)
    assert first(record.arrival_s) == pytest.approx(200.0, rel=2e-4)
    assert when(record, 0.5) == pytest.approx(50.0, rel=2e-3)
    assert first(record.true_at_arrival_l) == pytest.approx(0.8, rel=1e-6)


def test_strip_at_constant_flow(fill: Fill) -> None:
    record = fill(STRIP, flow=5e-6, pressure=1e9)
    assert first(record.arrival_s) == pytest.approx(160.0, rel=1e-5)
    at = int(np.searchsorted(record.t_s, 159.0))
    assert record.line_pressure_bar[0][at] * 1e5 == pytest.approx(250_000 * record.t_s[at] / 160.0, rel=2e-3)


def test_strip_with_flow_then_pressure_limit(fill: Fill) -> None:
    record = fill(STRIP, flow=5e-6, pressure=3e4, extra_share=0.001)
    assert first(record.arrival_s) == pytest.approx(676.266667, rel=5e-4)
    limited = record.flow_l_min[0] / 6e4 < 5e-6 * 0.999
    assert float(record.t_s[int(np.argmax(limited))]) == pytest.approx(19.2, abs=0.5)


def test_disc_from_a_port_at_constant_pressure(fill: Fill) -> None:
    record = fill(PORT, longest_s=2000)
    assert first(record.arrival_s) == pytest.approx(821.044037, rel=1e-3)
    assert when(record, (0.198250**2 - R0**2) / (R**2 - R0**2)) == pytest.approx(100.0, rel=3e-3)


def test_disc_from_a_port_at_constant_flow(fill: Fill) -> None:
    record = fill(PORT, flow=5e-6, pressure=1e9)
    assert first(record.arrival_s) == pytest.approx(502.604561, rel=1e-4)
    at = int(np.searchsorted(record.t_s, 500.0))
    front = (R0**2 + 5e-6 * float(record.t_s[at]) / (pi * 0.8 * 0.004)) ** 0.5
    expected = 0.2 * 5e-6 * log(front / R0) / (2 * pi * 1e-9 * 0.004)
    assert record.line_pressure_bar[0][at] * 1e5 == pytest.approx(expected, rel=2e-3)


def test_disc_from_its_rim_at_constant_pressure(fill: Fill) -> None:
    record = fill(RIM)
    assert first(record.arrival_s) == pytest.approx(99.897897, rel=2e-3)
    share = (R**2 - 0.25**2) / (R**2 - R0**2)
    assert when(record, share) == pytest.approx(40.342641, rel=3e-3)
    flow = float(np.interp(40.342641, record.t_s, record.flow_l_min[0]))
    assert flow / 6e4 == pytest.approx(1.812940e-5, rel=5e-3)


def test_hose_in_series(fill: Fill) -> None:
    record = fill(STRIP, line_resistance=128 * 2 / (pi * 0.01**4))
    assert first(record.arrival_s) == pytest.approx(213.037974, rel=5e-4)


def test_gelling_resin_fills_late_or_stalls(fill: Fill) -> None:
    assert first(fill(STRIP, gel_s=600).arrival_s) == pytest.approx(243.279065, rel=1e-3)
    stalled = fill(STRIP, gel_s=150, longest_s=1700)
    assert np.isnan(first(stalled.arrival_s))
    assert first(stalled.filled_share) * 0.5 == pytest.approx(0.433013, rel=1e-3)


def test_ramped_pressure() -> None:
    """0 to 1e5 Pa in 50 s, then flat: front at 0.306186 m after 100 s."""
    paths = Paths.of([path(STRIP)])
    zero, one_ = np.zeros(1), np.ones(1)
    bed = Bed(
        np.zeros(1, np.intp), one_ * 8e-4, one_ * 1e-9, np.ones((1, 1)), np.ones((1, 1)), one_ * 0.2, one_ * 0.2, zero,
        zero, zero, zero, zero, zero, zero, one_,
    )  # fmt: skip
    front, dt = Front.dry(bed), 0.5
    for k in range(200):
        rate = np.array([[1e-9 / (0.2 * 8e-4)]])
        step = Step(
            paths, bed, front, dt, ahead_pa=np.zeros((1, 1)), rate=rate, pore_m3=bed.pore_volume_m3, growth_m3_s=zero,
            out_m3_pa_s=zero, out_pa=zero, cover_pa=zero, seal_m3_pa_s=zero, seal_pa=zero, vent_open=one_,
        )  # fmt: skip
        pressure = np.array([1e5 * min((k + 0.5) * dt / 50.0, 1.0)])
        front.work, front.share = step.lanes(pressure)[:2]
    assert float(front.share[0, 0]) * 0.5 == pytest.approx(0.306186, rel=1e-4)


@pytest.mark.slow
def test_coarser_and_finer_steps_agree(fill: Fill) -> None:
    times = [
        first(fill(RIM, flow=2e-5, pressure=4e4, line_resistance=4e9, dt_s=dt).arrival_s) for dt in (0.5, 0.25, 0.1)
    ]
    assert abs(times[1] - times[2]) < 1e-3 * times[2]
    assert abs(times[0] - times[2]) < 2e-3 * times[2]


def test_width_and_thickness_profiles_sum_to_the_part() -> None:
    """A necked, thickening path against quadrature: resistance at the end is the integral of ds / (w h)."""
    shape = Geometry(
        "linear", 0.5, 0.8, 0.4, 3.0,
        width=lambda s: 1 - 0.5 * np.exp(-(((s - 0.5) / 0.15) ** 2)), thickness=lambda s: 1 + 0.5 * s,
    )  # fmt: skip
    made = path(shape)
    s = (np.arange(200_000) + 0.5) / 200_000
    w = 1 - 0.5 * np.exp(-(((s - 0.5) / 0.15) ** 2))
    w = w * 0.4 / (0.8 * w.mean())
    h = 1 + 0.5 * s
    h = h * w.sum() / (h * w).sum() * 3e-3
    assert float(made.resistance_per_m[-1]) == pytest.approx(0.8 * float(np.mean(1 / (w * h))), rel=1e-4)
    half = float(np.interp(0.5, made.along, made.share))
    assert half == pytest.approx(float((w * h)[:100_000].sum() / (w * h).sum()), rel=1e-3)


def test_first_lane_decides_the_arrival(fill: Fill) -> None:
    """Two half lanes, 4 : 1 in permeability, straight strip: the slow one is half way when the fast one arrives."""
    lanes = {"lane_share": [[0.5, 0.5]], "lane_factor": [[1.6, 0.4]]}
    record = fill(STRIP, bed=lanes, extra_share=0.3)
    assert first(record.true_at_arrival_l) == pytest.approx(0.75 * 0.8, rel=1e-3)
    paths = Paths.of([path(STRIP)])
    zero, one_ = np.zeros(1), np.ones(1)
    bed = Bed(
        np.zeros(1, np.intp), one_ * 8e-4, one_, np.array([[0.5, 0.5]]), np.array([[1.6, 0.4]]), one_, one_, zero, zero,
        zero, zero, zero, zero, zero, one_,
    )  # fmt: skip
    assert first(expected_arrival_m3(paths, bed)) * 1e3 == pytest.approx(0.6, rel=1e-4)


def test_vent_hose_goes_on_adding_resistance(fill: Fill) -> None:
    """2 m of 10 mm hold 0.157 l; once full they stand in series with the bed: 2.5e10 + 1.63e9 Pa s/m3."""
    hose = pi / 4 * 0.01**2 * 2
    record = fill(
        STRIP, bed={"vent_hose_m3": hose, "vent_hose_resistance_per_m3": 128 * 2 / (pi * 0.01**4)}, extra_share=0.3
    )
    last = int(np.searchsorted(record.t_s, first(record.stop_s) - 1.0))
    bed = 0.2 * 0.5 / (1e-9 * 0.5 * 0.004)
    assert record.flow_l_min[0][last] / 6e4 == pytest.approx(1e5 / (bed + 1.629747e9), rel=1e-3)
    at_arrival = int(np.searchsorted(record.t_s, first(record.arrival_s) + 0.5))
    assert record.flow_l_min[0][at_arrival] / 6e4 == pytest.approx(1e5 / bed, rel=3e-3)
    assert first(record.catch_pot_l) == pytest.approx(first(record.past_vent_l) - hose * 1e3, abs=1e-9)


def test_air_in_a_gelled_shot_never_makes_volume(fill: Fill) -> None:
    """Slugs are counted by the meter and not by the bed."""
    slugs = {"slug_from": [[0.3, 0.5, np.inf, np.inf, np.inf, np.inf]], "slug_s": [[3.0] * 6]}
    record = fill(STRIP, flow=5e-6, pressure=1e9, troubles=slugs, extra_share=0.0)
    assert first(record.air_l) == pytest.approx(2 * 3.0 * 5e-3 * 0.9, rel=0.15)
    assert first(record.true_injected_l) == pytest.approx(0.8 - first(record.air_l), rel=1e-6)
