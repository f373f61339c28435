"""What the set-up sheet counts as open is what the board counts: cards that ask for something and stand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from catchpot.answers import OPEN, SETTLES_AFTER_SHOTS, Answer, closing
from catchpot_volume import advice

BEGAN = datetime(2026, 3, 2, tzinfo=UTC)
ANSWERED = Answer("answered", BEGAN + timedelta(days=1), "outer seal replaced")


def cards(*rows: tuple[str, str, str, str, str]) -> pl.DataFrame:
    names = ["matter", "severity", "state", "cause", "cause_words"]
    return pl.DataFrame(rows, schema=names, orient="row")


def lines(*rows: tuple[str, str]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema={"matter": pl.String, "anchor": pl.String}, orient="row")


def test_open_cards_that_ask_are_named_by_cause_or_kind() -> None:
    given = cards(
        ("m1", "act", "open", "outer_seal", "a leak at the outer seal"),
        ("m2", "watch", "open", "sensor_offset", ""),
        ("m3", "note", "open", "fabric_pack", "a heavier fabric pack"),
        ("m4", "act", "closed", "air_in_line", ""),
        ("m5", "watch", "answered", "flow_meter", "a flow meter that reads higher"),
    )
    of = lines(("m1", "f1"), ("m1", "f2"), ("m1", ""), ("m2", "f3"))
    assert advice.open_matters(given, of, {}, []) == ["a leak at the outer seal", "sensor_offset"]
    # one of its findings answered since the last run leaves a card open, all of them do not
    assert len(advice.open_matters(given, of, {"f1": ANSWERED}, [])) == 2
    assert advice.open_matters(given, of, {"f1": ANSWERED, "f2": ANSWERED}, []) == ["sensor_offset"]
    closed: dict[str, Any] = {"kind": "finding_closed", "detail": closing("m2", "A. Example", "the gauge was zeroed")}
    assert advice.open_matters(given, of, {}, [closed]) == ["a leak at the outer seal"]


def test_without_cards_a_shots_finding_counts_as_long_as_a_card_of_it_would_stand() -> None:
    shots = [f"s{i}" for i in range(12)]
    rows: list[tuple[Any, ...]] = [(shot, "sensor_offset", "watch", None, f"f-{shot}") for shot in shots]
    rows += [(None, "volume_drift", "watch", None, "f-drift"), (None, "volume_drift", "note", None, "f-note")]
    rows += [(None, "volume_drift", "act", BEGAN, "f-over")]
    schema: dict[str, Any] = dict.fromkeys(("shot", "kind", "severity"), pl.String)
    schema |= {"until": pl.Datetime("us", "UTC"), "anchor": pl.String}
    found = pl.DataFrame(rows, schema=schema, orient="row")
    assert advice.open_findings(found, shots, {}) == ["sensor_offset"] * SETTLES_AFTER_SHOTS + ["volume_drift"]
    answered = {"f-drift": ANSWERED, "f-s11": ANSWERED, "f-s10": OPEN}
    assert advice.open_findings(found, shots, answered) == ["sensor_offset"] * (SETTLES_AFTER_SHOTS - 1)
