"""The two-dimensional march against closed forms it does not know, for volume, and under refinement.

Forms: quasi-steady Darcy fills of a strip and of a disc from a port (Adams, Russel and Rebenfeld 1988, Int J Multiphase
Flow 14:203): at unit viscosity R = V / (K h2 W2 phi) for the strip, ln(r / r0) / (2 pi K h) for the disc.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from catchpot.testing.geometry import Array
from catchpot.testing.plates import draw_plate, march_plate
from catchpot.testing.plates.bed import Bed, Cloth, Gap, Rib, Vent, draw_cloth
from catchpot.testing.plates.faults import missing_resistance
from catchpot.testing.plates.fill import Marched, march_network
from catchpot.testing.plates.network import network
from catchpot.testing.plates.outline import FAMILIES, Feed, Outline, VentPlan, draw_outline

LENGTH, WIDTH, THICKNESS, K = 1.0, 0.4, 0.003, 4e-9
PORT, RADIUS = 0.006, 0.4
BOX = np.array([[0.0, 0.0], [LENGTH, 0.0], [LENGTH, WIDTH], [0.0, WIDTH]])
WHOLE_EDGE = Vent((LENGTH, WIDTH / 2), 0.005, line=(1, 0.0, 1.0))


def strip(**changed: object) -> Bed:
    outline = Outline("strip", BOX, Feed("edge", (3,)), VentPlan((1,), 1.0))
    return replace(Bed(outline, THICKNESS, 0.9, K, vents=(WHOLE_EDGE,)), **changed)  # type: ignore[arg-type]


def disc() -> Bed:
    t = 2 * np.pi * np.arange(96) / 96
    corners = np.stack([np.cos(t), np.sin(t)], axis=1)
    corners *= RADIUS * np.sqrt(np.pi / (48 * np.sin(2 * np.pi / 96)))
    return Bed(Outline("disc", corners, Feed("port", radius_m=PORT), VentPlan()), THICKNESS, 0.9, K)


@cache
def strip_march(cells: int) -> Marched:
    return march_network(network(strip(), Cloth.even(3), cells))


def strip_error(marched: Marched, shares: Array) -> Array:
    """Relative error of the strip's resistance at shares of its room."""
    room = (1 - strip().fibre_share) * THICKNESS * WIDTH
    length = shares * LENGTH
    found = np.interp(length * room, marched.volume_m3, marched.resistance_per_m3)
    return np.asarray(found * K * THICKNESS * WIDTH / length - 1)


SHARES = np.linspace(0.1, 0.97, 40)


def test_a_strip_has_the_resistance_of_darcy() -> None:
    error = strip_error(strip_march(800), SHARES)
    assert abs(float(error.mean())) < 0.007
    assert float(np.abs(error[SHARES > 0.3]).max()) < 0.015


def test_a_strip_gets_better_with_the_mesh() -> None:
    coarse, fine = strip_error(strip_march(200), SHARES), strip_error(strip_march(3200), SHARES)
    assert float(np.abs(fine).mean()) < 0.5 * float(np.abs(coarse).mean())
    assert float(np.abs(fine).max()) < 0.012


def test_a_strip_arrives_when_it_is_full_and_then_lets_all_past() -> None:
    marched = strip_march(1600)
    room = (1 - strip().fibre_share) * THICKNESS * WIDTH * LENGTH
    assert marched.full_m3 == pytest.approx(room, rel=1e-4)
    assert 0.99 * room < marched.arrival_m3 <= marched.full_m3
    assert marched.resistance_per_m3[-1] == pytest.approx(LENGTH / (K * THICKNESS * WIDTH), rel=0.01)


@pytest.mark.parametrize(("cells", "within"), [(400, 0.03), (1600, 0.01)])
def test_a_disc_from_a_port_has_the_logarithm(cells: int, within: float) -> None:
    marched = march_network(network(disc(), Cloth.even(5), cells))
    share = np.linspace(0.1, 0.95, 30)
    expected = np.log(RADIUS * np.sqrt(share) / PORT) / (2 * np.pi * K * THICKNESS)
    found = np.interp(share * marched.full_m3, marched.volume_m3, marched.resistance_per_m3)
    assert np.abs(found / expected - 1).max() < 0.02
    # the mesh around the port decides its constant; the growth from there on is the form's own
    grown, should = found[-1] - found[0], expected[-1] - expected[0]
    assert grown == pytest.approx(should, rel=within)


