"""Monthly capability: verdicts, months of the zone, splits, refusals."""

from __future__ import annotations

import doctest
import importlib
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.analysis import Job, Result
from catchpot.tables import violations
from catchpot_capability.analysis import CapabilityAnalysis
from catchpot_capability.over_moulds import OverMouldsAnalysis
from catchpot_capability.sentences import mould_month
from catchpot_capability.settings import CapabilityParams, OverMouldsParams

Make = Callable[..., Job]


def run(job: Job, zone: str = "UTC") -> Result:
    analysis = CapabilityAnalysis(zone)
    result = analysis.compute(job)
    for table in analysis.yields:
        assert violations(table, result.tables[table.name]) == []
    return result


def rows(result: Result) -> dict[str, dict[str, Any]]:
    return {r["measure"]: r for r in result.tables["capability"].iter_rows(named=True)}


def steady(n: int, mean: float, sd: float, seed: int = 1) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.random.default_rng(seed).normal(mean, sd, n)


@pytest.mark.parametrize("module", ["months", "sentences", "over_moulds"])
def test_examples_in_docstrings(module: str) -> None:
    assert doctest.testmod(importlib.import_module(f"catchpot_capability.{module}")).failed == 0


def test_a_capable_and_a_drifting_measure(make_job: Make) -> None:
    drifting = steady(41, 2.5, 0.02, 3)
    drifting[18:] += 0.12
    result = run(make_job({"cavity_pressure_mbar": steady(41, 560, 11), "injected_volume_l": drifting}))
    found = rows(result)
    pressure, volume = found["cavity_pressure_mbar"], found["injected_volume_l"]
    assert (pressure["verdict"], pressure["steady"], pressure["meaningful"]) == ("capable", True, True)
    assert pressure["cpk_low"] < pressure["cpk"] < pressure["cpk_high"]
    assert (volume["verdict"], volume["steady"], volume["meaningful"]) == ("not meaningful", False, False)
    assert "13 Oct 2026" in volume["unsteady_because"]
    assert volume["changed_at"] == datetime(2026, 10, 13, 6, tzinfo=UTC)
    said = mould_month(list(found.values()))
    assert said.startswith("hatch-3, October 2026: 41 shots, cavity pressure capable (Cpk ")
    assert "injected volume was not steady" in said and "no index" in said
    assert "see the change on 13 Oct 2026" in said
    assert "so no index is given" in volume["sentence"]


def test_indices_by_hand(make_job: Make) -> None:
    x = steady(30, 2.55, 0.03, 2)
    row = rows(run(make_job({"injected_volume_l": x}, limits={"injected_volume_l": [2.4, 2.7]})))["injected_volume_l"]
    within = np.abs(np.diff(x)).mean() * np.sqrt(np.pi) / 2
    assert row["sd_shot_to_shot"] == pytest.approx(within)
    assert row["cp"] == pytest.approx(0.3 / (6 * within))
    assert row["ppk"] == pytest.approx(min(2.7 - x.mean(), x.mean() - 2.4) / (3 * x.std(ddof=1)))
    assert row["n"] == 30


def test_months_are_those_of_the_zone(make_job: Make) -> None:
    # 23:30 UTC on 31 October is 1 November in Helsinki.
    job = make_job(
        {"injected_volume_l": steady(12, 2.55, 0.02)}, start=datetime(2026, 10, 31, 12, 30, tzinfo=UTC), hours=1
    )
    utc = {r["month"]: r["n"] for r in run(job).tables["capability"].iter_rows(named=True)}
    helsinki = {r["month"]: r["n"] for r in run(job, "Europe/Helsinki").tables["capability"].iter_rows(named=True)}
    assert utc == {"2026-10": 12}
    assert helsinki == {"2026-10": 10, "2026-11": 2}


def test_one_limit(make_job: Make) -> None:
    row = rows(run(make_job({"leak": steady(30, 0.1, 0.02, 4)}, limits={"leak": ["none", 0.3]})))["leak"]
    assert row["cp"] is None
    assert row["cpk"] is not None and row["verdict"] == "capable"
    assert "at most" in row["sentence"]


def test_few_shots_are_said(make_job: Make) -> None:
    row = rows(run(make_job({"injected_volume_l": steady(9, 2.55, 0.02)})))["injected_volume_l"]
    assert "Only 9 shots: the intervals are wide" in row["sentence"]
    assert row["cpk_high"] - row["cpk_low"] > row["cpk"] * 0.8
    four = rows(run(make_job({"injected_volume_l": steady(4, 2.55, 0.02)})))["injected_volume_l"]
    assert (four["verdict"], four["cpk"], four["outside"]) == ("too few shots", None, 0)


def test_skewed_shots_take_the_percentile_form(make_job: Make) -> None:
    x = np.random.default_rng(5).lognormal(0, 0.4, 45)
    row = rows(run(make_job({"leak": x}, limits={"leak": ["none", 4.0]}, hours=15)))["leak"]
    assert row["law"] == "lognormal"
    assert "0.135 %, 50 % and 99.865 %" in row["method"]
    logs = np.log(x)
    most = np.exp(logs.mean() + 2.9999769927 * logs.std(ddof=1))
    assert row["ppk"] == pytest.approx((4 - np.exp(logs.mean())) / (most - np.exp(logs.mean())))


