"""Prior odds and costs decide; volumes are held against where resin arrives, and need a witness."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from pydantic import ValidationError
from tests.plugins.catchpot_faults.by_hand import SHARE, Floats, healthy_past, shots
from tests.plugins.catchpot_faults.made import DECLARED, Judged

from catchpot.testing import made_up as mu
from catchpot_faults.analysis import FaultParams, Faults
from catchpot_faults.decide import Odds
from catchpot_faults.hypothesis import against, kinds
from catchpot_faults.judge import Finding, judge

USUAL: Floats = 0.3 + SHARE**0.8
VOLUMES = ("short_fill", "overfill", "stopped_before_vent")


def ended_at(
    volume_l: float, *, witness: bool = True, odds: Odds | None = None, pot_l: float = np.nan
) -> list[Finding]:
    """Fifteen shots of 2.1 l, arrival at 2.0 l, then one of `volume_l` along the same curve."""
    injected = np.append(2.1 + 0.005 * np.cos(np.arange(15.0)), volume_l)
    own = USUAL if volume_l <= 2.1 else np.interp(SHARE * volume_l / 2.1, SHARE, USUAL)
    own = np.interp(SHARE * volume_l / 2.1, SHARE, USUAL) if volume_l < 2.1 else own
    curves = np.concatenate([healthy_past(USUAL), own[None]])
    made = shots(curves, np.tile(100.0 * SHARE**2, (16, 1)), injected)
    if not witness:
        made.number["arrival_chance"][-1] = 0.1
    made.number["catch_pot_l"][-1] = pot_l
    looked_for = {k: v for k, v in kinds().items() if k in VOLUMES}
    with np.errstate(divide="ignore", invalid="ignore"):
        return judge(made, looked_for, odds or Odds()).findings[-1]


def kinds_of(found: list[Finding]) -> list[str]:
    return [f.found.kind for f in found]


def test_a_shot_that_ends_far_past_arrival_is_an_overfill_with_its_litres() -> None:
    (found,) = ended_at(2.5)
    assert found.found.kind == "overfill"
    assert found.chance >= 0.5
    assert "0.5" in found.found.message and "past the vent" in found.found.message


def test_an_overfill_needs_a_witness() -> None:
    assert kinds_of(ended_at(2.5, witness=False)) == []
    assert kinds_of(ended_at(2.5, witness=False, pot_l=0.45)) == ["overfill"]


@pytest.mark.parametrize("volume_l", [1.3, 1.6, 1.85])
def test_a_shot_that_ended_before_arrival_is_short_and_never_an_overfill(volume_l: float) -> None:
    assert kinds_of(ended_at(volume_l)) == ["short_fill"]
    assert kinds_of(ended_at(volume_l, witness=False)) == ["short_fill"]


def test_a_usual_end_is_no_fault() -> None:
    assert ended_at(2.1) == []


def test_prior_odds_and_costs_are_settings() -> None:
    sure = ended_at(1.93)
    seldom = ended_at(1.93, odds=Odds({"short_fill": 1e7}))
    assert kinds_of(sure) == ["short_fill"] and kinds_of(seldom) == []
    assert Odds(miss_over_alarm=9.0).least_chance == pytest.approx(0.1)
    dear = ended_at(1.93, odds=Odds({"short_fill": 1e4}, miss_over_alarm=100.0))
    assert kinds_of(dear) == ["short_fill"] and dear[0].chance < sure[0].chance


def test_settings_reach_the_judge_and_wrong_ones_are_refused(judged: Judged) -> None:
    params = FaultParams(without=("early_gel",), one_in={"ratio_off": 1e30})
    found = mu.compute(Faults(), judged.tables, judged.book, params, DECLARED).tables["finding"]
    assert not set(found["kind"]) & {"early_gel", "ratio_off"}
    assert "catalyst_starved" in found["kind"].to_list()
    with pytest.raises(ValidationError, match="more than 1"):
        FaultParams(one_in={"early_gel": 0.5})


def test_chances_stand_beside_the_runner_up(judged: Judged) -> None:
    odds = judged.result["fault_odds"]
    chance, second = (odds[c].to_numpy() for c in ("chance_pct", "runner_up_chance_pct"))
    assert (chance + second).max() <= 100 + 1e-6 and chance.min() >= 25
    assert set(odds["runner_up"]) <= {*kinds(), "healthy"}
    assert odds.filter(pl.col("settles") == "").is_empty()


def test_a_number_far_from_its_usual_value_speaks_for_a_fault_and_a_near_one_against() -> None:
    said = against(np.array([0.0, 0.02, 0.06, np.nan]), 0.0, 0.005, 0.3)
    assert said[0] < 0 < said[2] and said[1] < said[2] and said[3] == 0.0