def test_ribs_across_add_their_room_and_take_their_share_of_resistance() -> None:
    """A band twice as deep: room by hand (its glass stays), and a part of the strip that hardly resists."""
    rib = Rib((1.0, 0.0), 0.5, 0.05, 2.0, 1.0)
    plain, deep = strip_march(1600), march_network(network(strip(ribs=(rib,)), Cloth.even(3), 1600))
    more = 0.1 * WIDTH * THICKNESS
    assert deep.full_m3 - plain.full_m3 == pytest.approx(more, rel=0.02)
    assert deep.resistance_per_m3[-1] / plain.resistance_per_m3[-1] == pytest.approx(0.9, abs=0.012)


def test_a_fitting_comes_on_top_once_the_vent_drinks() -> None:
    fitting = 0.125 * LENGTH / (K * THICKNESS * WIDTH)
    vent = replace(WHOLE_EDGE, fitting_per_m3=fitting)
    marched = march_network(network(strip(vents=(vent,)), Cloth.even(3), 800))
    before, plain = strip_march(800), float(strip_march(800).resistance_per_m3[-1])
    assert marched.resistance_per_m3[-1] == pytest.approx(plain + fitting, rel=1e-3)
    assert marched.arrival_m3 == pytest.approx(before.arrival_m3, rel=1e-9)


def test_a_hose_adds_resistance_as_it_fills() -> None:
    hose = 0.3 * LENGTH / (K * THICKNESS * WIDTH)
    vent = replace(WHOLE_EDGE, hose_m3=1e-4, hose_per_m3=hose)
    marched = march_network(network(strip(vents=(vent,)), Cloth.even(3), 800))
    plain = float(strip_march(800).resistance_per_m3[-1])
    half = np.interp(0.5e-4, marched.past_vent_m3, marched.resistance_per_m3)
    assert half == pytest.approx(plain + 0.5 * hose, rel=0.02)
    assert marched.past_vent_m3[-1] - marched.pot_m3[-1] == pytest.approx(1e-4, rel=1e-9)
    assert marched.pot_m3[marched.past_vent_m3 <= 1e-4].max() == 0
    assert marched.resistance_per_m3[-1] == pytest.approx(plain + hose, rel=1e-3)


def test_a_gap_takes_its_share_of_the_flow() -> None:
    """Fully wet, strip and slot are side by side: conductances add, the slot's being w h min(w, h)^2 / 12 over L."""
    gap = 0.002
    cloth = replace(Cloth.even(3), gaps=(Gap(0, 0.0, 1.0, gap),))
    marched = march_network(network(strip(), cloth, 800))
    expected = (K * THICKNESS * WIDTH + gap * THICKNESS * gap**2 / 12) / LENGTH
    assert 1 / marched.resistance_per_m3[-1] == pytest.approx(expected, rel=0.01)
    assert missing_resistance(marched, strip_march(800)) > 0.1
    assert marched.arrival_m3 < 0.9 * strip_march(800).arrival_m3


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_volume_is_lost_in_any_family(family: str) -> None:
    rng = np.random.default_rng([11, len(family)])
    plate = draw_plate(rng, family)
    marched = march_plate(plate, draw_cloth(rng, plate.bed.outline, plate.habit), cells=500)
    held = marched.volume_m3 - marched.past_vent_m3
    assert np.all(np.diff(marched.volume_m3) > 0)
    assert np.all(np.diff(marched.past_vent_m3) >= 0)
    assert held.max() <= marched.full_m3 * (1 + 1e-9)
    assert np.all(np.isfinite(marched.resistance_per_m3)) and np.all(marched.resistance_per_m3 > 0)
    assert marched.past_vent_m3[marched.volume_m3 < marched.arrival_m3 * 0.999].max() == 0
    assert 0 < marched.arrival_m3 <= marched.full_m3
    assert held[-1] == pytest.approx(marched.full_m3, rel=1e-9)
    assert marched.all_wet_m3 >= marched.full_m3 * (1 - 1e-9)


def test_families_are_drawn_afresh_by_seed() -> None:
    assert len(FAMILIES) >= 8
    for family in FAMILIES:
        areas = {round(draw_outline(np.random.default_rng(s), family).area_m2, 6) for s in range(6)}
        assert len(areas) == 6, family
        assert min(areas) > 0, family


def test_the_same_seed_gives_the_same_plate_and_march() -> None:
    made = []
    for _ in range(2):
        rng = np.random.default_rng(4)
        plate = draw_plate(rng, "ell")
        made.append(march_plate(plate, draw_cloth(rng, plate.bed.outline, plate.habit), cells=300))
    assert np.array_equal(made[0].resistance_per_m3, made[1].resistance_per_m3)
    assert made[0].arrival_m3 == made[1].arrival_m3
