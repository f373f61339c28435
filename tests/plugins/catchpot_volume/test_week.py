"""The week: what may run, what it takes, what the pots cost, what to order, what changed; numbers checked by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from catchpot.core_tables import EVENT, FINDING, PART
from catchpot.tables import empty, shape
from catchpot.workshop import MouldBook
from catchpot_volume import week as weeks
from catchpot_volume import week_page
from catchpot_volume.tables import CHOICES, NEXT_SHOT, nothing

AS_OF = datetime(2026, 6, 30, 12, tzinfo=UTC)
BOOK = MouldBook.model_validate(
    {
        "resins": {
            "ve": {"density_kg_m3": 1100.0, "catalyst_density_kg_m3": 1150.0, "catalyst_ratio_pct_by_volume": 1.5,
                   "price_per_kg": 4.0}
        },
        "moulds": {
            "hull": {"resin": "ve", "flush_volume_l": 0.3, "seal_lead_time_days": 14.0, "outer_seals_in_stock": 0.0},
            "keel": {"resin": "ve"},
        },
    }
)  # fmt: skip


def row(mould: str, state: str, **keys: Any) -> dict[str, Any]:
    given = nothing(mould) | {"go": state, "last_shot_at": AS_OF, "valid_until": AS_OF + timedelta(days=30)}
    if state != "no-go":
        given |= {
            "volume_l": 2.5, "arrival_volume_l": 2.3, "expected_overflow_l": 0.2, "bleed_target_l": 0.0,
            "choice_chance": list(CHOICES), "choice_volume_l": [2.3 + 0.02 * i for i in range(len(CHOICES))],
        }  # fmt: skip
    if state != "go":
        given |= {"reasons": "the outer seal leaks", "clears": "Whoever replaces it: note it"}
    return given | keys


def tables(*rows: dict[str, Any]) -> dict[str, pl.DataFrame]:
    names = [f"s{i}" for i in range(4)]
    return {
        "next_shot": shape(NEXT_SHOT, {k: [r[k] for r in rows] for k in NEXT_SHOT.names}),
        "shot": pl.DataFrame(
            {"shot": names, "mould": ["hull", "hull", "hull", "keel"], "injector": ["i"] * 4,
             "started_at": [AS_OF - timedelta(days=d) for d in (20, 2, 1, 0)]},
        ),
        "fill": pl.DataFrame({"shot": names, "overflow_l": [9.0, 0.5, 0.4, 0.1]}),
        "part": shape(PART, {"shot": ["s1"], "overflow_kg": [0.22]}),
        "seal_life": pl.DataFrame(
            {"mould": ["hull", "hull"], "seal": ["outer", "inner"], "as_of": [AS_OF.date()] * 2,
             "due_on": [date(2026, 7, 20), None], "due_low": [date(2026, 7, 10), None]},
            schema_overrides={"due_on": pl.Date(), "due_low": pl.Date()},
        ),
        "seal_life_pooled": pl.DataFrame(),
    }  # fmt: skip


def test_a_plan_s_resin_catalyst_flush_and_pots_by_hand() -> None:
    made = weeks.build(tables(row("hull", "go")), BOOK, "UTC", AS_OF, "EUR", {"hull": 4})
    (need,) = made.needs
    # 4 x 2.5 l and 4 x 0.3 l of flush; 1.5 % of the resin is 1.5 / 101.5 of the mix
    assert need.mix_l == pytest.approx(11.2) and need.flush_l == pytest.approx(1.2) and need.pot_l == pytest.approx(0.8)
    assert need.mix_kg == pytest.approx(11.2 * 1.1)
    assert need.catalyst_l == pytest.approx(11.2 * 1.5 / 101.5)
    said = week_page.needs(made)[0]
    assert said.startswith("hull, 4 shots: 11.2 l of mix (12.3 kg), of which about 0.80 l goes into pots and 1.2 l is")


def test_without_a_plan_it_is_last_week_s_and_a_no_go_stands_first() -> None:
    rows = row("keel", "go"), row("hull", "no-go", last_set_l=2.4)
    made = weeks.build(tables(*rows), BOOK, "UTC", AS_OF)
    assert [(r.mould, r.go, r.shots) for r in made.runs] == [("hull", "no-go", 2), ("keel", "go", 1)]
    assert made.runs[0].first == "The outer seal leaks"
    assert made.needs[0].by_last_setting and made.needs[0].mix_l == pytest.approx(2 * 2.4 + 2 * 0.3)
    out = week_page.lines(made, "UTC")
    assert "hull: NO-GO, 2 shots" in out
    assert any("by the last setting, as none is given now" in x for x in out)


def test_pots_of_the_last_week_are_weighed_where_they_were_and_cost_what_the_book_says() -> None:
    made = weeks.build(tables(row("hull", "go"), row("keel", "go")), BOOK, "UTC", AS_OF, "EUR")
    hull = next(p for p in made.pots if p.mould == "hull")
    # 0.22 kg over 1.1 kg/l is 0.2 l, and 0.4 l by the curve; the shot of three weeks ago counts for nothing
    assert (hull.shots, hull.weighed) == (2, 1)
    assert hull.litres == pytest.approx(0.6) and hull.cost == pytest.approx(0.6 * 1.1 * 4.0)
    assert "2.64 EUR" in week_page.pots(made)[0]
    assert "1 of 2 shots weighed" in week_page.pots(made)[0]


def test_the_curve_weighs_waste_against_short_shots() -> None:
    made = weeks.build(tables(row("hull", "go")), BOOK, "UTC", AS_OF, "EUR")
    some = made.choices["hull"]
    assert [c.waste_l for c in some] == sorted(c.waste_l for c in some)
    assert [c.short_in_1000 for c in some] == sorted((c.short_in_1000 for c in some), reverse=True)
    last = some[-1]
    assert last.short_in_1000 == pytest.approx(1.0) and last.cost == pytest.approx(last.waste_l * 1.1 * 4.0)
    page = week_page.html(made, "UTC")
    assert page.count("<circle") == len(CHOICES) and "http" not in page.replace("http-equiv", "")


def test_seals_are_ordered_by_lead_time_and_stock() -> None:
    made = weeks.build(tables(row("hull", "go")), BOOK, "UTC", AS_OF)
    (order,) = made.orders
    assert order.by == date(2026, 6, 26)  # 10 July less two weeks
    assert order.says.endswith("order now")
    stocked = BOOK.model_dump(exclude_unset=True)
    stocked["moulds"]["hull"]["outer_seals_in_stock"] = 2.0
    again = weeks.build(tables(row("hull", "go")), MouldBook.model_validate(stocked), "UTC", AS_OF)
    assert "2.0 in stock, none to order" in again.orders[0].says


def test_a_clamp_channel_due_is_named_by_the_seal_that_the_cards_name() -> None:
    given = tables(row("hull", "go"))
    given["seal_life"] = given["seal_life"].head(1).with_columns(seal=pl.lit("clamp"))
    (untold,) = weeks.build(given, BOOK, "UTC", AS_OF).orders
    assert untold.says.startswith("outer or inner seal (the log can't tell which)")
    given["matter"] = pl.DataFrame(
        {"mould": ["hull", "hull", "keel"], "state": ["open", "closed", "open"],
         "cause": ["outer_seal", "inner_seal", "inner_seal"]}
    )  # fmt: skip
    (told,) = weeks.build(given, BOOK, "UTC", AS_OF).orders
    assert told.seal == "outer" and told.says.startswith("outer seal, due about")


def test_what_changed_since_the_last_report_is_said() -> None:
    t = tables(row("hull", "go"))
    found, noted = empty(FINDING), empty(EVENT)
    before = weeks.state(weeks.build(t, BOOK, "UTC", AS_OF), found, noted, t["shot"])
    assert weeks.changes(None, weeks.build(t, BOOK, "UTC", AS_OF), found, noted, t["shot"], "UTC")[0].startswith(
        "This is"
    )
    assert weeks.changes(before, weeks.build(t, BOOK, "UTC", AS_OF), found, noted, t["shot"], "UTC") == [
        "Nothing changed since the last report."
    ]
    leak = shape(FINDING, {
        "shot": [None], "mould": ["hull"], "kind": ["outer_seal_leak"], "severity": ["act"], "since": [AS_OF],
        "message": ["m"], "advice": [""], "analysis": ["a"], "anchor": ["x"], "until": [None],
    })  # fmt: skip
    now = weeks.build(tables(row("hull", "no-go")), BOOK, "UTC", AS_OF)
    said = weeks.changes(before, now, leak, noted, t["shot"], "UTC")
    assert said == ["hull: GO became NO-GO.", "hull: newly open: outer seal leak."]


@pytest.mark.parametrize(
    ("text", "words"), [("hul=3", "did you mean hull"), ("hull", "MOULD=SHOTS"), ("hull=-1", "MOULD")]
)
def test_a_plan_that_cannot_be_meant_is_refused(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        weeks.read_plan([text], ["hull"])
    assert weeks.read_plan(["hull=2", "hull=3"], ["hull"]) == {"hull": 5}
