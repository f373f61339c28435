"""Gauges at rest, clamp and cavity: which witness speaks against which."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.plugins.catchpot_faults.one_shot import seen, usual

from catchpot_faults import name
from catchpot_faults.usual import Expected
from catchpot_faults.within import Rise


def at_rest(**known: float) -> list[str]:
    rest = {"cavity_rest_samples": 20.0} | known
    return [f.message for f in name._gauge_at_ambient(seen(None, None, **rest))]


def test_two_gauges_that_agree_are_the_weather() -> None:
    assert at_rest(cavity_rest_mbar=985.0, clamp_rest_mbar=986.0, cavity_rest_off_mbar=-28.0) == []
    (told,) = at_rest(cavity_rest_mbar=1030.0, clamp_rest_mbar=1010.0, cavity_rest_off_mbar=17.0)
    assert "cavity gauge" in told and "clamp gauge" in told


def test_a_barometer_settles_it() -> None:
    (told,) = at_rest(cavity_rest_mbar=1030.0, clamp_rest_mbar=1009.0, ambient_logged_mbar=1010.0)
    assert "20 mbar above the barometer's" in told
    assert at_rest(cavity_rest_mbar=985.0, clamp_rest_mbar=986.0, ambient_logged_mbar=985.0) == []


def test_a_gauge_alone_must_leave_the_weather_behind() -> None:
    assert at_rest(cavity_rest_mbar=992.0, cavity_rest_off_mbar=-21.0) == []
    (told,) = at_rest(cavity_rest_mbar=975.0, cavity_rest_off_mbar=-38.0)
    assert "more than weather does" in told


@pytest.mark.parametrize(
    ("clamp", "margin", "lately", "found"),
    [
        (250.0, 1.2e4, 60.0, True),
        (250.0, 2.1e4, 60.0, False),
        (150.0, 1.5e4, 130.0, False),
        (150.0, 0.8e4, 130.0, True),
    ],
)
def test_a_seal_that_wears_is_no_fault_of_a_shot(clamp: float, margin: float, lately: float, found: bool) -> None:
    """A jump that costs closing force, or half of it gone however slowly."""
    past = usual(clamp_lately=Expected(lately, 5.0))
    shot = seen(past, clamp_start_mbar=clamp, clamp_margin_n=margin)
    assert [f.kind for f in name._clamp(shot, [])] == (["clamp_margin_low"] if found else [])


def test_the_other_cause_of_a_rise_is_ranked_below() -> None:
    shot = replace(seen(), rise=Rise(150.0, 0.4, 700.0, False, 10.0, 12.0))
    assert [(f.kind, f.rank) for f in name._cavity(shot)] == [("vacuum_lost", 1), ("vent_blocked", 2)]
    shot = replace(shot, rise=Rise(150.0, 0.4, 700.0, True, 10.0, 40.0))
    assert [(f.kind, f.rank) for f in name._cavity(shot)] == [("vent_blocked", 1)]


def test_a_blocked_vent_explains_what_looks_like_air() -> None:
    past = usual()
    dips = {"slugs": 3.0, "slugs_s": 3.0, "slugs_depth_pct": 50.0, "slugs_from_volume_l": 1.0, "slugs_to_volume_l": 1.4}
    gauges = {n: float("nan") for n in ("line_rest_bar", "cavity_least_mbar", "clamp_least_mbar", "gap_rise_mm")}
    shot = seen(
        past,
        None,
        injected_volume_l=2.1,
        **gauges,
        **{"ratio.setting": float("nan"), "ratio.tolerance": float("nan")},
        **dips,
    )
    assert [(f.kind, f.rank) for f in name.name_all(replace(shot))] == [("air_in_line", 1)]
    blocked = replace(shot, rise=Rise(300.0, 0.4, 900.0, True, 10.0, 90.0))
    assert [(f.kind, f.rank) for f in name.name_all(blocked)] == [("air_in_line", 2), ("vent_blocked", 1)]
