"""Phases found from the curves alone, over logs of many kinds whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.core_tables import CURVE, LOG_NOTE, PHASE, QUALITY
from catchpot.ingest.reduce import reduce_samples
from catchpot.tables import empty, violations
from catchpot.workshop import MouldBook

Making = Callable[..., Any]
Sampling = Callable[[dict[str, dict[str, Any]]], pl.DataFrame]


def reduce(frame: pl.DataFrame, book: MouldBook | None = None) -> dict[str, pl.DataFrame]:
    names = frame["shot"].unique(maintain_order=True)
    shots = pl.DataFrame({"shot": names, "mould": ["m"] * len(names)}, schema_overrides={"mould": pl.String})
    shots = shots.with_columns(
        started_at=pl.lit(None, dtype=pl.Datetime("us", "UTC")), resin_batch=pl.lit(None, dtype=pl.String)
    )
    tables = reduce_samples(frame, shots, empty(LOG_NOTE), book or MouldBook.model_validate({"moulds": {"m": {}}}))
    for table in (PHASE, QUALITY, CURVE):
        assert violations(table, tables[table.name]) == []
    return tables


def phases(tables: dict[str, pl.DataFrame], shot: str, kind: str) -> list[dict[str, Any]]:
    frame = tables["phase"].filter((pl.col("shot") == shot) & (pl.col("phase") == kind))
    return frame.to_dicts()


@pytest.fixture(scope="module")
def many() -> int:
    """How many random logs a sweep takes."""
    return 150


def sweep(
    making: Making, sampling: Sampling, seed: int, n: int, **fixed: Any
) -> tuple[dict[str, Any], dict[str, pl.DataFrame]]:
    rng = np.random.default_rng(seed)
    made = {f"s{i:04d}": making(rng, **fixed) for i in range(n)}
    return made, reduce(sampling({k: m.columns for k, m in made.items()}))


def test_injections_of_many_kinds_of_logs(making: Making, sampling: Sampling, many: int) -> None:
    """Noise to 3 %, pulsation, slow starts, trickles, pauses, zero offsets, with and without the rest."""
    made, tables = sweep(making, sampling, 11, many, hz=4.0)
    wrong = []
    for shot, m in made.items():
        (found,) = phases(tables, shot, "inject")
        start, end = m.inject
        offset = m.how["offset"] * (found["end_s"] - found["start_s"]) / 60
        volume = found["end_volume_l"] - found["start_volume_l"] - offset
        if abs(found["start_s"] - start) > 2.5 or abs(volume / m.volume_l - 1) > 0.01:
            wrong.append((shot, found, m.how, start, end, volume / m.volume_l - 1))
    assert len(wrong) <= many // 50, wrong


def test_no_injection_is_made_of_noise_and_offset(making: Making, sampling: Sampling, many: int) -> None:
    for offset in (0.0, 0.03, 0.1, -0.1):
        made, tables = sweep(making, sampling, 5, many // 3, inject=False, offset=offset, noise=0.03)
        assert tables["phase"].filter(pl.col("phase") == "inject").is_empty(), offset
        assert tables["curve"].is_empty()
        assert set(tables["phase"]["shot"]) == set(made)


@pytest.mark.parametrize("top_l_min", [0.04, 0.075])
def test_a_slow_injection_that_fills_the_log_is_no_offset(
    making: Making, sampling: Sampling, many: int, top_l_min: float
) -> None:
    """Small parts are filled over ten minutes, right after a short evacuation; the line pressure tells it."""
    made, tables = sweep(making, sampling, 7, many // 5, top=top_l_min, evacuate_s=30.0, seconds=500.0, offset=0.0,
                         trickle=False, pack_s=0.0, settle_s=0.0, hz=4.0, noise=0.01)  # fmt: skip
    missed = []
    for shot, m in made.items():
        found = phases(tables, shot, "inject")
        if len(found) != 1 or abs((found[0]["end_volume_l"] - found[0]["start_volume_l"]) / m.volume_l - 1) > 0.01:
            missed.append((shot, found, m.how))
    assert len(missed) <= many // 50, missed


def test_flagged_holds_are_taken_as_flagged(making: Making, sampling: Sampling, many: int) -> None:
    made, tables = sweep(making, sampling, 21, many // 2, flagged=True, hz=4.0)
    for shot, m in made.items():
        found = phases(tables, shot, "hold")
        assert [p["step"] for p in found] == list(range(1, len(m.holds) + 1))
        for p, (start, end) in zip(found, m.holds, strict=True):
            assert abs(p["start_s"] - start) < 0.6 and abs(p["end_s"] - end) < 0.6


def test_unflagged_holds_are_found_from_the_pressures(making: Making, sampling: Sampling, many: int) -> None:
    made, tables = sweep(making, sampling, 22, many, flagged=False, noise=0.01)
    missed, made_up, total = 0, 0, 0
    for shot, m in made.items():
        found = [(p["start_s"], p["end_s"]) for p in phases(tables, shot, "hold")]
        total += len(m.holds)
        hits = sum(any(abs(a - s) < 10 and abs(b - e) < 10 for a, b in found) for s, e in m.holds)
        missed += len(m.holds) - hits
        made_up += max(len(found) - hits, 0)
    assert total > 80
    assert missed <= 0.05 * total
    assert made_up <= 0.03 * many


def test_phases_come_in_order_and_do_not_overlap(making: Making, sampling: Sampling, many: int) -> None:
    _, tables = sweep(making, sampling, 31, many // 2)
    frame = tables["phase"].with_columns(before=pl.col("end_s").shift(1).over("shot"))
    assert frame.filter(pl.col("start_s") < pl.col("before")).is_empty()
    assert frame.filter(pl.col("end_s") < pl.col("start_s")).is_empty()


def test_packing_begins_when_the_vent_shuts(making: Making, sampling: Sampling) -> None:
    made, tables = sweep(making, sampling, 41, 30, vent=True, pack_s=40.0, settle_s=30.0, hz=4.0, trickle=False)
    for shot, m in made.items():
        (inject,), (pack,) = phases(tables, shot, "inject"), phases(tables, shot, "pack")
        assert abs(inject["end_s"] - m.inject[1]) < 1.5
        assert abs(pack["end_s"] - m.pack_until) < 6.0
        (settle,) = phases(tables, shot, "settle")
        assert settle["end_s"] == pytest.approx(m.columns["t_s"][-1], abs=0.01)


def test_a_pump_that_tops_up_again_and_again_makes_no_holds() -> None:
    t = np.arange(0, 400, 0.5)
    clamp = 60.0 + 6.0 * ((t % 30) / 30) + 950 * np.exp(-t / 6)
    frame = pl.DataFrame(
        {"shot": "s", "t_s": t, "vol_l": 0.0, "flow_l_min": 0.0, "line_pressure_bar": 0.0,
         "cavity_pressure_mbar": 550 + 460 * np.exp(-t / 8), "clamp_pressure_mbar": clamp}
    )  # fmt: skip
    assert reduce(frame)["phase"]["phase"].to_list() == ["evacuate"]


def test_a_spike_of_one_sample_is_no_injection(making: Making, sampling: Sampling) -> None:
    rng = np.random.default_rng(4)
    fixed = {"hz": 4.0, "noise": 0.01, "pulsation": 0.0, "evacuate_s": 60.0, "settle_s": 120.0, "offset": 0.0}
    plain, spiked = making(rng, inject=False, **fixed), making(rng, **fixed)
    plain.columns["flow_l_min"][100] = 9.0
    start, end = spiked.inject
    for at in (start - 20.0, end + 40.0):
        spiked.columns["flow_l_min"][np.searchsorted(spiked.columns["t_s"], at)] = 9.0
    tables = reduce(sampling({"a": plain.columns, "b": spiked.columns}))
    assert phases(tables, "a", "inject") == []
    (found,) = phases(tables, "b", "inject")
    assert abs(found["start_s"] - start) < 2.5 and abs(found["end_s"] - end) < 12.0


def test_the_curve_is_the_injection_on_its_own_volume(making: Making, sampling: Sampling) -> None:
    rng = np.random.default_rng(3)
    m = making(rng, hz=10.0, noise=0.0, pulsation=0.0, trickle=False, pause=False, pack_s=0.0, offset=0.0)
    tables = reduce(sampling({"s": m.columns}))
    (curve,) = tables["curve"].to_dicts()
    assert curve["injected_volume_l"] == pytest.approx(m.volume_l, rel=0.005)
    n, vol, flow = (np.array(curve[k], float) for k in ("n", "vol_l", "flow_l_min"))
    start = phases(tables, "s", "inject")[0]["start_volume_l"]
    share = (vol - start) / curve["injected_volume_l"]
    known = n > 0
    assert known.all()
    assert np.all(np.abs(share[known] - (np.flatnonzero(known) + 0.5) / 200) < 0.51 / 200)
    # the mean flow of a bin is the flow of the log at that volume
    samples = sampling({"s": m.columns})
    expected = np.interp(vol[20:], samples["vol_l"].to_numpy(), samples["flow_l_min"].to_numpy())
    assert np.allclose(flow[20:-2], expected[:-2], rtol=0.02)


def test_a_batch_gives_what_each_shot_gives_alone(making: Making, sampling: Sampling) -> None:
    rng = np.random.default_rng(8)
    logs = {f"s{i}": making(rng).columns for i in range(6)}
    together = reduce(sampling(logs))
    for shot, columns in logs.items():
        alone = reduce(sampling({shot: columns}))
        for name in ("phase", "quality"):
            mine = together[name].filter(pl.col("shot") == shot)
            assert mine.equals(alone[name]), name
