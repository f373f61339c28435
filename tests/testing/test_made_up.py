"""Whole made-up workshops: mass balance, determinism, what each switch and each fault does to truth and logs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.core_tables import EVENT, PART, SAMPLE, SHOT
from catchpot.tables import violations
from catchpot.testing import made_up as mu
from catchpot.testing.faults import race_track
from catchpot.testing.front import Bed
from catchpot.testing.geometry import Paths, path
from catchpot.testing.march import march, rows
from catchpot.testing.plan import plan_workshop
from catchpot.testing.scenario import FAULTS
from catchpot.testing.simulate import _all_shots

OFF = mu.Nuisances.off()
DT = 0.5


def everything(shots: int = 4, **settings: Any) -> mu.Scenario:
    """Five moulds with all nuisances on, hoses, runner, cover, core and height included."""
    given: dict[str, Any] = {
        "runner_volume_l": 0.15, "feed_hose_volume_l": 0.1, "vent_hose_m": 2.0, "vent_height_m": 0.4,
        "core_volume_l": 0.1,
        "cover_l_bar": 0.05, "holds": 2,
    }  # fmt: skip
    return mu.Scenario(moulds=mu.five_moulds(shots, **(given | settings)))


SEVERITY = {
    "race_tracking": 0.3, "flow_restriction": 4, "early_gel": 100, "air_in_line": 3, "short_fill": 0.06,
    "overfill": 0.12,
    "ratio_off": 0.2, "catalyst_starved": 0.6, "clamp_margin_low": 200, "cover_lifting": 0.3, "sensor_stuck": 15,
    "sensor_offset": 0.05, "vent_blocked": 1.0, "vacuum_lost": 150, "stopped_before_vent": 0.06, "outer_seal_leak": 0.5,
    "inner_seal_leak": 0.2, "cavity_leak": 0.4, "unusual_shape": 0.6,
}  # fmt: skip


def with_fault(kind: str, severity: float, mould: mu.Mould) -> tuple[mu.MadeUp, mu.MadeUp]:
    """The same seed with and without one fault in the second of three shots."""
    base = mu.Scenario(moulds=(mould,), nuisances=OFF)
    fault = mu.Fault(mould.name, kind, 1, severity)
    return mu.simulate(replace(base, faults=(fault,)), 3, DT), mu.simulate(base, 3, DT)


def strip(**settings: Any) -> mu.Mould:
    return mu.Mould("strip", mu.five_geometries()["strip"], **{"shots": 3, **settings})


def channel(made: mu.MadeUp, name: str, shot: str = "strip-0002") -> np.ndarray:
    return made.logs[shot][name]


def truth(made: mu.MadeUp, column: str, shot: str = "strip-0002") -> Any:
    return made.truth_shot.row(by_predicate=pl.col("shot") == shot, named=True)[column]


@pytest.mark.slow
def test_every_litre_is_somewhere() -> None:
    """What the pump gave is in runner and hose, bed, cover, vent hose and pot, or past the seal."""
    moulds = everything(6).moulds
    faults = tuple(
        mu.Fault(m.name, kind, i % 6, severity)
        for m in moulds
        for i, (kind, severity) in enumerate(SEVERITY.items())
        if kind not in ("sensor_stuck", "sensor_offset")
    )
    changes = tuple(mu.Change(m.name, "resin_past_seal", 0.05, 2) for m in moulds)
    plan = plan_workshop(replace(everything(6), faults=faults, changes=changes), np.random.default_rng(5))
    shots = _all_shots(plan)
    record = march(plan.paths, shots)
    there = record.before_l + record.bed_l + record.cover_l + record.past_vent_l + record.past_seal_l
    assert np.all(record.true_injected_l > 0.5)
    np.testing.assert_allclose(there, record.true_injected_l, atol=2e-5)


def test_the_meter_counts_by_its_gain() -> None:
    made = mu.simulate(replace(mu.Scenario(moulds=(strip(),), nuisances=OFF), meter_gain=(("injector-1", 1.03),)), 1)
    ratio = made.truth_shot["injected_volume_l"] / made.truth_shot["injected_true_l"]
    np.testing.assert_allclose(ratio.to_numpy(), 1.03, rtol=1e-9)
    logged = made.sample.filter(pl.col("shot") == "strip-0001")["vol_l"].max()
    assert logged == pytest.approx(truth(made, "injected_volume_l", "strip-0001"), rel=3e-3)


def test_core_tables_are_as_declared() -> None:
    made = mu.simulate(everything(2, weigh_fabric=True, stroke_ml=30.0), 2)
    for table, frame in ((SHOT, made.shot), (SAMPLE, made.sample), (EVENT, made.event), (PART, made.part)):
        assert violations(table, frame) == []


def test_the_same_seed_gives_the_same_workshop_and_another_does_not() -> None:
    a, b, c = (mu.simulate(everything(2), seed) for seed in (7, 7, 8))
    assert a.sample.equals(b.sample)
    assert a.truth_shot.equals(b.truth_shot)
    assert a.part.equals(b.part)
    assert not a.sample.equals(c.sample)


def test_shots_marched_together_or_alone_are_the_same() -> None:
    plan = plan_workshop(everything(2), np.random.default_rng(1))
    shots = _all_shots(plan)
    together = march(plan.paths, shots)
    for i in (0, 3, 9):
        alone = march(plan.paths, rows(shots, np.array([i])))
        assert alone.metered_at_arrival_l[0] == pytest.approx(together.metered_at_arrival_l[i], rel=1e-6)
        n = alone.line_pressure_bar.shape[1]
        np.testing.assert_allclose(alone.line_pressure_bar[0], together.line_pressure_bar[i, :n], atol=1e-4)


def test_a_written_workshop_reads_back(tmp_path: Path) -> None:
    made = mu.write_workshop(tmp_path, everything(2, hold_checks=2), 4)
    assert {p.name for p in tmp_path.iterdir()} >= {
        "catchpot.toml",
        "moulds.toml",
        "events.csv",
        "parts.csv",
        "logs",
        "truth",
    }
    row = made.shot.row(0, named=True)
    text = (tmp_path / row["source_file"]).read_text(encoding="utf-8")
    head = [line for line in text.splitlines() if line.startswith("#")]
    assert f"# mould = {row['mould']}" in head
    frame = pl.read_csv(tmp_path / row["source_file"], comment_prefix="#")
    np.testing.assert_allclose(frame["t_s"].to_numpy(), made.logs[row["shot"]]["t_s"], atol=1e-9)
    from catchpot.workshop import open_workshop

    workshop = open_workshop(tmp_path)
    assert set(workshop.book.moulds) == {m.name for m in made.scenario.moulds}
    assert workshop.events.height == made.event.height
    assert workshop.parts.height == made.part.height


def test_a_hold_check_log_has_no_injection() -> None:
    made = mu.simulate(everything(3, hold_checks=3), 1)
    checks = made.truth_shot.filter(pl.col("kind") == "hold_check")["shot"].to_list()
    assert len(checks) == 5
    for shot in checks:
        assert made.logs[shot]["flow_l_min"].max() == 0.0
        assert made.logs[shot]["vacuum_isolated"].max() == 1.0


def test_holds_rise_by_leak_over_volume() -> None:
    """One hold of 45 s: the clamp rises by (outer + inner) / volume, near the reference states."""
    mould = strip(
        holds=1,
        outer=mu.Seal(floor=0.2, start=0.0, noise=0.0),
        inner=mu.Seal(floor=0.03, start=0.0, noise=0.0),
        squeeze=0.0,
    )
    made = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=mu.Nuisances.off(sensor_noise=0.0)), 1)
    held = channel(made, "vacuum_isolated") == 1
    t, p = channel(made, "t_s")[held], channel(made, "clamp_pressure_mbar")[held]
    assert np.polyfit(t, p, 1)[0] * mould.clamp_volume_l == pytest.approx(0.23, rel=0.01)


def test_a_switching_pump_tops_up_and_a_receiver_does_not() -> None:
    leak = mu.Seal(floor=0.4, start=0.0, noise=0.0)
    made = [
        mu.simulate(mu.Scenario(moulds=(strip(outer=leak, pump=pump),), nuisances=OFF), 1)
        for pump in ("switching", "receiver")
    ]
    spread = [float(np.std(channel(m, "clamp_pressure_mbar")[160:480])) for m in made]
    assert spread[0] > 3.0
    assert spread[1] < 0.8


def spread(made: mu.MadeUp, column: str) -> float:
    return float(np.ptp(made.truth_shot[column].to_numpy()))


@cache
def undisturbed(settings: tuple[tuple[str, Any], ...]) -> mu.MadeUp:
    return mu.simulate(mu.Scenario(moulds=(strip(**dict(settings)),), nuisances=OFF), 3, DT)


SWITCHES: dict[str, tuple[dict[str, Any], dict[str, Any], Callable[[mu.MadeUp], float]]] = {
    "lane_sd": (
        {"lane_sd": 0.17, "lanes": 8}, {}, lambda m: 1 - truth(m, "arrival_true_l") / truth(m, "pore_volume_l"),
    ),
    "hoses": ({"hoses": True}, {"vent_hose_m": 2.0}, lambda m: truth(m, "past_vent_l") - truth(m, "catch_pot_l")),
    "areal_weight_sd": ({"areal_weight_sd": 0.02}, {}, lambda m: spread(m, "fibre_areal_weight_g_m2")),
    "permeability_sd": ({"permeability_sd": 0.1}, {}, lambda m: spread(m, "permeability_m2") * 1e9),
    "fabric_batch_sd": ({"fabric_batch_sd": 0.02}, {}, lambda m: abs(truth(m, "fibre_areal_weight_g_m2") - 1000.0)),
    "gel_coat_sd_mm": ({"gel_coat_sd_mm": 0.05}, {}, lambda m: spread(m, "thickness_mm")),
    "gauge_ends": ({"gauge_ends": True}, {}, lambda m: float((channel(m, "line_pressure_bar") == 0.0).mean()) - 0.05),
    "strokes": ({"strokes": True}, {"stroke_ml": 30.0}, lambda m: float("pump_strokes" in m.logs["strip-0002"])),
    "packing": ({"packing": True}, {"pack_s": 10.0}, lambda m: float(np.sum(channel(m, "vent_open")[-150:] == 0))),
    "cover": (
        {"cover": True},
        {"cover_l_bar": 0.1, "cover_s": 8.0},
        lambda m: float(channel(m, "line_pressure_bar")[channel(m, "t_s") > truth(m, "stop_s") + 1][0]) + 0.46,
    ),
    "height": ({"height": True}, {"vent_height_m": 1.0}, lambda m: m.book_data()["moulds"]["strip"]["vent_height_m"]),
    "core": ({"core": True}, {"core_volume_l": 0.2}, lambda m: 1.9490 - truth(m, "pore_volume_l")),
    "ambient_sd_mbar": ({"ambient_sd_mbar": 10.0}, {}, lambda m: abs(truth(m, "ambient_pressure_mbar") - 1013.25)),
    "vacuum_sd_mbar": (
        {"vacuum_sd_mbar": 20.0},
        {},
        lambda m: abs(float(np.median(channel(m, "cavity_pressure_mbar")[200:])) - 550.0) - 1.5,
    ),
    "mould_apart_k": ({"mould_apart_k": 2.0}, {}, lambda m: abs(truth(m, "mould_temp_c") - truth(m, "resin_temp_c"))),
    "season_k": ({"season_k": 6.0}, {}, lambda m: abs(truth(m, "mould_temp_c") - 23.0)),
    "day_k": ({"day_k": 3.0}, {}, lambda m: abs(truth(m, "mould_temp_c") - 23.0)),
    "batch_viscosity_sd": ({"batch_viscosity_sd": 0.15}, {}, lambda m: abs(truth(m, "resin_viscosity_factor") - 1.0)),
    "capillary_mbar": ({"capillary_mbar": 20.0}, {}, lambda m: truth(m, "capillary_mbar")),
    "ripple": (
        {"ripple": 0.2},
        {},
        lambda m: float(np.std(np.diff(channel(m, "flow_l_min")[170:250]))) / 0.02 - 3.0,
    ),
    "warming_k": (
        {"warming_k": 4.0},
        {"holds": 1},
        lambda m: max(float(np.ptp(log["cavity_pressure_mbar"][150:320])) for log in m.logs.values()) - 3.6,
    ),
    "outgas_mbar_l_s": (
        {"outgas_mbar_l_s": 0.6},
        {"holds": 1},
        lambda m: float(np.ptp(channel(m, "cavity_pressure_mbar")[150:320])) - 3.6,
    ),
    "drop_outs": ({"drop_outs": 1.0}, {}, lambda m: float(np.max(np.diff(channel(m, "t_s")))) - 0.4),
    "jitter": ({"jitter": 0.1}, {}, lambda m: float(np.std(np.diff(channel(m, "t_s")))) - 1e-6),
    "runner_error": (
        {"runner_error": True},
        {"runner_volume_l": 0.2, "runner_booked_l": 0.3},
        lambda m: m.book_data()["moulds"]["strip"]["runner_volume_l"] - 0.2,
    ),
    "expansion_per_k": (
        {"expansion_per_k": 8e-4, "mould_apart_k": 8.0},
        {},
        lambda m: abs(truth(m, "injected_volume_l") / truth(m, "injected_true_l") - 1) - 1e-5,
    ),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(SWITCHES))
def test_each_switch_does_what_it_says(name: str) -> None:
    nuisance, settings, shows = SWITCHES[name]
    with_it = mu.simulate(mu.Scenario(moulds=(strip(**settings),), nuisances=replace(OFF, **nuisance)), 3, DT)
    assert shows(with_it) > 1e-6
    assert shows(undisturbed(tuple(settings.items()))) <= 1e-4


def test_no_switch_is_forgotten() -> None:
    """Every nuisance has a test above, or is named here with where it is tried."""
    elsewhere = {"lanes", "temperature_c", "batch_viscosity_known", "capillary_sd_mbar", "sensor_noise", "quantise"}
    assert {f.name for f in mu.Nuisances.__dataclass_fields__.values()} == set(SWITCHES) | elsewhere


def test_without_noise_the_log_is_the_truth() -> None:
    made = mu.simulate(mu.Scenario(moulds=(strip(),), nuisances=mu.Nuisances.off(sensor_noise=0.0)), 1)
    volume = made.sample.filter(pl.col("shot") == "strip-0002")["vol_l"].max()
    assert volume == pytest.approx(truth(made, "injected_volume_l"), rel=2e-3)
    assert len(np.unique(channel(made, "resin_temp_c"))) == 1


def test_known_batches_stand_in_the_book_with_their_true_viscosity() -> None:
    nuisances = replace(OFF, batch_viscosity_sd=0.1, batch_viscosity_known=1.0)
    made = mu.simulate(mu.Scenario(moulds=(strip(),), nuisances=nuisances), 3)
    batch = made.shot["resin_batch"][0]
    given = made.book_data()["resin_batches"][batch]["viscosity_pa_s"]
    assert given == pytest.approx(truth(made, "viscosity_pa_s"), abs=1e-4)


FAULT_SIGNS: dict[str, Callable[[mu.MadeUp, mu.MadeUp], bool]] = {
    "race_tracking": lambda a, b: truth(a, "arrival_volume_l") < 0.9 * truth(b, "arrival_volume_l"),
    "flow_restriction": lambda a, b: truth(a, "arrival_s") > truth(b, "arrival_s") + 10,
    "early_gel": lambda a, b: truth(a, "stop_s") > truth(b, "stop_s") + 30,
    "air_in_line": lambda a, b: truth(a, "air_l") > 0.02 and truth(b, "air_l") == 0,
    "short_fill": lambda a, b: truth(a, "arrival_volume_l") is None and abs(truth(a, "filled_share") - 0.94) < 2e-3,
    "overfill": lambda a, b: abs(truth(a, "overflow_l") / truth(a, "arrival_volume_l") - 0.12) < 2e-3,
    "ratio_off": lambda a, b: (
        _ratio(a, 0.5) > 1.15 * _ratio(b, 0.5) and abs(_ratio(a, 0.1) / _ratio(b, 0.1) - 1) < 0.05
    ),
    "catalyst_starved": lambda a, b: _ratio(a, 0.9) < 0.5 * _ratio(b, 0.9),
    "clamp_margin_low": lambda a, b: _mean(a, "clamp_pressure_mbar") > _mean(b, "clamp_pressure_mbar") + 180,
    "cover_lifting": lambda a, b: truth(a, "filled_share") < truth(b, "filled_share") - 0.02,
    "sensor_stuck": lambda a, b: _longest_run(channel(a, "line_pressure_bar")) >= 59,
    "sensor_offset": lambda a, b: abs(float(channel(a, "line_pressure_bar")[:20].mean()) - 0.05) < 0.005,
    "vent_blocked": lambda a, b: _mean(a, "cavity_pressure_mbar") > _mean(b, "cavity_pressure_mbar") + 50,
    "vacuum_lost": lambda a, b: float(channel(a, "cavity_pressure_mbar")[-60:].mean()) > 690,
    "stopped_before_vent": lambda a, b: truth(a, "arrival_volume_l") is None,
    "outer_seal_leak": lambda a, b: truth(a, "outer_leak_mbar_l_s") > truth(b, "outer_leak_mbar_l_s") + 0.49,
    "inner_seal_leak": lambda a, b: truth(a, "inner_leak_mbar_l_s") > truth(b, "inner_leak_mbar_l_s") + 0.19,
    "cavity_leak": lambda a, b: truth(a, "cavity_leak_mbar_l_s") > truth(b, "cavity_leak_mbar_l_s") + 0.39,
    "unusual_shape": lambda a, b: truth(a, "arrival_s") > truth(b, "arrival_s") + 5,
}


def _ratio(made: mu.MadeUp, share: float) -> float:
    volume = made.sample.filter(pl.col("shot") == "strip-0002")["vol_l"].to_numpy()
    expected = truth(made, "pore_volume_l")
    near = (np.abs(volume / expected - share) < 0.03) & (channel(made, "flow_l_min") > 0)
    return float(np.mean(channel(made, "catalyst_flow_ml_min")[near] / channel(made, "flow_l_min")[near]))


def _mean(made: mu.MadeUp, name: str) -> float:
    t = channel(made, "t_s")
    return float(channel(made, name)[(t > 70) & (t < truth(made, "stop_s"))].mean())


def _longest_run(values: np.ndarray) -> int:
    change = np.flatnonzero(np.diff(values) != 0)
    return int(np.max(np.diff(np.concatenate([[-1], change, [len(values) - 1]]))))


@pytest.fixture(scope="module")
def faulty_and_healthy() -> tuple[mu.MadeUp, mu.MadeUp]:
    """A mould with each kind of fault in a shot of its own, every other shot healthy; and the same without faults."""
    base = mu.Scenario(moulds=(strip(holds=1, shots=2 * len(FAULTS)),), nuisances=OFF)
    faults = tuple(mu.Fault("strip", kind, 2 * i, SEVERITY[kind]) for i, kind in enumerate(FAULTS))
    return mu.simulate(replace(base, faults=faults), 3), mu.simulate(base, 3)


@pytest.mark.parametrize("kind", FAULTS)
def test_each_fault_leaves_its_mark(kind: str, faulty_and_healthy: tuple[mu.MadeUp, mu.MadeUp]) -> None:
    faulty, healthy = (only(m, f"strip-{2 * FAULTS.index(kind) + 1:04d}") for m in faulty_and_healthy)
    assert FAULT_SIGNS[kind](faulty, healthy)
    row = faulty.truth_fault.row(by_predicate=pl.col("kind") == kind, named=True)
    assert (row["shot"], row["happened"]) == (f"strip-{2 * FAULTS.index(kind) + 1:04d}", True)


def test_faults_leave_the_other_shots_alone(faulty_and_healthy: tuple[mu.MadeUp, mu.MadeUp]) -> None:
    faulty, healthy = faulty_and_healthy
    for i in range(1, 2 * len(FAULTS), 2):
        shot = f"strip-{i + 1:04d}"
        for name, values in healthy.logs[shot].items():
            np.testing.assert_allclose(faulty.logs[shot][name], values, atol=2e-3, err_msg=f"{shot} {name}")


def only(made: mu.MadeUp, shot: str) -> mu.MadeUp:
    """The workshop with that shot under the name the signs above look for."""
    rename = {"shot": pl.lit("strip-0002")}
    return replace(
        made,
        logs={"strip-0002": made.logs[shot]},
        truth_shot=made.truth_shot.filter(pl.col("shot") == shot).with_columns(**rename),
        sample=made.sample.filter(pl.col("shot") == shot).with_columns(**rename),
    )


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.15, 0.25, 0.4])
def test_the_race_track_dial_is_the_resistance_taken_off(share: float) -> None:
    """At a pressure held steady, resistance at a volume is pressure over flow; compare both shots on volume."""
    faulty, healthy = (
        made.sample.filter(pl.col("shot") == "strip-0002", pl.col("flow_l_min") > 0)
        for made in with_fault(
            "race_tracking", share, strip(hose_m=0.001, line_pressure_limit_bar=0.3, set_flow_l_min=60.0)
        )
    )

    def resistance(frame: pl.DataFrame, at: np.ndarray) -> np.ndarray:
        drive = frame["line_pressure_bar"].to_numpy() * 1e3 + 1013.25 - frame["cavity_pressure_mbar"].to_numpy()
        r = drive / frame["flow_l_min"].to_numpy()
        volume = frame["vol_l"].to_numpy()
        return np.array([np.median(r[np.abs(volume - v) < 0.03]) for v in at])

    arrival = 1.949
    raced = with_fault("race_tracking", share, strip())[0]
    end = truth(raced, "arrival_volume_l")
    at = np.linspace(0.08 * end, end, 15)
    assert end < arrival
    assert float(np.mean(1 - resistance(faulty, at) / resistance(healthy, at))) == pytest.approx(share, abs=0.06)


def test_race_track_lanes_share_the_width() -> None:
    paths = Paths.of([path(mu.five_geometries()["all-round"])])
    one = np.ones(1)
    bed = Bed(np.zeros(1, np.intp), one, one, one[None], one[None], *[one] * 10)
    lanes, factor = race_track(paths, bed, 0.3)
    assert lanes.sum() == pytest.approx(1.0)
    assert factor[-1] > 1.5


@pytest.mark.parametrize(
    ("holds", "order", "levels"),
    [
        (0, "open first", []),
        (1, "open first", [550]),
        (2, "open first", [1013, 550]),
        (2, "vacuum first", [550, 1013]),
        (3, "open first", [1013, 782, 550]),
    ],
)
def test_holds_come_in_the_order_and_at_the_cavity_pressures_asked_for(
    holds: int, order: Any, levels: list[int]
) -> None:
    made = mu.simulate(mu.Scenario(moulds=(strip(holds=holds, hold_order=order),), nuisances=OFF), 1, DT)
    isolated, cavity = channel(made, "vacuum_isolated"), channel(made, "cavity_pressure_mbar")
    starts = np.flatnonzero(np.diff(isolated) == 1) + 1
    assert [float(cavity[s + 4]) for s in starts] == pytest.approx(levels, abs=12)


def test_the_generator_knows_none_of_the_analyses() -> None:
    """It marches numerically by itself: no closed form of the analyses, no plugin, is imported by what simulates."""
    here = Path(mu.__file__).parent
    for name in (
        "geometry",
        "front",
        "machine",
        "vacuum",
        "march",
        "faults",
        "history",
        "inputs",
        "plan",
        "sensors",
        "scenario",
    ):
        text = (here / f"{name}.py").read_text(encoding="utf-8")
        imports = [line for line in text.splitlines() if line.startswith(("from catchpot", "import catchpot"))]
        assert all(line.startswith("from catchpot.testing") for line in imports), name
