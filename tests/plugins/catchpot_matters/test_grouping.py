"""Statements put together: made-up histories of one mould, positions counted in shots."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from catchpot.causes import CAUSES, moves, through
from catchpot.events import KINDS
from catchpot.happened import Happened
from catchpot_matters.assemble import rows_of, standing, top_of
from catchpot_matters.grouping import BEFOREHAND, Matter, group
from catchpot_matters.named_events import shares_of
from catchpot_matters.statements import Statement, Timeline, of_others, of_seals

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
LINE = Timeline(
    [START + timedelta(days=i) for i in range(60)], [f"m-{i + 1:04d}" for i in range(60)],
    np.array([(START + timedelta(days=i)).timestamp() for i in range(60)]),
)  # fmt: skip


def _moved(about: str, sign: int, at: int, *, end: int = 59, trend: bool = False, analysis: str = "drift") -> Statement:
    return Statement(about, sign, at - 1, at, at + 1, end, f"{about} moved.", "watch", analysis, (f"a-{about}-{at}",),
                     trend=trend)  # fmt: skip


def _volume(at: int, sign: int = 1, **causes: float) -> Statement:
    row = {"since": LINE.when(at), "arrival_change_l": 0.06 * sign, "injected_change_l": 0.0}
    rows = [{"cause": c, "change_l": 0.06 * sign, "chance": p} for c, p in causes.items()]
    return Statement("arrival_volume_l", sign, at - 4, at, at, 59, "It takes more.", "watch", "volume_cause",
                     causes=causes, principal=True, more={"row": row, "rows": rows, "second": "Why."})  # fmt: skip


def _clamp(at: int, end: int = 59, supply: float = 0.97) -> Statement:
    return Statement("clamp_pressure_mbar", 1, at - 2, at, at + 2, end, "The clamp rose.", "act", "clamp_watch",
                     ("clamp",), {"vacuum_supply": supply, "clamp_seals": 1 - supply}, principal=True,
                     trend=True, more={"moved": "The clamp rose."})  # fmt: skip


def _odd(kind: str, at: int) -> Statement:
    return Statement(kind, 0, at, at, at, at, f"{kind} here.", "watch", "faults", (f"f-{kind}-{at}",), single=True,
                     more={"times": 1, "shots": [f"m-{at + 1:04d}"], "chance": 0.9})  # fmt: skip


def _event(kind: str, at: int, detail: str = "") -> Happened:
    return Happened(LINE.when(at), kind, detail, kind.replace("_", " "))


def test_a_weakening_clamp_is_one_matter_with_the_volume_that_follows_it_and_the_odd_shots_in_its_course() -> None:
    made = group([
        _clamp(30), _volume(36, cavity_thickness=0.98), _moved("arrival_relative", 1, 33, trend=True),
        _moved("permeability_m2", 1, 34), _odd("race_tracking", 40), _odd("ratio_off", 41),
    ], {})  # fmt: skip
    assert [sorted(s.about for s in m.statements) for m in made] == [
        ["arrival_relative", "arrival_volume_l", "clamp_pressure_mbar", "permeability_m2", "race_tracking"],
        ["ratio_off"],
    ]
    cause, chance = top_of(made[0])
    assert cause == "vacuum_supply"
    assert chance == pytest.approx(0.97)


def test_a_meter_step_and_a_clamp_ramp_a_month_later_are_two_matters() -> None:
    made = group([_volume(20, flow_meter=0.99), _clamp(40), _volume(46, cavity_thickness=0.9)], {})
    assert [top_of(m)[0] for m in made] == ["flow_meter", "vacuum_supply"]


def test_a_meter_that_steps_while_the_clamp_weakens_stays_a_matter_of_its_own() -> None:
    made = group([_volume(41, flow_meter=0.99), _clamp(40)], {})
    assert sorted(top_of(m)[0] for m in made) == ["flow_meter", "vacuum_supply"]


def test_a_measure_that_goes_the_other_way_than_the_cause_would_send_it_is_no_witness() -> None:
    made = group([_volume(30, flow_meter=0.99), _moved("arrival_relative", -1, 30)], {})
    assert len(made) == 2


def test_what_only_moved_is_weighed_by_what_ought_to_have_moved_with_it() -> None:
    (together,) = group(
        [_moved("arrival_relative", -1, 30), _moved("permeability_m2", -1, 31)], {30: {"fabric_pack": 4.0}}
    )
    assert top_of(together)[0] == "fabric_pack"
    (alone,) = group([_moved("cavity_pressure_mbar", 1, 30)], {})
    assert top_of(alone)[0] == "cavity_supply"


def test_an_event_makes_a_cause_likelier_only_at_its_time() -> None:
    moved = [_moved("permeability_m2", -1, 30)]
    with_event = group(moved, {30: {"resin_viscosity": 6.0}})[0].chances["resin_viscosity"]
    without = group(moved, {}, )[0].chances["resin_viscosity"]  # fmt: skip
    elsewhere = group(moved, {10: {"resin_viscosity": 6.0}})[0].chances["resin_viscosity"]
    assert with_event > 1.5 * without
    assert elsewhere == pytest.approx(without)


def test_a_matter_of_a_seal_is_answered_by_its_replacement_and_closed_when_it_stays_away() -> None:
    leak = replace(
        _moved("leak_mbar_l_s[clamp]", 1, 40, end=50, analysis="seal_watch"),
        principal=True, causes={"outer_seal": 0.95}, more={"times": 3, "kind": "outer_seal_leak"},
    )  # fmt: skip
    (m,) = group([leak], {})
    assert standing("m", m, [m], [], LINE, "UTC").state == "open"
    assert standing("m", m, [m], [_event("seal_replaced", 57, "outer")], LINE, "UTC").state == "answered"
    closed = standing("m", m, [m], [_event("seal_replaced", 52, "outer")], LINE, "UTC")
    assert (closed.state, closed.by) == ("closed", "seal replaced, 23 Apr 2026")
    inner = standing("m", m, [m], [_event("seal_replaced", 52, "inner")], LINE, "UTC")
    assert inner.state == "open"
    again = standing("m", m, [m], [_event("seal_replaced", 45, "outer")], LINE, "UTC")
    assert again.state == "open"
    assert "Seen again" in again.again


def _leak(at: int, end: int, **causes: float) -> Statement:
    return replace(
        _moved("leak_mbar_l_s[clamp]", 1, at, end=end, analysis="seal_watch"),
        principal=True, causes=causes, more={"times": 3},
    )  # fmt: skip


def test_what_the_holds_leave_open_of_one_seal_stands_with_the_other_that_leaks() -> None:
    outer = _leak(30, 59, outer_seal=0.99)
    (m,) = group([outer, _leak(58, 59, inner_seal=0.6)], {})
    assert list(m.chances.items()) == [("outer_seal", 0.99), ("inner_seal", 0.6)]
    sure = group([outer, _leak(58, 59, inner_seal=0.99)], {})
    assert [top_of(m)[0] for m in sure] == ["outer_seal", "inner_seal"]


def test_a_clamp_that_rises_since_its_seals_leak_is_the_matter_of_the_seal_that_leaks() -> None:
    (m,) = group([_leak(30, 59, outer_seal=0.98), _clamp(34, supply=0.01)], {})
    assert top_of(m) == ("outer_seal", 0.98)


def test_another_change_of_the_same_shots_is_not_what_is_behind_the_one_that_leads() -> None:
    both = _volume(34, cavity_thickness=0.99, flow_meter=0.99)
    (m,) = group([_clamp(30), both], {})
    assert top_of(m)[0] == "vacuum_supply"
    assert m.chances["flow_meter"] == 0.99


def test_a_witness_goes_by_the_way_of_its_cause_where_several_causes_add_up_to_another() -> None:
    """The volume grew, since a meter reads higher; the cavity closed, and the permeability fell with it."""
    volume = _volume(30, 1, cavity_thickness=0.99, flow_meter=0.9)
    rows = [{**r, "change_l": -0.05 if r["cause"] == "cavity_thickness" else 0.08} for r in volume.more["rows"]]
    closing = replace(volume, more={**volume.more, "rows": rows})
    assert len(group([closing, _moved("permeability_m2", -1, 30)], {})) == 1
    assert len(group([volume, _moved("permeability_m2", -1, 30)], {})) == 2


def test_a_trend_bears_witness_to_what_happened_in_its_course() -> None:
    assert len(group([_volume(38, cavity_thickness=0.9), _moved("arrival_relative", 1, 8, trend=True)], {})) == 1
    assert len(group([_volume(38, cavity_thickness=0.9), _moved("arrival_relative", 1, 8)], {})) == 2


def test_what_may_be_nothing_leads_no_matter_and_weighs_nothing() -> None:
    perhaps = replace(_moved("arrival_relative", 1, 5, trend=True), weak=True)
    sure = [_moved("cavity_pressure_mbar", -1, 24), _moved("fill_time_s", -1, 24)]
    (m,) = group([perhaps, *sure], {})
    assert m.lead.about == "cavity_pressure_mbar"
    assert m.chances == group(sure, {})[0].chances


def test_a_leak_that_five_holds_no_longer_show_is_over() -> None:
    finding = pl.DataFrame({
        "kind": ["outer_seal_leak"], "analysis": ["seal_watch"], "since": [LINE.when(30)], "severity": ["watch"],
        "message": ["It leaks, suddenly; which seal can't be told."], "advice": [""], "anchor": ["a"],
        "chance": pl.Series([None], dtype=pl.Float64),
    })  # fmt: skip
    for held, state in (((30, 31, 32, 33, 34), "open"), ((30, 31, 32, 33, 34, 35), "closed")):
        (leak,) = of_seals(finding, LINE, {"clamp": held})
        (m,) = group([leak], {})
        assert standing("m", m, [m], [], LINE, "UTC").state == state
    (unheld,) = of_seals(finding, LINE, {"cavity": list(range(60))})
    assert unheld.ended is None


def test_what_goes_back_closes_what_it_was() -> None:
    up = replace(_volume(20, flow_meter=0.99), end=40)
    down = _volume(41, -1, flow_meter=0.97)
    first, second = group([up, down], {})
    over = standing("m", first, [first, second], [_event("meter_calibrated", 41, "injector-1")], LINE, "UTC")
    assert over.state == "closed"
    assert over.by.startswith("meter calibrated")


def test_a_card_is_answered_by_what_answers_its_finding() -> None:
    """The one rule of `answers`: a hose for a flow restriction, and no seal for a pump."""
    (odd,) = group([_odd("flow_restriction", 56)], {})
    assert standing("m", odd, [odd], [_event("hose_changed", 57)], LINE, "UTC").state == "answered"
    assert standing("m", odd, [odd], [_event("gel_coat_changed", 57)], LINE, "UTC").state == "open"
    (old,) = group([_odd("flow_restriction", 20)], {})
    late = standing("m", old, [old], [_event("hose_changed", 55)], LINE, "UTC")
    assert (late.state, late.by) == ("closed", "not seen in 5 shots since")
    risen = replace(_clamp(40, end=50), more={"moved": "The clamp rose.", "kind": "clamp_margin_low"})
    (pump,) = group([risen], {})
    assert standing("m", pump, [pump], [_event("seal_replaced", 57, "outer")], LINE, "UTC").state == "open"
    assert standing("m", pump, [pump], [_event("pump_serviced", 57, "vacuum")], LINE, "UTC").state == "answered"


def test_an_event_is_named_only_where_the_change_may_have_begun_and_no_other_may_have_done_it_as_well() -> None:
    step = _volume(30, gel_coat=0.97)  # it may have begun with the shots 26 to 30
    coat, hose = _event("gel_coat_changed", 28), _event("hose_changed", 29)
    assert shares_of([coat, hose], "gel_coat", step, LINE) == {coat: 1.0}
    assert shares_of([coat, hose], "gel_coat or runner_or_hose", step, LINE) == pytest.approx(
        {coat: 10 / 22, hose: 12 / 22}
    )
    for outside in (24, 33):
        assert shares_of([_event("gel_coat_changed", outside)], "gel_coat", step, LINE) == {}
    again = _event("gel_coat_changed", 30)
    assert shares_of([coat, again], "gel_coat", step, LINE) == {coat: 0.5, again: 0.5}  # which can't be told
    # a service may have done anything
    assert shares_of([_event("mould_serviced", 29)], "cavity_thickness", _volume(30, cavity_thickness=0.97), LINE) == {}


def test_a_single_shot_is_over_after_five_without_it_and_a_person_may_close_anything() -> None:
    (old,) = group([_odd("race_tracking", 30)], {})
    assert standing("m", old, [old], [], LINE, "UTC").state == "closed"
    (new,) = group([_odd("race_tracking", 55)], {})
    assert standing("m", new, [new], [], LINE, "UTC").state == "open"
    by_hand = _event("finding_closed", 57, "f-race_tracking-55 by Ana because edge trimmed anew")
    assert standing("m", new, [new], [by_hand], LINE, "UTC").by == "Ana: edge trimmed anew"
    another = _event("finding_closed", 57, "f-race_tracking-551 by Ana because another shot's")
    assert standing("m", new, [new], [another], LINE, "UTC").state == "open"


def test_an_event_explains_what_it_makes_likelier_by_a_good_deal() -> None:
    """By the one table of events: cleaning comes before most shots, and a gel coat is changed once in a while."""
    assert _event("gel_coat_changed", 5).explains == {"gel_coat": KINDS["gel_coat_changed"].causes["gel_coat"]}
    assert _event("mould_cleaned", 5).explains == {}
    assert set(_event("sensor_calibrated", 5).explains) == {"vacuum_supply", "cavity_supply"}
    assert "cavity_thickness" in _event("mould_cleaned", 5).brings


def test_every_finding_stands_in_exactly_one_matter() -> None:
    said = [_clamp(30), _volume(36, cavity_thickness=0.98), _moved("permeability_m2", 1, 34), _odd("ratio_off", 41)]
    heads, lines = rows_of("m", group(said, {}), [], LINE, [], "UTC")
    anchors = [r["anchor"] for r in lines if r["anchor"]]
    assert sorted(anchors) == sorted(a for s in said for a in s.anchors)
    assert [h["rank"] for h in heads] == [1, 2]
    assert heads[0]["hazard"] and heads[0]["severity"] == "act"
    assert len({h["matter"] for h in heads}) == len(heads)


def test_events_that_cannot_have_done_it_are_only_said_to_have_been_at_the_time() -> None:
    m = group([_volume(30, flow_meter=0.99)], {})
    _, lines = rows_of("m", m, [_event("seal_replaced", 30, "outer"), _event("meter_calibrated", 29)], LINE, [], "UTC")
    roles = {r["sentence"].split(":")[0]: r["role"] for r in lines if "replaced" in r["sentence"] or
             "calibrated" in r["sentence"]}  # fmt: skip
    assert roles == {"At the same time": "same_time", "It began after": "evidence"}


def test_without_a_hold_neither_end_of_the_clamp_is_called_likeliest() -> None:
    (m,) = group([_clamp(30, supply=0.5)], {})
    (head,), _ = rows_of("m", [m], [], LINE, [], "UTC")
    assert "can't be told yet" in head["headline"]
    assert "The seals hold" not in head["advice"]


def test_a_seal_replacement_that_nobody_logged_is_said_as_it_stands() -> None:
    row = {"about": None, "kind": "seal_replacement_unlogged", "since": LINE.when(30), "until": None,
           "severity": "note", "message": "The leak fell at once.", "analysis": "seal_watch", "anchor": "a",
           "cause": None, "chance": None, "advice": "Note the replacement."}  # fmt: skip
    said = of_others(pl.DataFrame([row]), set(), LINE)
    (head,), lines = rows_of("m", group(said, {}), [], LINE, [], "UTC")
    assert head["headline"] == "The leak fell at once."
    assert [r["anchor"] for r in lines if r["anchor"]] == ["a"]


def test_the_table_of_causes_holds_together() -> None:
    for name, cause in CAUSES.items():
        assert cause.more and cause.less and cause.name and cause.advice and cause.settles, name
        assert all(c in CAUSES for c in cause.brings), name
    assert set(BEFOREHAND) <= set(CAUSES)
    for kind, h in KINDS.items():
        assert set(h.brings) | set(h.ends) <= set(CAUSES), kind
    assert moves("vacuum_supply", "arrival_relative") == 1
    assert "cavity_thickness" in through("outer_seal")
    assert Matter([_odd("race_tracking", 3)]).lead.about == "race_tracking"
