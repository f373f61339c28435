"""What the workshop sees of the arrival: weighed pots, an eye at the vent, a channel, and what is said of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from tests.plugins.catchpot_fill.made import Tables, made, noted, plates, run, weighed, with_truth

from catchpot.testing import made_up as mu
from catchpot.testing.plates import PlateShots
from catchpot.workshop import MouldBook
from catchpot_fill.knowledge import ROUGHLY_KNOWN, WELL_KNOWN, sentence
from catchpot_fill.place import SHARED_SD, Place, Seen, _by_pot, cloth_scatter, read, together
from catchpot_fill.signs import NAMES, MouldFacts, Signs
from catchpot_fill.witnesses import between, rows
from catchpot_fill.witnesses import noted as noted_events

AT = datetime(2026, 5, 4, 8, tzinfo=UTC)
DENSITY = 1.1
"""kg/l, of the plates' resin."""


def width(fill: pl.DataFrame) -> float:
    """Half width of the last shot's place, relative."""
    return float(fill["arrival_place_pct"][-1]) / 100


def names(tables: Tables) -> list[str]:
    return tables["shot"].sort("started_at", "shot")["shot"].to_list()


def pots(shots: PlateShots, tables: Tables, which: list[int]) -> dict[str, float]:
    """What a pot weighs, kg, by shot."""
    own = names(tables)
    return {own[i]: float(shots.truth["past_l"][i] * DENSITY) for i in which}


@pytest.fixture(scope="module")
def plate() -> tuple[PlateShots, Tables, MouldBook]:
    return plates("ell", 14, 3)


def test_a_weighed_pot_narrows_later_arrivals_and_no_earlier_row(plate: tuple[PlateShots, Tables, MouldBook]) -> None:
    shots, tables, book = plate
    plain = run(tables, book).tables["fill"]
    fill = run(weighed(tables, pots(shots, tables, [6])), book).tables["fill"]
    assert fill.head(6).equals(plain.head(6))
    narrower = fill["arrival_place_pct"].to_numpy()[6:] < plain["arrival_place_pct"].to_numpy()[6:]
    assert np.mean(narrower) > 0.7
    assert narrower[-1]
    # never later than the pot allows
    assert fill["arrival_place_l"][6] <= (shots.truth["taken_l"][6]) * 1.02


def test_a_reading_within_the_scales_doubt_makes_no_arrival_of_a_shot_that_stopped() -> None:
    """Scales of 10 g show 14 g over an empty pot one time in twelve; they show 60 g over none."""
    shots, tables, book = plates("ell", 14, 3, short=0.3)
    own, end = names(tables), np.asarray(shots.truth["injected_l"]) / np.asarray(shots.truth["arrival_l"])
    stopped = [i for i in range(4, 14) if end[i] < 0.95]
    assert stopped
    fill = run(weighed(tables, {own[i]: 0.014 for i in stopped}), book).tables["fill"]
    assert fill["arrival_volume_l"].gather(stopped).null_count() == len(stopped)
    assert (fill["arrival_chance"].gather(stopped) < 0.5).all()
    sure = run(weighed(tables, {own[stopped[0]]: 0.06}), book).tables["fill"]
    assert sure["arrival_chance"][stopped[0]] > 0.99


def test_an_empty_pot_leaves_room_for_corners_that_drank() -> None:
    """That nothing came through is likely where resin comes later, and possible where corners took the last of it."""
    place = np.linspace(0.8, 1.2, 401)
    chance = _by_pot([Seen("pot", 1.0, 0.005, 1.0, empty=True)], place, 0.0, 0.009)
    at = {p: float(np.interp(p, place, chance)) for p in (0.85, 0.93, 0.98, 1.1)}
    assert at[0.85] < at[0.93] < at[0.98] < at[1.1]
    # an exponential of 3 % with chance 0.45 and one of 8 % with 0.2 (`place.CORNERS`) reach 7.3 % in the logarithm
    left = 0.45 * np.exp(-0.0726 / 0.03) + 0.2 * np.exp(-0.0726 / 0.08)
    assert at[0.93] == pytest.approx(0.03 + 0.97 * left, rel=0.15)
    assert at[1.1] == pytest.approx(1.0, abs=0.01)