def test_a_law_fixed_in_the_settings_comes_first(make_job: Make) -> None:
    params = CapabilityParams(laws={"injected_volume_l": "weibull"})
    row = rows(run(make_job({"injected_volume_l": steady(40, 2.55, 0.02)}, params=params)))["injected_volume_l"]
    assert row["law"] == "weibull" and row["cpk"] is not None
    assert "settings name" in row["law_reason"]


def test_autocorrelated_months_say_so(make_job: Make) -> None:
    rng = np.random.default_rng(12)
    x = np.zeros(44)
    for i in range(1, 44):
        x[i] = 0.7 * x[i - 1] + rng.normal()
    row = rows(run(make_job({"injected_volume_l": 2.55 + 0.01 * x})))["injected_volume_l"]
    assert row["autocorrelated"] is True
    assert "those of fewer shots" in row["sentence"]


def test_a_month_is_split_where_a_seal_was_replaced(make_job: Make) -> None:
    x = steady(41, 2.55, 0.02)
    events = [(20, "seal_replaced", "outer"), (39, "fabric_batch", "FB-9"), (10, "note", "tea")]
    result = run(make_job({"injected_volume_l": x}, events=events))
    row = rows(result)["injected_volume_l"]
    assert "outer seal replaced" in row["events"] and "FB-9" in row["events"] and "tea" not in row["events"]
    parts = result.tables["capability_part"].sort("part")
    assert parts["n"].to_list() == [20, 21]
    assert parts["begins_with"].to_list() == ["", "outer seal replaced"]
    assert parts["mean"][0] == pytest.approx(x[:20].mean())


def test_shots_beyond_a_limit_are_marked(make_job: Make) -> None:
    x = steady(41, 2.55, 0.02)
    x[30] = 2.72
    result = run(make_job({"injected_volume_l": x}))
    marks = result.tables["capability_shot"].filter(pl.col("mark") != "")
    assert marks["shot"].to_list() == ["hatch-3-030"]
    assert "above the upper limit" in marks["mark"][0]
    assert rows(result)["injected_volume_l"]["outside"] == 1


def test_run_rules_are_selected_by_phrase_and_their_rate_is_told(make_job: Make) -> None:
    from catchpot.stats.control import ALL_ZONE_RULES

    params = CapabilityParams(run_rules=list(ALL_ZONE_RULES), limit_sd=3.0)
    row = rows(run(make_job({"injected_volume_l": steady(41, 2.55, 0.02)}, params=params)))["injected_volume_l"]
    assert "once in about 92 shots" in row["rules"]
    assert 20 < row["false_alarm_pct"] < 40  # zones from the month's own 41 shots
    with pytest.raises(ValueError, match="no run rule is called 'rule 2'"):
        CapabilityParams(run_rules=["rule 2"])


@pytest.mark.slow
def test_steady_months_are_seldom_called_unsteady(make_job: Make) -> None:
    months = [
        rows(run(make_job({"injected_volume_l": steady(40, 2.55, 0.02, seed)}, hours=17)))["injected_volume_l"][
            "steady"
        ]
        for seed in range(150)
    ]
    assert np.mean(months) == pytest.approx(0.95, abs=0.045)


def test_no_limits_and_no_values_are_refused(make_job: Make) -> None:
    none = run(make_job({"injected_volume_l": steady(9, 2.5, 0.1)}, limits={}))
    assert [(r.unit, r.what) for r in none.refused] == [("hatch-3", "capability")]
    missing = run(make_job({"injected_volume_l": steady(9, 2.5, 0.1)}, limits={"thickness_mm": [2, 3]}))
    assert [r.what for r in missing.refused] == ["capability.thickness_mm"]
    equal = rows(run(make_job({"injected_volume_l": np.full(9, 2.5)})))["injected_volume_l"]
    assert equal["verdict"] == "no curve fits" and equal["cpk"] is None


def test_the_chart_over_moulds(make_job: Make) -> None:
    made = []
    for k, mould in enumerate(("hatch-3", "locker-1", "keel-2")):
        scale = 1 + k
        x = scale * steady(30, 2.55, 0.03, k)
        limits = {"injected_volume_l": [2.4 * scale, 2.7 * scale]}
        job = make_job(
            {"injected_volume_l": x}, mould=mould, limits=limits, start=datetime(2026, 9, 5, tzinfo=UTC), hours=40
        )
        made.append(CapabilityAnalysis().compute(job))
    tables = {n: pl.concat([m.tables[n] for m in made]) for n in ("capability_shot", "capability")}
    analysis = OverMouldsAnalysis()
    job = Job(("workshop",), tables, {}, make_job({"a": np.ones(1)}).book, OverMouldsParams())
    result = analysis.compute(job)
    for table in analysis.yields:
        assert violations(table, result.tables[table.name]) == []
    row = result.tables["capability_over_moulds"].filter(pl.col("month") == "2026-10").row(0, named=True)
    assert row["moulds"] == 3
    assert abs(row["mean"]) < 0.15
    # Limits 5 s.d. off the middle on both sides: about 1.67 whatever the size of the mould.
    assert row["cpk_low"] < 1.67 < row["cpk_high"]
    assert result.tables["capability_over_moulds_shot"]["deviation"].abs().max() < 1.2  # type: ignore[operator]  # floats


def test_a_later_month_leaves_earlier_rows_alone(make_job: Make) -> None:
    x = steady(80, 2.55, 0.02)
    whole, half = (
        run(make_job({"injected_volume_l": part})).tables["capability"].filter(pl.col("month") == "2026-10")
        for part in (x, x[:50])
    )
    assert whole.equals(half)
