"""A move of the vacuum held against the other moulds of its source."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from catchpot.core_tables import FINDING
from catchpot.tables import empty, from_rows, violations
from catchpot.testing import made_up as mu
from catchpot.workshop import MouldBook
from catchpot_drift.tables import DRIFT
from catchpot_matters.analysis import MatterAnalysis
from catchpot_vacuum.clamp_analysis import finding_of
from catchpot_vacuum.supply import Move, shared
from catchpot_vacuum.supply_analysis import SupplyAnalysis
from catchpot_vacuum.tables import CLAMP_CHANGE, SUPPLY_CHANGE

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
MOULDS = ("a", "b", "c")
DECLARED = {t.name: t for t in (CLAMP_CHANGE, DRIFT, SUPPLY_CHANGE)}


def day(n: int) -> datetime:
    return START + timedelta(days=n)


def book(**source: str) -> MouldBook:
    return MouldBook.model_validate({"moulds": {m: {"vacuum_source": source.get(m, "")} for m in MOULDS}})


def clamp_row(mould: str, at: int, supply: float | None = None, after: float = 110.0) -> dict[str, Any]:
    row = dict.fromkeys(CLAMP_CHANGE.names)
    return row | {
        "mould": mould, "changed_at": day(at), "changed_low_at": day(at - 1), "changed_high_at": day(at + 1),
        "last_at": day(39), "seen_at": day(at + 3), "shot": f"{mould}-{at}", "kind": "step", "before_mbar": 50.0,
        "after_mbar": after, "supply_chance": supply, "holds": 0, "margin": "",
        "sentence_1": f"{mould}: the clamp rose.", "sentence_2": "No hold check tells.",
    }  # fmt: skip


def cavity_row(mould: str, at: int, after: float) -> dict[str, Any]:
    row = dict.fromkeys(DRIFT.names)
    return row | {
        "mould": mould, "measure": "cavity_pressure_mbar", "changed_at": day(at), "before": 550.0, "after": after,
        "kind": "step", "unit": "mbar", "label": "cavity pressure", "before_low": 549.0, "before_high": 551.0,
        "after_low": after - 1, "after_high": after + 1, "change": after - 550, "change_low": after - 552,
        "change_high": after - 548, "shot": f"{mould}-{at}", "changed_low_at": day(at), "changed_high_at": day(at),
        "seen_at": day(at + 3), "shots": 20, "event": "", "autocorrelation": 0.0,
    }  # fmt: skip


def world(clamp: Sequence[dict[str, Any]], drift: Sequence[dict[str, Any]] = ()) -> dict[str, pl.DataFrame]:
    names = [(f"{m}-{i}", m, day(i)) for m in MOULDS for i in range(40)]
    return {
        "shot": pl.DataFrame({
            "shot": [n for n, _, _ in names], "mould": [m for _, m, _ in names],
            "started_at": pl.Series([t for _, _, t in names], dtype=pl.Datetime("us", "UTC")),
            "injector": "i", "fabric_batch": pl.Series([None] * len(names), dtype=pl.String),
            "resin_batch": pl.Series([None] * len(names), dtype=pl.String),
            "programmed_volume_l": pl.Series([None] * len(names), dtype=pl.Float64),
        }),
        "clamp_change": from_rows(CLAMP_CHANGE, list(clamp)), "drift": from_rows(DRIFT, list(drift)),
    }  # fmt: skip


def told(tables: dict[str, pl.DataFrame], of: MouldBook) -> pl.DataFrame:
    made = mu.compute(SupplyAnalysis(), tables, of, declared=DECLARED).tables["supply_change"]
    assert violations(SUPPLY_CHANGE, made) == []
    return made.sort("measure", "mould")


def test_moulds_of_one_source_that_move_together_are_moved_by_it() -> None:
    made = told(world([clamp_row("a", 20), clamp_row("b", 21)]), book(a="pump-1", b="pump-1", c="pump-2"))
    assert made["mould"].to_list() == ["a", "b"]
    assert made["moulds"].to_list() == ["b", "a"]
    assert (made["supply_chance"] > 0.85).all() and (made["source_chance"] > 0.8).all()
    assert "look at the pump" in made["sentence"][0]


def test_a_mould_that_moves_alone_is_not_moved_by_the_pump() -> None:
    made = told(world([clamp_row("a", 20, 0.95)]), book(a="pump-1", b="pump-1", c="pump-1")).row(0, named=True)
    assert (made["moved"], made["compared"]) == (0, 2)
    assert made["source_chance"] < 0.05
    assert made["supply_chance"] == pytest.approx(0.95, abs=0.05)  # its own branch, as its hold checks say
    assert "it is not the pump" in made["sentence"]


@pytest.mark.parametrize(
    ("rows", "of"),
    [
        ((clamp_row("a", 20), clamp_row("b", 30)), {"a": "p", "b": "p"}),  # ten days apart
        ((clamp_row("a", 20), clamp_row("b", 20, after=20.0)), {"a": "p", "b": "p"}),  # the other way
        ((clamp_row("a", 20), clamp_row("b", 20)), {"a": "p", "b": "q"}),  # two pumps
        ((clamp_row("a", 20), clamp_row("b", 20)), {}),  # the book does not say
    ],
)
def test_what_moves_at_another_time_or_on_another_source_says_nothing(rows: Any, of: dict[str, str]) -> None:
    assert told(world(rows), book(**of))["moved"].sum() == 0


def test_a_book_that_names_no_source_is_said() -> None:
    result = mu.compute(SupplyAnalysis(), world([clamp_row("a", 20)]), book(), declared=DECLARED)
    assert [r.what for r in result.refused] == ["vacuum_supply"]
    assert not mu.compute(SupplyAnalysis(), world([]), book(a="p"), declared=DECLARED).refused


def test_without_another_mould_there_is_nothing_to_hold_it_against() -> None:
    assert told(world([clamp_row("a", 20)]), book(a="pump-1")).is_empty()


def test_more_moulds_that_stay_speak_louder() -> None:
    at = Move("a", day(20), day(21), day(39), 60.0)
    few, many = (shared(at, [], [f"m{i}" for i in range(n)], 0.5).common for n in (1, 4))
    assert many < few < 0.2


@pytest.mark.parametrize("source", ["pump-1", ""])
def test_the_card_takes_the_word_of_the_other_moulds(source: str) -> None:
    """Two clamps and two cavities of one pump rise together, held by nobody: the pump is named, else it is open."""
    tables = world([clamp_row("a", 20), clamp_row("b", 20)], [cavity_row("a", 20, 600.0), cavity_row("b", 20, 590.0)])
    of = book(a=source, b=source)
    findings = [f for r in tables["clamp_change"].iter_rows(named=True) if (f := finding_of(r, 0.5))]
    tables |= {"supply_change": told(tables, of), "finding": from_rows(FINDING, findings)}
    made = mu.compute(MatterAnalysis(), tables, of, declared=DECLARED, units=["a"]).tables
    heads = made["matter"].sort("rank").to_dicts()
    clamp = next(h for h in heads if "clamp" in h["headline"])
    cavity = next(h for h in heads if "cavity" in h["headline"])
    said = made["matter_line"].filter(pl.col("role") == "evidence")["sentence"].to_list()
    if source:
        assert clamp["cause"] == "vacuum_supply" and clamp["chance"] > 0.85
        assert cavity["cause"] == "cavity_supply" and cavity["chance"] > 0.85
        assert sum("on pump-1 moved the same way" in s for s in said) == 2
    else:
        assert clamp["chance"] == 0.5 and cavity["chance"] < 0.85
        assert empty(SUPPLY_CHANGE).equals(tables["supply_change"])