def test_what_a_weighed_shot_took_is_injected_less_the_pot(plate: tuple[PlateShots, Tables, MouldBook]) -> None:
    shots, tables, book = plate
    pot = pots(shots, tables, [6])
    fill = run(weighed(tables, pot), book).tables["fill"]
    row = fill.row(6, named=True)
    (kg,) = pot.values()
    assert row["taken_volume_l"] == pytest.approx(row["injected_volume_l"] - kg / DENSITY, abs=1e-9)
    half = (row["taken_volume_high_l"] - row["taken_volume_low_l"]) / 2
    assert half == pytest.approx(1.96 * 0.01 / DENSITY, rel=0.02)  # scales of 10 g
    assert row["taken_volume_low_l"] <= shots.truth["taken_l"][6] <= row["taken_volume_high_l"]


def test_one_pot_settles_what_later_shots_took(plate: tuple[PlateShots, Tables, MouldBook]) -> None:
    shots, tables, book = plate
    plain = run(tables, book).tables["fill"]
    fill = run(weighed(tables, pots(shots, tables, [4])), book).tables["fill"]
    took = shots.truth["taken_l"][5:]
    low, value, high = (fill[f"taken_volume{e}_l"].to_numpy()[5:] for e in ("_low", "", "_high"))
    assert np.median(np.abs(value / took - 1)) < 0.012
    assert np.mean((low <= took) & (took <= high)) >= 0.85
    assert np.median(high - low) < np.median((plain["taken_volume_high_l"] - plain["taken_volume_low_l"]).to_numpy())
    assert (fill["taken_volume_high_l"] <= fill["injected_volume_l"] + 1e-9).all()


def test_resin_seen_at_the_vent_narrows_the_place_by_event_and_by_channel(
    plate: tuple[PlateShots, Tables, MouldBook],
) -> None:
    shots, tables, book = plate
    plain = run(tables, book)
    injection = plain.tables["injection"].row(5, named=True)
    share = float(shots.truth["arrival_l"][5] / injection["injected_volume_l"])
    cells = (np.arange(200) + 1) / 200
    seconds = float(np.interp(share, cells, injection["time_s"])) - injection["from_s"]
    own = names(tables)
    noted_at = tables["shot"].sort("started_at", "shot")["started_at"][5] + timedelta(hours=1)
    by_eye = run(noted(tables, [(noted_at, "p", "resin_at_vent", f"{seconds + 1:.0f} {own[5]}")]), book)
    when = seconds + injection["from_s"]
    seen = pl.when((pl.col("shot") == own[5]) & (pl.col("t_s") >= when)).then(1.0).otherwise(0.0)
    channel = tables["sample"].with_columns(resin_at_vent=seen)
    by_channel = run({**tables, "sample": channel}, book)
    widths = [width(r.tables["fill"]) for r in (plain, by_eye, by_channel)]
    assert widths[1] < widths[0] and widths[2] < widths[0]
    assert widths[2] < widths[1]
    for r in (by_eye, by_channel):
        curve = r.tables["own_curve"].row(-1, named=True)
        assert (curve["eyes"], curve["pots"]) == (1, 0)
        assert "1 look at the vent" in curve["knowledge"]
        row = r.tables["fill"].row(5, named=True)
        assert row["arrival_volume_low_l"] <= shots.truth["arrival_l"][5] <= row["arrival_volume_high_l"]
    assert by_channel.tables["injection"]["resin_at_vent_s"].null_count() == 13
    assert by_channel.tables["injection"]["resin_at_vent_s"][5] == pytest.approx(when, abs=0.3)


def test_an_empty_pot_speaks_against_an_early_arrival(plate: tuple[PlateShots, Tables, MouldBook]) -> None:
    _, tables, book = plate
    plain = run(tables, book).tables["fill"]
    fill = run(weighed(tables, dict.fromkeys(names(tables)[3:6], 0.0)), book).tables["fill"]
    assert np.all(fill["arrival_place_l"].to_numpy()[5:] > plain["arrival_place_l"].to_numpy()[5:])
    assert np.all(fill["arrival_chance"].to_numpy()[5:] < plain["arrival_chance"].to_numpy()[5:])
    assert fill["taken_volume_l"][3] == fill["injected_volume_l"][3]


