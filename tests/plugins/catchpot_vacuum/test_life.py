"""Forecasts: no look-ahead, the truth held, replacements logged and not, pooling, hold checks alone."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.core_tables import EVENT, PHASE
from catchpot.tables import empty
from catchpot_vacuum.forecast import shot_rate
from catchpot_vacuum.life_analysis import SealLifeAnalysis
from catchpot_vacuum.pool_analysis import Life, common_life
from catchpot_vacuum.series import clock
from catchpot_vacuum.watch_analysis import SealWatchAnalysis

Computed = Any  # tests/plugins/catchpot_vacuum/conftest.py


def clamp(computed: Computed) -> pl.DataFrame:
    rows: pl.DataFrame = computed.tables["seal_life"].filter(pl.col("seal") == "clamp").sort("as_of")
    return rows


def test_forecasts_close_in_on_the_crossing(worn: Computed) -> None:
    first = pl.col("fitted_since") < datetime(2026, 4, 1, tzinfo=UTC)
    rows = clamp(worn).filter(first & pl.col("age_shots").is_between(40, 78) & pl.col("shots_left").is_not_null())
    assert rows.height >= 12
    # 0.02 + 0.008 + 0.02 exp(0.035 n) meets 0.35 at n = 79.6. Coverage is the studies' business: one life is one draw.
    late = rows.filter(pl.col("age_shots") >= 68)
    assert ((late["shots_left"] + late["age_shots"]) / 79.6 - 1.0).abs().max() < 0.12  # type: ignore[operator]
    for r in rows.iter_rows(named=True):
        assert r["shots_left_low"] <= r["shots_left"] <= r["shots_left_high"]
        assert r["due_low"] <= r["due_on"] <= r["due_high"]


def test_a_row_a_day_and_a_new_start_after_the_replacement(worn: Computed) -> None:
    rows = clamp(worn)
    assert rows["as_of"].is_unique().all()
    assert rows["fitted_since"].n_unique() == 2
    last = rows.row(-1, named=True)
    assert last["age_shots"] == 112 - 88
    assert not last["assumed_replacement"]


@pytest.mark.slow
def test_no_look_ahead(worn: Computed) -> None:
    whole = worn.tables["seal_life"]
    for day in (date(2026, 3, 25), date(2026, 4, 15), date(2026, 5, 1)):
        until = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=1)
        early = worn.again(SealLifeAnalysis(), until).tables["seal_life"]
        known = whole.filter(pl.col("as_of") < until.date())
        assert early.filter(pl.col("as_of") < until.date()).equals(known)


@pytest.mark.slow
def test_a_replacement_nobody_logged_is_assumed_and_asked_for(worn: Computed) -> None:
    life = worn.again(SealLifeAnalysis(), event=empty(EVENT)).tables["seal_life"]
    last = life.filter(pl.col("seal") == "clamp").sort("as_of").row(-1, named=True)
    assert last["assumed_replacement"]
    assert last["age_shots"] == pytest.approx(112 - 88, abs=2)
    finding = worn.again(SealWatchAnalysis(), event=empty(EVENT)).tables["finding"]
    asked = finding.filter(pl.col("kind") == "seal_replacement_unlogged")
    assert asked.height == 1
    assert "Was the seal replaced?" in asked["message"][0]
    logged = worn.tables["finding"].filter(pl.col("kind") == "seal_replacement_unlogged")
    assert logged.is_empty()


@pytest.mark.slow
def test_an_unlogged_replacement_is_not_known_before_it_shows(worn: Computed) -> None:
    whole = worn.again(SealLifeAnalysis(), event=empty(EVENT)).tables["seal_life"]
    start = whole.filter(pl.col("assumed_replacement"))["as_of"].min()
    assert isinstance(start, date)
    until = datetime(start.year, start.month, start.day, tzinfo=UTC)
    early = worn.again(SealLifeAnalysis(), until, event=empty(EVENT)).tables["seal_life"]
    assert not early["assumed_replacement"].any()
    known = whole.filter(pl.col("as_of") < start)
    assert early.filter(pl.col("as_of") < start).equals(known)


def test_no_wear_gets_no_date_and_says_so(two_step: Computed) -> None:
    rows = clamp(two_step)
    assert rows["shots_left"].null_count() == rows.height
    said = [r.reason for r in two_step.refused if r.what == "seal_life.clamp"]
    assert said == ["no wear seen in 26 shots: no date is made out of noise"]


def test_hold_checks_alone_are_enough(worn: Computed) -> None:
    weekly = worn.made.shot.sort("started_at").gather_every(4)["shot"].to_list()
    leak = worn.tables["seal_leak"].filter(pl.col("shot").is_in(weekly))
    shot = worn.made.shot.filter(pl.col("shot").is_in(weekly))
    life = worn.again(SealLifeAnalysis(), seal_leak=leak, shot=shot, phase=empty(PHASE)).tables["seal_life"]
    dated = life.filter(pl.col("shots_left").is_not_null())
    assert set(life["unit"]) == {"hold checks"}
    assert dated.height > 0
    assert dated["due_on"].null_count() == 0


def test_the_back_test_judges_seals_not_forecasts(worn: Computed) -> None:
    rows = worn.tables["seal_history"].filter(pl.col("seal") == "clamp").sort("since").to_dicts()
    assert [r["until"] is None for r in rows] == [False, True]
    assert rows[0]["crossed_at_shots"] == pytest.approx(79.6, abs=6.0)
    assert rows[0]["half_life_forecast_held"] in (True, False)
    assert rows[1]["half_life_forecast_held"] is None
    assert rows[0]["forecasts"] > 10


def test_shot_rate() -> None:
    day = 86400.0
    at = np.sort(np.concatenate([np.arange(0.0, 56.0) * day, np.arange(0.0, 56.0) * day + 3600.0]))
    rate, spread = shot_rate(at, 56.0 * day)
    assert rate == pytest.approx(2.0, rel=0.05)
    assert spread == pytest.approx(np.sqrt(1.0 / 112), rel=0.2)
    assert shot_rate(at[:1], 56.0 * day) == (0.0, 0.0)


def test_lives_of_other_seals_are_pooled_with_their_spread() -> None:
    lives = [Life("m", "outer", 0.0, np.log(v), 0.1) for v in (80.0, 100.0, 120.0)]
    mean, sd = common_life(lives)
    assert np.exp(mean) == pytest.approx(98.6, rel=0.02)
    assert 0.2 <= sd <= 0.5


@pytest.mark.slow
def test_short_histories_get_the_others_lives(workshop_of_four: Computed) -> None:
    pooled = workshop_of_four.tables["seal_life_pooled"].filter(pl.col("seal") == "clamp")
    assert pooled["mould"].to_list() == ["hatch-3"]
    row = pooled.row(0, named=True)
    assert row["pooled_moulds"] == 3
    # True life: 0.018 + 0.03 exp(0.06 n) meets 0.35 at n = 40.1.
    assert row["shots_left_low"] <= 40.1 - 9 <= row["shots_left_high"]
    alone = workshop_of_four.tables["seal_life"].filter((pl.col("mould") == "hatch-3") & (pl.col("seal") == "clamp"))
    assert alone["shots_left"].null_count() == alone.height


def test_clock_counts_injected_shots_only(worn: Computed) -> None:
    counter = clock(worn.made.shot, worn.tables["phase"])
    assert counter.unit == "shots"
    assert counter.count(counter.at[3], counter.at[10]) == 7.0
