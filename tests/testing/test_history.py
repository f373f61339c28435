"""Wear, calendars, operators' habits and changes over weeks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.testing import made_up as mu
from catchpot.testing.history import crossing, programmed_volumes, seal_leaks, slow_noise, working_times

OFF = mu.Nuisances.off()


def strip(**settings: object) -> mu.Mould:
    return mu.Mould("strip", mu.five_geometries()["strip"], **settings)  # type: ignore[arg-type]  # any field of Mould


def test_linear_and_proportional_wear() -> None:
    """Floor 0.02; linear 0.01 + 0.002 n; proportional 0.01 exp(0.05 n): 0.12 and 1.504 at n = 50."""
    rng = np.random.default_rng(1)
    _, linear, age = seal_leaks(mu.Seal(0.02, 0.01, 0.002), 51, rng)
    _, grown, _ = seal_leaks(mu.Seal(0.02, 0.01, 0.05, "proportional"), 51, rng)
    assert linear[50] == pytest.approx(0.13)
    assert grown[50] == pytest.approx(0.02 + 0.01 * np.exp(2.5))
    assert age[50] == 50


@pytest.mark.parametrize("replaced", [(20,), (20, 35)])
def test_a_replacement_starts_anew_logged_or_not(replaced: tuple[int, ...]) -> None:
    seal = mu.Seal(0.02, 0.01, 0.002, replaced=replaced, unlogged=(35,))
    _, clean, age = seal_leaks(seal, 40, np.random.default_rng(1))
    assert list(age[[19, 20, 34, 35]]) == [19, 0, 14, 0]
    assert clean[20] == clean[35] == clean[0]
    made = mu.simulate(mu.Scenario(moulds=(strip(shots=40, outer=seal),), nuisances=OFF), 1)
    logged = made.event.filter(pl.col("kind") == "seal_replaced")
    assert logged["detail"].to_list() == ["outer"]
    assert logged["time"].item() < made.shot["started_at"].sort()[20]
    lives = made.truth_seal.filter(pl.col("seal") == "outer")
    assert lives["logged"].to_list() == [True, True, False]


def test_crossing_is_where_the_clean_leak_meets_the_limit() -> None:
    assert crossing(mu.Seal(0.02, 0.01, 0.002), 0.30) == pytest.approx(135.0)
    assert crossing(mu.Seal(0.02, 0.01, 0.05, "proportional"), 0.30) == pytest.approx(np.log(28) / 0.05)
    assert crossing(mu.Seal(0.02, 0.01, 0.0), 0.30) == float("inf")


@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_noise_has_the_spread_and_the_memory_asked_for(rho: float) -> None:
    seal = mu.Seal(0.1, 0.0, 0.0, noise=0.3, autocorrelation=rho)
    noisy, clean, _ = seal_leaks(seal, 20_000, np.random.default_rng(2))
    log = np.log(noisy / clean)
    assert float(np.std(log)) == pytest.approx(0.3, rel=0.05)
    assert float(np.corrcoef(log[1:], log[:-1])[0, 1]) == pytest.approx(rho, abs=0.04)
    assert float(np.mean(noisy / clean)) == pytest.approx(1.0, abs=0.02)


def test_shots_are_made_in_working_hours_at_the_mould_s_rate() -> None:
    mould = strip(shots=200, shots_per_week=10.0)
    times = working_times(mould, datetime(2026, 3, 4, tzinfo=UTC), 200, np.random.default_rng(3))
    assert all(t.weekday() < 5 and 6 <= t.hour < 15 for t in times)
    assert all(b > a for a, b in pairwise(times))
    weeks = (times[-1] - times[0]).days / 7
    assert 200 / weeks == pytest.approx(10.0, rel=0.15)


def test_slow_noise_has_its_spread() -> None:
    days = np.linspace(0, 400, 4000)
    spread = [float(np.std(slow_noise(days, 8.0, np.random.default_rng(s)))) for s in range(20)]
    assert float(np.mean(spread)) == pytest.approx(8.0, rel=0.1)


def test_an_operator_follows_what_the_pot_shows() -> None:
    """Arrival falls by 10 % in the middle: the programmed volume is down by as much some shots later."""
    arrival = np.where(np.arange(40) < 20, 2.0, 1.8)
    mould = strip(programme="follow", overflow_share=0.05)
    made = programmed_volumes(mould, arrival, np.ones(40), np.zeros(40), np.random.default_rng(1))
    assert made[19] == pytest.approx(2.1, abs=0.03)
    assert made[39] == pytest.approx(1.89, abs=0.05)
    fixed = programmed_volumes(
        replace(mould, programme="fixed"), arrival, np.ones(40), np.zeros(40), np.random.default_rng(1)
    )
    assert set(fixed) == {2.1}


CHANGES: dict[str, tuple[str, float, Callable[[float, float], float], float]] = {
    "cavity_thickness": ("pore_volume_l", 0.03, lambda before, after: after / before - 1, 0.0343),
    "fabric_pack": ("fibre_areal_weight_g_m2", 0.05, lambda before, after: after / before - 1, 0.05),
    "permeability": ("permeability_m2", -0.2, lambda before, after: after / before - 1, -0.2),
    "gel_coat": ("thickness_mm", 0.1, lambda before, after: after - before, -0.1),
    "runner_or_hose": ("volume_before_l", 0.2, lambda before, after: after - before, 0.2),
    "overflow": ("overflow_l", 0.15, lambda before, after: after - before, 0.15),
    "flow_meter": ("meter_gain", 0.02, lambda before, after: after / before - 1, 0.02),
    "resin_past_seal": ("past_seal_l", 0.05, lambda before, after: after - before, 0.05),
    "temperature": ("mould_temp_c", 4.0, lambda before, after: after - before, 4.0),
    "resin_viscosity": ("viscosity_pa_s", 0.1, lambda before, after: after / before - 1, 0.1),
    "outer_leak": ("outer_leak_mbar_l_s", 0.1, lambda before, after: after - before, 0.1),
}


@pytest.mark.parametrize("cause", sorted(CHANGES))
def test_each_change_begins_where_it_is_said_to(cause: str) -> None:
    column, amount, measure, expected = CHANGES[cause]
    mould = strip(shots=8, outer=mu.Seal(0.02, 0.01, noise=0.0))
    change = mu.Change("strip", cause, amount, 4)  # type: ignore[arg-type]  # names of the dictionary above
    made = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=OFF, changes=(change,)), 1)
    values = made.truth_shot.sort("number")[column].to_numpy()
    assert np.ptp(values[:4]) < 1e-3 * max(abs(values[0]), 1e-12) + 1e-12
    got = measure(float(values[3]), float(values[4]))
    assert got == pytest.approx(expected, rel=0.6 if cause == "resin_past_seal" else 0.05)
    assert made.truth_change["since"][0] == made.truth_shot.sort("number")["started_at"][4]


def test_a_meter_s_error_shows_on_all_moulds_of_the_injector_only() -> None:
    moulds = (
        strip(shots=10),
        replace(strip(shots=10), name="other", first_day=0),
        replace(strip(shots=10), name="elsewhere", injector="injector-2"),
    )
    made = mu.simulate(
        mu.Scenario(moulds=moulds, nuisances=OFF, changes=(mu.Change("strip", "flow_meter", 0.04, 5),)), 1
    )
    last = {m: made.truth_shot.filter(pl.col("mould") == m).sort("number")["meter_gain"][-1] for m in
            ("strip", "other", "elsewhere")}  # fmt: skip
    assert last == {"strip": pytest.approx(1.04), "other": pytest.approx(1.04), "elsewhere": 1.0}
    assert made.truth_meter.filter(pl.col("injector") == "injector-1")["gain"].to_list() == pytest.approx([1.0, 1.04])


def test_a_meter_error_moves_arrival_and_overflow_and_not_the_injected_volume() -> None:
    mould = strip(shots=6, programme="fixed")
    made = mu.simulate(
        mu.Scenario(moulds=(mould,), nuisances=OFF, changes=(mu.Change("strip", "flow_meter", 0.03, 3),)), 1
    ).truth_shot.sort("number")
    assert made["injected_volume_l"][0] == pytest.approx(made["injected_volume_l"][5])
    assert made["arrival_volume_l"][5] / made["arrival_volume_l"][0] == pytest.approx(1.03, rel=1e-4)
    assert made["overflow_l"][5] < made["overflow_l"][0] - 0.05


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"faults": (mu.Fault("strap", "short_fill", 0, 0.1),)}, "no mould 'strap'; there are strip"),
        ({"faults": (mu.Fault("strip", "short_fill", 3, 0.1),)}, "makes shots 0 to 2, not 3"),
        ({"changes": (mu.Change("strip", "overflow", 0.1, 9),)}, "makes shots 0 to 2, not 9"),
        ({"moulds": (strip(shots=3), strip(shots=3))}, "same name"),
        ({"moulds": (strip(shots=3, resin="tar"),)}, "no resin 'tar'"),
    ],
)
def test_a_scenario_that_names_what_is_not_there_is_refused(more: dict[str, Any], words: str) -> None:
    scenario = replace(mu.Scenario(moulds=(strip(shots=3),)), **more)
    with pytest.raises(ValueError, match=words):
        mu.simulate(scenario, 1)


def test_an_unknown_fault_is_refused() -> None:
    with pytest.raises(ValueError, match="none of race_tracking"):
        mu.Fault("strip", "gremlins", 0, 1.0)