def test_many_pots_do_not_tell_the_corners_from_the_arrival() -> None:
    """Lanes leave corners that fill late, the same at every shot: ten pots tell what the part takes, and no more."""
    moulds = mu.five_moulds(10)
    shots = mu.simulate(mu.Scenario(moulds=moulds, nuisances=mu.Nuisances()), 5, dt_s=0.5)
    result = run(shots.tables(), shots.book())
    fill = with_truth(result, shots)
    took = (pl.col("injected_volume_l_true") - pl.col("past_vent_l") * pl.col("meter_gain")).alias("took_l")
    fill = fill.with_columns(took)
    late = (fill["took_l"] / fill["arrival_volume_l_true"] - 1).to_numpy()
    assert np.nanmedian(late) > 0.03
    more, less = 1.004 * fill["took_l"], 0.996 * fill["took_l"]  # the meter's own wander
    inside = (fill["taken_volume_low_l"] <= more) & (less <= fill["taken_volume_high_l"])
    assert inside.mean() >= 0.85  # type: ignore[operator]  # a share
    # the truth's place lies inside what is believed of the mould for most moulds
    place = pl.col("arrival_place_l") / pl.col("arrival_relative")
    usual = fill.group_by("mould", maintain_order=True).agg(
        place.last().alias("place_l"), pl.col("arrival_place_pct").last().alias("half"),
        pl.col("arrival_volume_l_true").median().alias("true_l"),
    )  # fmt: skip
    off = (usual["place_l"] / usual["true_l"] - 1).abs() * 100
    assert (off < 1.5 * usual["half"]).sum() >= 4


def test_pots_are_taken_together_and_one_of_another_shot_is_left_out() -> None:
    """By hand: four pots of 0.8 % and the cloth's 0.6 %, 1 % together, are 0.5 % as one, beside what they share."""
    four = np.log([0.998, 1.0, 1.0, 1.002])
    at, sd = together(four, np.full(4, 0.008), 0.006)
    assert at == pytest.approx(0.0, abs=1e-5)
    assert sd == pytest.approx(float(np.hypot(0.005, SHARED_SD)), rel=1e-6)
    still, _ = together(np.append(four, np.log(0.8)), np.full(5, 0.008), 0.006)
    assert still == pytest.approx(0.0, abs=1e-5)


def test_scatter_of_the_arrival_is_learnt_from_weighed_pots() -> None:
    rng = np.random.default_rng(4)

    def pots(sd: float) -> list[Seen]:
        return [Seen("pot", float(np.exp(sd * z)), 0.003, 1.06) for z in rng.standard_normal(60)]

    assert cloth_scatter([]) == cloth_scatter(pots(0.02)[:1])
    assert cloth_scatter(pots(0.02)) == pytest.approx(0.02, rel=0.35)
    assert cloth_scatter(pots(0.002)) < 0.004


def test_the_curve_alone_never_rules_a_place_out() -> None:
    rng = np.random.default_rng(2)
    place = np.linspace(0.7, 1.16, 120)
    for _ in range(5):
        density = read(Signs(place, 3 * rng.standard_normal((120, len(NAMES))), 1.06))
        assert density.sum() == pytest.approx(1.0)
        assert density.min() > 0
    facts = MouldFacts(float("nan"), "", 0.0)
    assert np.isnan(facts.volume)


def _place(half: float, eyes: int, n_pots: int) -> Place:
    at = np.linspace(0.8, 1.2, 4001)
    density = np.exp(-0.5 * ((at - 1) / (half / 1.96)) ** 2)
    density /= density.sum()
    return Place(at, density, density, eyes, n_pots)


@pytest.mark.parametrize(
    ("half", "eyes", "n_pots", "by", "helps"),
    [
        (0.05, 0, 0, "from the curve alone", "One look at the vent would help most"),
        (0.05, 2, 0, "from the curve and 2 looks at the vent", "One weighed catch pot would help most"),
        (0.05, 0, 1, "from the curve and 1 weighed catch pot", "One look at the vent would help most"),
        (0.05, 1, 3, "from the curve, 3 weighed catch pots and 1 look at the vent", "would help"),
        (0.008, 0, 2, "from the curve and 2 weighed catch pots", ""),
    ],
)
def test_the_sentence_says_how_well_by_what_and_which_measurement_helps(
    half: float, eyes: int, n_pots: int, by: str, helps: str
) -> None:
    assert WELL_KNOWN < ROUGHLY_KNOWN
    said = sentence(_place(half, eyes, n_pots))
    assert f"known to {100 * half:.1f} % either way" in said
    assert by in said
    assert helps in said
    assert ("help" in said) == bool(helps)


