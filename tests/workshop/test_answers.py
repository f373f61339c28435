"""What became of a finding: answered by an event that fits, closed by somebody, open again when seen again."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from catchpot.answers import SETTLES_AFTER_SHOTS, answers, closing
from catchpot.core_tables import EVENT, FINDING
from catchpot.history import entries, lines
from catchpot.tables import shape

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


def at(shot: float) -> datetime:
    return START + timedelta(days=shot)


def shots(n: int) -> pl.DataFrame:
    return pl.DataFrame(
        {"shot": [f"s{i}" for i in range(n)], "mould": ["hull"] * n, "started_at": [at(i) for i in range(n)],
         "injector": ["injector-1"] * n},
    )  # fmt: skip


def finding(*rows: dict[str, Any]) -> pl.DataFrame:
    base = {"mould": "hull", "kind": "outer_seal_leak", "severity": "act", "since": at(0), "until": None,
            "message": "hull: it leaks.", "advice": "", "analysis": "a", "shot": "s0"}  # fmt: skip
    full = [base | {"anchor": f"f{i}"} | r for i, r in enumerate(rows)]
    return shape(FINDING, {k: [r.get(k) for r in full] for k in FINDING.names})


def events(*rows: tuple[float, str, str]) -> pl.DataFrame:
    return shape(
        EVENT,
        {"row": list(range(2, len(rows) + 2)), "time": [at(r[0]) for r in rows], "mould": ["hull"] * len(rows),
         "kind": [r[1] for r in rows], "detail": [r[2] for r in rows]},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("event", "kind", "cause", "state"),
    [
        (("seal_replaced", "outer"), "outer_seal_leak", None, "answered"),
        (("seal_replaced", "both"), "inner_seal_leak", None, "answered"),
        (("seal_replaced", "inner"), "outer_seal_leak", None, "open"),
        (("mould_cleaned", ""), "outer_seal_leak", None, "open"),
        (("pump_serviced", "vacuum pump, new oil"), "ratio_off", None, "open"),
        (("pump_serviced", "catalyst pump, valves"), "ratio_off", None, "answered"),
        (("seal_replaced", "outer"), "clamp_margin_low", "vacuum_supply", "open"),
        (("pump_serviced", "vacuum pump"), "clamp_margin_low", "vacuum_supply", "answered"),
        (("seal_replaced", "outer"), "clamp_margin_low", "clamp_seals", "answered"),
    ],
)
def test_only_what_can_put_it_right_answers(event: tuple[str, str], kind: str, cause: str | None, state: str) -> None:
    made = answers(finding({"kind": kind, "cause": cause}), events((0.5, *event)), shots(1))
    assert made["f0"].state == state


def test_an_answer_before_it_was_seen_or_long_after_answers_nothing() -> None:
    replaced = ("seal_replaced", "outer")
    assert answers(finding({}), events((-0.5, *replaced)), shots(1))["f0"].state == "open"
    late = SETTLES_AFTER_SHOTS + 0.5
    assert answers(finding({}), events((late, *replaced)), shots(10))["f0"].state == "open"
    assert answers(finding({}), events((late - 1, *replaced)), shots(10))["f0"].state == "answered"


def test_seen_again_after_the_answer_it_is_open_again() -> None:
    found = finding({}, {"shot": "s2", "since": at(2)})
    made = answers(found, events((1.5, "seal_replaced", "outer")), shots(3))
    assert (made["f0"].state, made["f1"].state) == ("answered", "open")
    new, old = entries(found, events((1.5, "seal_replaced", "outer")), shots(3))
    assert (new.state, old.state) == ("open", "answered")
    said = lines("hull", [new, old], events((1.5, "seal_replaced", "outer")), "UTC")
    assert said[0] == "OPEN: outer seal leak (act), 4 Mar 2026"
    assert any("outer seal replaced, 3 Mar 2026; make a hold check before mixing" in x for x in said)


def test_a_mould_s_finding_that_still_stands_shots_later_is_open_again() -> None:
    drift = finding({"shot": None, "kind": "permeability_drift"})
    batch = events((0.5, "fabric_batch", "F-2"))
    assert answers(drift, batch, shots(SETTLES_AFTER_SHOTS))["f0"].state == "answered"
    again = answers(drift, batch, shots(SETTLES_AFTER_SHOTS + 1))["f0"]
    assert again.state == "open" and again.reopened_at == at(SETTLES_AFTER_SHOTS)


def test_a_finding_is_closed_by_somebody_for_a_reason() -> None:
    closed = events((0.5, "finding_closed", closing("f0", "A. Example", "the gauge was off")))
    made = answers(finding({}, {"anchor": "f00", "since": at(0)}), closed, shots(1))
    assert made["f0"].state == "closed" and made["f0"].words == "closed by A. Example: the gauge was off"
    assert made["f00"].state == "open"
