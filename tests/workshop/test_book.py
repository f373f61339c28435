"""The mould book as analyses see it."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from pydantic import ValidationError

from catchpot.workshop import MouldBook

BOOK = MouldBook.model_validate(
    {
        "resins": {"ve": {"viscosity_pa_s": 0.2, "viscosity_temp_c": 23.0, "density_kg_m3": 1120}},
        "resin_batches": {"B7": {"viscosity_pa_s": 0.23}},
        "moulds": {
            "hatch": {
                "resin": "ve",
                "thickness_mm": 3.0,
                "line_pressure_range_bar": [0, 6],
                "outer_leak_limit_mbar_l_s": 0.3,
                "inner_leak_limit_mbar_l_s": 0.05,
                "limits": {"injected_volume_l": [2.4, "none"], "cavity_pressure_mbar": [500, 620]},
                "changes": [
                    {"valid_from": date(2026, 6, 1), "thickness_mm": 3.4},
                    {"valid_from": date(2026, 3, 1), "thickness_mm": 3.2, "limits": {"injected_volume_l": [2.5, 2.9]}},
                ],
            },
            "bare": {},
        },
    }
)


def shots(*rows: tuple[str, str | None, datetime | None, str | None]) -> pl.DataFrame:
    return pl.DataFrame(
        rows,
        schema={
            "shot": pl.String,
            "mould": pl.String,
            "started_at": pl.Datetime("us", "UTC"),
            "resin_batch": pl.String,
        },
        orient="row",
    )


def at(month: int, day: int, hour: int = 0) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=UTC)


def test_for_shots_gives_a_row_a_shot_in_order_with_changes_by_date() -> None:
    frame = BOOK.for_shots(
        shots(
            ("c", "hatch", at(6, 1, 0), None),
            ("a", "hatch", at(2, 1, 9), "B7"),
            ("x", "stranger", at(2, 1), "B7"),
            ("b", "hatch", at(3, 1, 0), "no such batch"),
            ("n", None, None, None),
            ("u", "hatch", None, None),
            ("e", "bare", at(3, 1), None),
        )
    )
    assert frame["shot"].to_list() == ["c", "a", "x", "b", "n", "u", "e"]
    assert frame["thickness_mm"].to_list() == [3.4, 3.0, None, 3.2, None, 3.0, None]
    assert frame["viscosity_pa_s"].to_list() == [0.2, 0.2, None, 0.2, None, 0.2, None]
    assert frame["batch_viscosity_pa_s"].to_list() == [None, 0.23, 0.23, None, None, None, None]
    assert frame["line_pressure_range_high_bar"].to_list() == [6.0, 6.0, None, 6.0, None, 6.0, None]
    # outer + inner where the clamp's own limit is not given
    assert frame["clamp_leak_limit_mbar_l_s"][0] == pytest.approx(0.35)
    assert frame["viscosity_tolerance_pct"].to_list() == [15.0, 15.0, None, 15.0, None, 15.0, 15.0]
    assert frame["feed_hose_full"].dtype == pl.Boolean


def test_an_empty_frame_keeps_its_columns() -> None:
    assert BOOK.for_shots(shots()).columns == BOOK.for_shots(shots(("a", "hatch", None, None))).columns


def test_a_change_begins_with_the_day_in_the_workshops_zone() -> None:
    zoned = BOOK.in_zone(ZoneInfo("Pacific/Auckland"))  # 1 March begins there on 28 February, 11:00 UTC
    row = ("a", "hatch", at(2, 28, 12), None)
    assert BOOK.for_shots(shots(row))["thickness_mm"][0] == 3.0
    assert zoned.for_shots(shots(row))["thickness_mm"][0] == 3.2
    assert zoned.at("hatch", at(2, 28, 12)).thickness_mm == 3.2


def test_at_merges_changes_and_limits() -> None:
    entry = BOOK.at("hatch", date(2026, 6, 2))
    assert entry.thickness_mm == 3.4
    assert entry.limits == {"injected_volume_l": (2.5, 2.9), "cavity_pressure_mbar": (500.0, 620.0)}
    assert BOOK.at("hatch").limits["injected_volume_l"] == (2.4, None)
    resin = BOOK.resin_of("hatch")
    assert resin is not None and resin.viscosity_pa_s == 0.2
    assert BOOK.resin_of("bare") is None
    with pytest.raises(KeyError):
        BOOK.at("stranger")


def test_the_digest_follows_all_that_touches_a_mould_and_nothing_else() -> None:
    def changed(path: tuple[str, ...], value: object) -> MouldBook:
        content = BOOK.model_dump(exclude_unset=True)
        place = content
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = value
        return MouldBook.model_validate(content)

    same = MouldBook.model_validate(BOOK.model_dump(exclude_unset=True))
    assert same.digest("hatch") == BOOK.digest("hatch")
    for path, value in [
        (("moulds", "hatch", "thickness_mm"), 3.1),
        (("resins", "ve", "viscosity_pa_s"), 0.21),
        (("resin_batches", "B7", "viscosity_pa_s"), 0.24),
    ]:
        assert changed(path, value).digest("hatch") != BOOK.digest("hatch")
    assert changed(("moulds", "hatch", "thickness_mm"), 3.1).digest("bare") == BOOK.digest("bare")
    assert BOOK.digest("stranger") != BOOK.digest("bare")


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"inlet_width_m": 4.0, "flow_length_m": 0.4, "part_area_m2": 0.5}, "less than half of inlet_width_m"),
        ({"core_volume_l": 0.5}, "core_uptake_fraction"),
        ({"resin": "none such"}, "no resin 'none such'"),
        ({"limits": {"x": ["none", "none"]}}, "leave the measure out"),
        ({"line_pressure_range_bar": [6, 0]}, "must lie below"),
        ({"changes": [{"valid_from": date(2026, 1, 1)}, {"valid_from": date(2026, 1, 1)}]}, "same valid_from"),
        ({"fill_chance": 1.0}, "less than 1"),
        ({"thickness_mm": float("inf")}, "finite"),
    ],
)
def test_an_entry_that_can_not_be_is_refused(entry: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        MouldBook.model_validate({"moulds": {"m": entry}})


def test_a_disc_fed_at_its_rim_may_be_rounded() -> None:
    # 2 pi r, r, pi r2 with r = 0.5, each to two digits: the far end is a point
    MouldBook.model_validate({"moulds": {"m": {"inlet_width_m": 3.1, "flow_length_m": 0.5, "part_area_m2": 0.77}}})