def test_the_measurement_named_is_one_that_helps(plate: tuple[PlateShots, Tables, MouldBook]) -> None:
    """Of the two the sentence may name, the named one narrows the place of this plate."""
    shots, tables, book = plate
    plain = run(tables, book)
    said = plain.tables["own_curve"]["knowledge"][-1]
    assert "help most" in said
    named = run(weighed(tables, pots(shots, tables, [13])), book) if "catch pot would" in said else None
    if named is None:
        injection = plain.tables["injection"].row(13, named=True)
        share = float(shots.truth["arrival_l"][13] / injection["injected_volume_l"])
        at = float(np.interp(share, (np.arange(200) + 1) / 200, injection["time_s"])) - injection["from_s"] + 1
        when = tables["shot"]["started_at"].max() + timedelta(minutes=40)  # type: ignore[operator]  # a time
        named = run(noted(tables, [(when, "p", "resin_at_vent", f"{at:.0f}")]), book)
    assert width(named.tables["fill"]) < width(plain.tables["fill"])


def test_events_of_resin_at_the_vent_are_read_as_people_write_them() -> None:
    own, started = ["p-1", "p-2", "p-3"], [AT, AT + timedelta(hours=3), AT + timedelta(hours=6)]

    def said(detail: str, hours: float, mould: str | None = "p", kind: str = "resin_at_vent") -> list[Any]:
        event = {"kind": kind, "mould": mould, "time": AT + timedelta(hours=hours), "detail": detail}
        return noted_events([event], own, started, "p")

    assert said("84", 4) == [(1, 84.0)]
    assert said("84,5", 4) == [(1, 84.5)]
    assert said("84 p-1", 20) == [(0, 84.0)]
    assert said("p-3 84.5 s", 20, None) == [(2, 84.5)]
    assert said("84", 4, None) == []  # of no mould and no shot
    assert said("84", 4, "q") == []
    assert said("84", 30) == []  # nobody notes it so much later
    assert said("84", -1) == []  # before any shot
    assert said("early", 4) == []
    assert said("84", 4, kind="note") == []


def test_events_stand_before_the_shot_that_follows_them() -> None:
    started = [AT, AT + timedelta(hours=3), AT + timedelta(hours=6)]
    events: list[dict[str, Any]] = [
        {"kind": "core_changed", "mould": "p", "time": AT + timedelta(hours=1), "detail": ""},
        {"kind": "meter_calibrated", "mould": None, "time": AT + timedelta(hours=4), "detail": ""},
        {"kind": "core_changed", "mould": "q", "time": AT + timedelta(hours=4), "detail": ""},
        {"kind": "note", "mould": "p", "time": AT + timedelta(hours=4), "detail": ""},
        {"kind": "hose_changed", "mould": "p", "time": AT + timedelta(hours=40), "detail": ""},
        {"kind": "hose_changed", "mould": "p", "time": AT - timedelta(hours=40), "detail": ""},
    ]
    assert between(events, started, "p") == [frozenset(), frozenset({"core_changed"}), frozenset({"meter_calibrated"})]


def test_a_vent_hose_in_the_book_holds_the_arrival_of_a_hose_that_the_log_shows() -> None:
    shots, tables = made("strip", nuisances=replace(mu.Nuisances.off(), hoses=True), settings=(("vent_hose_m", 2.0),))
    fill = with_truth(run(tables, shots.book()), shots).drop_nulls("arrival_volume_l")
    assert fill.height >= 3
    truth = fill["arrival_volume_l_true"]
    assert ((fill["arrival_volume_low_l"] <= truth) & (truth <= fill["arrival_volume_high_l"])).mean() >= 0.6  # type: ignore[operator]  # a share


def test_rows_of_arrays_keep_their_holes() -> None:
    made_of = pl.Series([[1.0, None, 3.0], None], dtype=pl.Array(pl.Float64, 3))
    got = rows(made_of)
    assert got[0] == pytest.approx([1.0, float("nan"), 3.0], nan_ok=True)
    assert np.isnan(got[1]).all()
