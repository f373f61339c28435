"""Findings: against limits, against the own past, none on healthy moulds, in whole sentences."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.physics.channel import follow
from catchpot.testing import made_up as mu
from catchpot_vacuum.findings import third_hold, what_would_tell
from catchpot_vacuum.own_past import sudden
from catchpot_vacuum.resin import SealResinAnalysis
from catchpot_vacuum.split import Pooled, pooled
from catchpot_vacuum.tables import SEAL_RESIN

Computed = Any  # tests/plugins/catchpot_vacuum/conftest.py
STRIP = mu.five_geometries()["strip"]


@pytest.fixture(scope="module")
def faulty(compute_all: Any) -> Computed:
    outer = mu.Seal(floor=0.06, start=0.0, noise=0.15)
    inner = mu.Seal(floor=0.01, start=0.0, noise=0.15, limit=0.05)
    mould = mu.Mould("m", STRIP, shots=24, holds=2, outer=outer, inner=inner)
    faults = (
        mu.Fault("m", "outer_seal_leak", 9, 0.6),
        mu.Fault("m", "inner_seal_leak", 15, 0.3),
        mu.Fault("m", "cavity_leak", 21, 0.8),
    )
    return compute_all(mu.simulate(mu.Scenario(moulds=(mould,), faults=faults), seed=3))


def test_each_leak_is_found_in_its_shot_and_nowhere_else(faulty: Computed) -> None:
    number = dict(faulty.made.truth_shot.select("shot", "number").iter_rows())
    found = {(number[s], k) for s, k in faulty.tables["finding"].select("shot", "kind").iter_rows() if s is not None}
    assert {(9, "outer_seal_leak"), (15, "inner_seal_leak"), (21, "cavity_leak")} <= found
    assert {n for n, _ in found} == {9, 15, 21}


def test_two_holds_tell_which_seal_grew_even_where_limits_do_not(faulty: Computed) -> None:
    # The outer seal's interval after a jump is wide (it may be squeezed less), but lies above all it was before.
    assert not any("can't be told" in m for m in faulty.tables["finding"]["message"])


def test_one_hold_names_the_hold_check_and_its_minutes(compute_all: Any) -> None:
    mould = mu.Mould("m", STRIP, shots=12, holds=1, outer=mu.Seal(floor=0.06, start=0.0, noise=0.15))
    fault = mu.Fault("m", "outer_seal_leak", 9, 0.4)
    found = compute_all(mu.simulate(mu.Scenario(moulds=(mould,), faults=(fault,)), seed=3)).tables["finding"]
    assert found.height == 1
    assert "can't be told from this log" in found["message"][0]
    assert "20 s with the cavity at ambient" in found["advice"][0]
    assert "about 2 minutes" in found["advice"][0]


def test_findings_are_sentences_with_number_unit_and_interval(faulty: Computed) -> None:
    for row in faulty.tables["finding"].iter_rows(named=True):
        assert row["message"].startswith("m: ")
        assert row["message"].endswith(".")
        assert "mbar l/s" in row["message"]
        assert "95 %" in row["message"]
        assert row["advice"].endswith(".")
        assert row["severity"] in ("act", "watch")


def test_healthy_moulds_have_none(two_step: Computed) -> None:
    assert two_step.tables["finding"].is_empty()


def test_the_pooled_answer_holds_the_truth_and_is_marked(two_step: Computed) -> None:
    split = {r["seal"]: r for r in two_step.tables["seal_split"].to_dicts()}
    assert split["outer"]["leak_low_mbar_l_s"] <= 0.1 <= split["outer"]["leak_high_mbar_l_s"]
    assert split["inner"]["leak_low_mbar_l_s"] <= 0.02 <= split["inner"]["leak_high_mbar_l_s"]
    assert split["outer"]["shots"] == 8


def test_where_it_cannot_be_told_the_hold_check_is_named_with_minutes(worn: Computed) -> None:
    said = [r.reason for r in worn.refused if r.what == "seal_watch.outer and inner"]
    assert len(said) == 1
    assert "cavity at ambient" in said[0]
    assert "minutes" in said[0]
    assert worn.tables["seal_split"]["leak_mbar_l_s"].null_count() == 2


def test_a_noisier_gauge_needs_longer_holds() -> None:
    quiet = what_would_tell(Pooled(None, None, 0, float("nan"), 30.0))
    noisy = what_would_tell(Pooled(None, None, 0, float("nan"), 120.0))
    assert "30 s" in quiet
    assert "120 s" in noisy
    unknown = what_would_tell(Pooled(None, None, 0, float("nan"), float("nan")))
    assert "clamp_volume_l" in unknown
    assert "45 s" in unknown
    assert "the clamp pressure in the log first" in what_would_tell(Pooled(None, None, 0, 0.0, 30.0), gauge=False)
    assert "third hold of 30 s" in third_hold(30.0)


def test_pooling_needs_two_cavity_pressures(two_step: Computed) -> None:
    hold = two_step.tables["seal_hold"].filter(pl.col("cavity_mbar") < 700)
    at = np.arange(float(hold.height))
    assert pooled(hold, at, -np.inf, 0.8, 0.05).outer is None
    assert pooled(hold.head(0), at[:0], -np.inf, 0.8, 0.05).shots == 0


def test_sudden_needs_a_past_and_a_new_seal_begins_anew() -> None:
    value = np.array([5.0, 5.2, 4.9, 5.1, 5.0, 40.0, 5.1, 41.0, 42.0, 5.0])
    sd = np.full(10, 0.2)
    out = sudden(value, sd, np.zeros(10, dtype=np.int64))
    assert np.flatnonzero(out.flagged).tolist() == [5, 7, 8]
    assert out.began[8] == 7
    again = sudden(value, sd, np.array([0, 0, 0, 0, 0, 1, 1, 1, 1, 1]))
    assert not again.flagged.any()


def test_sudden_seldom_calls_falsely() -> None:
    rng = np.random.default_rng(1)
    called = 0
    for _ in range(40):
        value = 5.0 * np.exp(rng.normal(0.0, 0.2, 200))
        called += int(sudden(value, np.full(200, 0.2), np.zeros(200, dtype=np.int64)).flagged.sum())
    assert called <= 8  # one in a thousand


def test_clamp_that_follows_the_line_is_seen_and_one_that_drifts_is_not() -> None:
    rng = np.random.default_rng(2)
    t = np.tile(np.linspace(0.0, 100.0, 200), (2, 1))
    line = 0.3 + 0.1 * np.sign(np.sin(t / 6.0)) + 0.001 * t
    clamp = 50.0 + 0.1 * t + rng.normal(0.0, 0.3, t.shape)
    clamp[0] += 12.0 * line[0]
    slope, sd = follow(t, line, clamp, np.ones(t.shape, dtype=bool))
    assert slope[0] == pytest.approx(12.0, abs=4.0 * sd[0])
    assert slope[0] - 3.29 * sd[0] > 2.0
    assert abs(slope[1]) < 3.29 * sd[1]


def test_resin_sign_is_given_for_injected_shots_only(two_step: Computed) -> None:
    rows = two_step.tables["seal_resin"]
    assert rows.columns == list(SEAL_RESIN.names)
    assert (rows["clamp_per_line_low_mbar_bar"] <= 2.0).all()
    # A wetted seal lets less gas by, so that a healthy channel never rises faster beyond doubt.
    assert rows["rise_more_low_mbar_s"].null_count() == 0
    assert (rows["rise_more_low_mbar_s"] < 0.0).all()
    nothing = two_step.again(SealResinAnalysis(), curve=two_step.tables["curve"].head(0))
    assert nothing.tables["seal_resin"].is_empty()
    assert len(nothing.refused) == two_step.made.shot.height


def test_resin_past_the_inner_seal_is_found_by_its_rise(compute_all: Any) -> None:
    mould = mu.Mould("m", STRIP, shots=16, holds=1, outer=mu.Seal(floor=0.06, start=0.0, noise=0.15))
    change = mu.Change("m", "resin_past_seal", 0.1, 8)
    made = mu.simulate(mu.Scenario(moulds=(mould,), changes=(change,)), seed=5)
    computed = compute_all(made)
    number = dict(made.truth_shot.select("shot", "number").iter_rows())
    found = computed.tables["finding"].filter(pl.col("kind") == "inner_seal_leak")
    assert {number[s] for s in found["shot"]} >= set(range(10, 16))
    assert min(number[s] for s in found["shot"]) >= 8
    assert "resin may be passing the inner seal" in found["message"][0]
    rows = computed.tables["seal_resin"].with_columns(number=pl.col("shot").replace_strict(number)).sort("number")
    # By hand: 0.1 l a shot per bar of 110 s, at 1.5 bar between line and clamp, into 0.8 l at 55 mbar: 0.09 mbar/s.
    more = (rows["rise_during_mbar_s"] - rows["rise_before_mbar_s"])[8:].mean()
    assert more == pytest.approx(0.09, abs=0.04)


def test_a_channel_held_by_a_receiver_tells_nothing_of_resin(compute_all: Any) -> None:
    mould = mu.Mould("m", STRIP, shots=6, holds=1, pump="receiver")
    rows = compute_all(mu.simulate(mu.Scenario(moulds=(mould,)), seed=5)).tables["seal_resin"]
    assert rows["rise_more_low_mbar_s"].null_count() == rows.height
