"""Shots of two-dimensional plates: logs agree with what happened, every disturbance does what it says, faults show."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from catchpot.testing.geometry import Array
from catchpot.testing.plates import Disturbances, Plate, PlateShots, draw_plate, draw_practice, plate_shots
from catchpot.testing.plates.faults import KINDS
from catchpot.testing.plates.outline import FAMILIES
from catchpot.testing.plates.practice import AMBIENT_MBAR
from catchpot.testing.plates.shots import Resin
from catchpot.testing.plates.write import TRUTH, write_plates
from catchpot.workshop import open_workshop

RESIN = Resin(0.2, 4200.0, 23.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def plate() -> Plate:
    return draw_plate(np.random.default_rng(21), "window")


MADE: dict[tuple[object, ...], PlateShots] = {}


def quiet(plate: Plate, n: int = 6, **changed: float) -> PlateShots:
    """Shots without any disturbance but those given; made once for all tests that ask for the same."""
    asked = (id(plate), n, *sorted(changed.items()))
    if asked not in MADE:
        MADE[asked] = _quiet(plate, n, **changed)
    return MADE[asked]


def _quiet(plate: Plate, n: int, **changed: float) -> PlateShots:
    rng = np.random.default_rng(5)
    dials = replace(Disturbances.off(), **changed)
    ways = replace(draw_practice(np.random.default_rng(2), plate, dials), hz=10.0, pump="flow", tweak_chance=0.0)
    return plate_shots(rng, plate, n, dials, practice=ways, resin=RESIN, gains=np.ones(n))


def metered(log: dict[str, Array]) -> Array:
    step = (log["flow_l_min"][1:] + log["flow_l_min"][:-1]) / 120 * np.diff(log["t_s"])
    return np.concatenate([[0.0], np.cumsum(step)])


def lowest_drive(log: dict[str, Array]) -> float:
    """Lowest driving pressure (bar) in the later half of a log while the pump runs."""
    late = slice(len(log["t_s"]) // 2, None)
    flowing = log["flow_l_min"][late] > 0.5 * float(np.median(log["flow_l_min"][late]))
    flowing &= log["flow_l_min"][late] > 0
    drive = log["line_pressure_bar"][late] + (AMBIENT_MBAR - log["cavity_pressure_mbar"][late]) / 1e3
    return float(drive[flowing].min())


def test_a_quiet_log_shows_the_marched_resistance(plate: Plate) -> None:
    made = quiet(plate)
    log, march = made.logs[0], made.marched[0]
    volume = metered(log)
    assert volume[-1] == pytest.approx(made.truth["injected_l"][0], rel=2e-3)
    drive = log["line_pressure_bar"] * 1e5 + (AMBIENT_MBAR - log["cavity_pressure_mbar"]) * 100
    steady = (volume > 0.1 * volume[-1]) & (volume < 0.98 * volume[-1]) & (log["flow_l_min"] > 0)
    seen = drive[steady] / (0.2 * log["flow_l_min"][steady] / 6e4)
    true = np.interp(volume[steady] * 1e-3, march.volume_m3, march.resistance_per_m3)
    assert np.abs(np.median(seen / true) - 1) < 0.003
    assert np.percentile(np.abs(seen / true - 1), 90) < 0.02


def test_without_disturbances_all_shots_arrive_where_the_march_does(plate: Plate) -> None:
    made = quiet(plate)
    assert np.allclose(made.truth["arrival_l"], made.marched[0].arrival_m3 * 1e3, rtol=1e-6)
    assert np.allclose(made.truth["full_l"], made.marched[0].full_m3 * 1e3, rtol=1e-6)
    assert made.truth["arrived"].all()
    over = made.truth["injected_l"] / made.truth["arrival_l"] - 1
    assert np.allclose(over, 0.05, atol=0.006)  # the set volume is rounded to 10 ml


def test_volumes_add_up_with_everything_on() -> None:
    rng = np.random.default_rng(33)
    for family in ("oval", "runner-rim", "bend"):
        t = plate_shots(rng, draw_plate(rng, family), 20, variants=3).truth
        assert np.allclose((t["taken_l"] + t["past_l"])[t["meter_gain"] == 1], t["injected_l"][t["meter_gain"] == 1])
        assert np.all(t["taken_l"] <= t["injected_l"] * (1 + 1e-9))
        assert np.all(t["past_l"][t["arrived"] == 0] == 0)
        assert np.all(t["pot_kg"] <= 1.1 * t["past_l"] / t["meter_gain"] + 1e-9)
        assert np.all(t["arrival_l"] <= t["full_l"] * (1 + 1e-9))
        assert np.all((t["injected_l"] >= t["arrival_l"] * (1 - 1e-9))[t["arrived"] == 1])
        assert np.all((t["injected_l"] < t["arrival_l"])[t["arrived"] == 0])


def test_a_meter_that_reads_high_moves_arrival_and_not_what_is_injected(plate: Plate) -> None:
    dials = Disturbances.off()
    ways = replace(draw_practice(np.random.default_rng(2), plate, dials), tweak_chance=0.0, pump="flow")
    gains = np.array([1.0, 1.0, 1.03, 1.03])
    t = plate_shots(np.random.default_rng(5), plate, 4, dials, practice=ways, resin=RESIN, gains=gains).truth
    assert t["arrival_l"][2] / t["arrival_l"][0] == pytest.approx(1.03, rel=1e-3)
    assert t["injected_l"][2] == pytest.approx(t["injected_l"][0], rel=1e-6)
    assert t["past_l"][2] < t["past_l"][0]


def test_a_cavity_that_opens_takes_more_and_resists_less(plate: Plate) -> None:
    made = quiet(plate, n=30, cavity_step=1.0)
    at = made.cavity_step_at
    assert at is not None
    t = made.truth
    opened = t["cavity_factor"][-1] / t["cavity_factor"][0]
    assert 0.014 < abs(opened - 1) < 0.026
    fibre = plate.bed.fibre_share
    assert t["arrival_l"][-1] / t["arrival_l"][0] == pytest.approx((opened - fibre) / (1 - fibre), rel=1e-3)
    assert (t["ease"][-1] > t["ease"][0]) == (opened > 1)
    assert np.all(t["cavity_factor"][:at] == 1)


def test_a_slow_cover_delays_the_arrival_by_what_it_holds(plate: Plate) -> None:
    plain, soft = quiet(plate), _quiet(plate, 6, cover=1.0)
    if soft.practice.cover_m3_pa == 0:
        soft.practice = replace(soft.practice, cover_m3_pa=0.02 * plate.trial.full_m3 / 1e5)
    rng = np.random.default_rng(5)
    dials = Disturbances.off()
    made = plate_shots(rng, plate, 3, dials, practice=soft.practice, resin=RESIN, gains=np.ones(3), variants=1)
    later = made.truth["arrival_l"][0] - plain.truth["arrival_l"][0]
    most = soft.practice.cover_m3_pa * (soft.practice.limit_pa + (AMBIENT_MBAR - soft.practice.cavity_mbar) * 100)
    assert 0 < later < most * 1e3


@pytest.mark.parametrize(
    ("dial", "value"), [("stopped_short", 1.0), ("noise", 1.0), ("season", 1.0), ("batches", 1.0), ("scatter", 1.0)]
)
def test_each_dial_changes_its_own(plate: Plate, dial: str, value: float) -> None:
    plain, changed = quiet(plate, 24), quiet(plate, 24, **{dial: value})

    def spread(made: PlateShots) -> float:
        seen = {
            "stopped_short": made.truth["injected_l"],
            "noise": np.diff(made.logs[0]["line_pressure_bar"][5:40]),
            "season": made.truth["resin_temp_c"],
            "batches": made.truth["size_factor"],
            "scatter": np.log(made.truth["ease"]),
        }
        return float(np.std(seen[dial]))

    assert spread(changed) > 3 * spread(plain) + 1e-4


def test_a_gauge_that_ends_at_nought_never_shows_less_and_strokes_stand_in_for_flow(plate: Plate) -> None:
    made = quiet(plate, n=4, gauge_floor=1.0, strokes=1.0, noise=1.0)
    for i, log in enumerate(made.logs):
        assert log["line_pressure_bar"].min() >= 0
        assert "flow_l_min" not in log
        assert made.practice.stroke_ml is not None
        counted = log["pump_strokes"][-1] * made.practice.stroke_ml * 1e-3
        assert 0 <= made.truth["injected_l"][i] - counted <= made.practice.stroke_ml * 1e-3 + 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_does_what_it_is_called(plate: Plate, kind: str) -> None:
    rng, n = np.random.default_rng(8), 14
    dials = Disturbances.off()
    ways = replace(draw_practice(np.random.default_rng(2), plate, dials), tweak_chance=0.0, pump="flow", hz=5.0)
    made = plate_shots(
        rng, plate, n, dials, practice=ways, resin=RESIN, gains=np.ones(n), fault_chance=1.0, fault_kinds=[kind]
    )
    assert [f.number for f in made.faults] == list(range(10, n))
    assert {f.kind for f in made.faults} == {kind}
    t, f = made.truth, made.faults[0]
    healthy, ill = made.logs[0], made.logs[f.number]
    if kind == "short_fill":
        assert not t["arrived"][10:].any() and t["arrived"][:10].all()
        assert t["injected_l"][10] / t["arrival_l"][10] == pytest.approx(1 - f.severity, rel=1e-3)
    elif kind == "overfill":
        assert np.all(t["past_l"][10:] > t["past_l"][0] + 0.05 * t["arrival_l"][0])
    elif kind == "race_tracking":
        assert f.severity > 0.05
        assert t["arrival_l"][10] < t["arrival_l"][0]
    elif kind == "air_in_line":
        assert lowest_drive(ill) < 0.5 * lowest_drive(healthy)
        assert t["taken_l"][10] + t["past_l"][10] < t["injected_l"][10] * 0.999
    else:
        assert t["injection_s"][f.number] > t["injection_s"][0]
        early = 0.8 * f.begins * t["arrival_l"][0]
        same = [np.interp(early, metered(x), x["line_pressure_bar"]) for x in (healthy, ill)]
        assert same[0] == pytest.approx(same[1], abs=0.01)


@pytest.mark.slow
def test_a_written_workshop_opens_and_its_truth_has_its_columns(tmp_path: Path) -> None:
    write_plates(tmp_path, 2, moulds=2, shots=13, variants=1, fault_chance=0.7, families=["strip", "wing"])
    workshop = open_workshop(tmp_path)
    assert set(workshop.book.moulds) == {p.name for p in (tmp_path / "logs").iterdir()}
    with (tmp_path / "truth.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 26 and tuple(rows[0])[: len(TRUTH)] == TRUTH
    assert {r["shot"] for r in rows} == {p.stem for p in tmp_path.glob("logs/*/*.csv")}
    with (tmp_path / "truth_faults.csv").open(encoding="utf-8") as file:
        assert {r["kind"] for r in csv.DictReader(file)} <= set(KINDS)
    again = tmp_path / "again"
    write_plates(again, 2, moulds=2, shots=13, variants=1, fault_chance=0.7, families=["strip", "wing"])
    for path in ("truth.csv", "moulds.toml", "parts.csv", "events.csv", "truth_faults.csv"):
        assert (again / path).read_text(encoding="utf-8") == (tmp_path / path).read_text(encoding="utf-8")


@pytest.mark.slow
def test_owners_know_area_and_thickness_and_not_more() -> None:
    for k, family in enumerate(sorted(FAMILIES)):
        plate = draw_plate(np.random.default_rng([k, 77]), family)
        true = plate.bed.outline.area_m2
        assert plate.book["part_area_m2"] == pytest.approx(true, rel=0.0301)
        assert plate.book["thickness_mm"] * 1e-3 >= plate.bed.thickness_m - 6e-6
        assert plate.book["fill"] in ("linear", "radial", "peripheral")
        assert 2 * plate.book["part_area_m2"] / plate.book["flow_length_m"] >= 0.99 * plate.book["inlet_width_m"]
