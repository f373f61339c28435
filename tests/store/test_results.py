"""Results: a recomputed part replaces its own rows, and nobody else's."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import polars as pl

from catchpot.core_tables import CURVE, CURVE_BINS, EVENT, FINDING, REFUSAL
from catchpot.store import Store
from catchpot.store.ledger import SCHEMA
from catchpot.tables import Column, Table, empty, shape

Make = Callable[..., pl.DataFrame]
FILL = Table("fill", ("shot",), (Column("shot", "str", "", "the shot"), Column("x_l", "f64", "l", "a volume")))
LIFE = Table(
    "life", ("mould", "seal"), (Column("mould", "str", "", "the mould"), Column("seal", "str", "", "the seal"))
)


def refusals(rows: Sequence[tuple[str, str, str, str, str]] = ()) -> pl.DataFrame:
    schema = empty(REFUSAL).with_columns(part=pl.lit(None, dtype=pl.String)).schema
    return pl.DataFrame(list(rows), schema=schema, orient="row")


def fill(rows: dict[str, float]) -> pl.DataFrame:
    return shape(FILL, {"shot": list(rows), "x_l": list(rows.values())})


def finding(analysis: str, shot: str | None, mould: str) -> pl.DataFrame:
    return shape(
        FINDING, {"shot": [shot], "mould": [mould], "analysis": [analysis], "anchor": [f"{analysis}-{shot}-{mould}"]}
    )


def test_a_shots_rows_are_replaced_and_the_others_stay(store: Store) -> None:
    with store.writing() as w:
        first = refusals([("fill", "a", "fill.x_l", "no", "a"), ("fill", "b", "fill.x_l", "no", "b")])
        w.put_results("fill", "shot", ["a", "b"], {FILL: fill({"a": 1.0, "b": 2.0})}, first)
    with store.writing() as w:
        w.put_results("fill", "shot", ["a"], {FILL: fill({"a": 9.0})}, refusals())
    with store.reading() as r:
        assert dict(r.table("fill").iter_rows()) == {"a": 9.0, "b": 2.0}
        assert r.table("refusal")["unit"].to_list() == ["b"]


def test_a_part_that_says_nothing_any_more_loses_its_rows(store: Store) -> None:
    with store.writing() as w:
        w.put_results("fill", "shot", ["a", "b"], {FILL: fill({"a": 1.0, "b": 2.0})}, refusals())
        w.put_results("fill", "shot", ["a"], {FILL: empty(FILL)}, refusals())
        assert w.table("fill")["shot"].to_list() == ["b"]


def test_of_a_shared_table_only_own_rows_are_replaced(store: Store) -> None:
    with store.writing() as w:
        w.put_results("faults", "mould", ["m"], {FINDING: finding("faults", "a", "m")}, refusals())
        w.put_results("vacuum", "mould", ["m"], {FINDING: finding("vacuum", None, "m")}, refusals())
        w.put_results("faults", "mould", ["n"], {FINDING: finding("faults", "b", "n")}, refusals())
        w.put_results("faults", "mould", ["m"], {FINDING: empty(FINDING)}, refusals())
    with store.reading() as r:
        assert set(r.table("finding")["anchor"]) == {"vacuum-None-m", "faults-b-n"}


def test_a_moulds_refusal_of_a_shot_goes_with_the_mould(store: Store) -> None:
    with store.writing() as w:
        said = refusals([("faults", "a", "faults.band", "too few", "m"), ("faults", "z", "faults.band", "no", "n")])
        w.put_results("faults", "mould", ["m", "n"], {LIFE: empty(LIFE)}, said)
        w.put_results("faults", "mould", ["m"], {LIFE: empty(LIFE)}, refusals())
        assert w.table("refusal")["unit"].to_list() == ["z"]


def test_a_workshops_rows_are_replaced_whole(store: Store) -> None:
    two = shape(LIFE, {"mould": ["m", "n"], "seal": ["outer", "outer"]})
    with store.writing() as w:
        w.put_results("meter", "workshop", ["workshop"], {LIFE: two}, refusals())
        w.put_results("meter", "workshop", ["workshop"], {LIFE: two.head(1)}, refusals())
        assert w.table("life").height == 1


def test_arrays_with_gaps_come_back(store: Store) -> None:
    values = [float(i) if i % 3 else None for i in range(CURVE_BINS)]
    frame = shape(CURVE, {"shot": ["a", "b"], "injected_volume_l": [1.0, None], "vol_l": [values, None]})
    with store.writing() as w:
        w.put_results("log", "shot", ["a", "b"], {CURVE: frame}, refusals())
    with store.reading() as r:
        assert r.table("curve").equals(frame)


def test_the_ledger_keeps_one_row_a_part(store: Store) -> None:
    def row(key: str, status: str) -> pl.DataFrame:
        return pl.DataFrame([("fill", "a", key, status, "", 0.1)], schema=SCHEMA, orient="row")

    with store.writing() as w:
        w.put_ledger(row("k1", "failed"))
        w.put_ledger(row("k2", "done"))
    with store.writing() as w:
        assert w.ledger().select("key", "status").rows() == [("k2", "done")]
        w.clear_results("fill", "shot", [FILL], ["a"])
        assert w.ledger().is_empty()


def test_events_are_mirrored_as_they_are(store: Store) -> None:
    two = shape(EVENT, {"row": [2, 3], "kind": ["note", "hose_changed"]})
    with store.writing() as w:
        w.mirror(EVENT, two)
        w.mirror(EVENT, two.tail(1))
        assert w.table("event")["kind"].to_list() == ["hose_changed"]


def test_a_forgotten_analysis_leaves_the_shared_tables_and_its_own_are_dropped(store: Store) -> None:
    with store.writing() as w:
        w.put_results("faults", "mould", ["m"], {FINDING: finding("faults", "a", "m"), LIFE: empty(LIFE)},
                      refusals([("faults", "m", "faults", "no", "m")]))  # fmt: skip
        w.forget("faults")
        w.drop(["life", "shot"])
    with store.reading() as r:
        assert r.table("finding").is_empty()
        assert r.table("refusal").is_empty()
        assert "life" not in r.tables()
        assert r.table("shot").is_empty()
        con = r.con
        assert con is not None
        assert con.execute("SELECT count(*) FROM duckdb_tables() WHERE table_name = 'shot'").fetchall() == [(1,)]


def test_of_a_workshops_table_only_what_differs_is_written(store: Store) -> None:
    table = Table(
        "witness", ("injector", "at"),
        (Column("injector", "str", "", "which"), Column("at", "datetime", "", "when"), Column("log_l", "f64", "l", "")),
    )  # fmt: skip
    at = [datetime(2026, 3, 1 + i, tzinfo=UTC) for i in range(6)]

    def frame(days: list[int], values: list[float | None]) -> pl.DataFrame:
        columns = {"injector": ["a"] * len(days), "at": [at[i] for i in days], "log_l": values}
        return pl.DataFrame(columns, schema=empty(table).schema)

    with store.writing() as w:

        def put(days: list[int], values: list[float | None]) -> dict[object, tuple[object, object]]:
            w.put_results("meter", "workshop", ["workshop"], {table: frame(days, values)}, refusals())
            told = w.fetch('SELECT "at", log_l, rowid AS place FROM witness')
            return {t: (value, place) for t, value, place in told.rows()}

        before = put([0, 1, 2, 3], [0.1, None, 0.3, 0.4])
        after = put([0, 1, 3, 4], [0.1, None, 0.5, None])  # one gone, one changed, one new
        assert {t: v for t, (v, _) in before.items()} == {at[0]: 0.1, at[1]: None, at[2]: 0.3, at[3]: 0.4}
        assert {t: v for t, (v, _) in after.items()} == {at[0]: 0.1, at[1]: None, at[3]: 0.5, at[4]: None}
        assert [t for t in after if after[t] == before.get(t)] == [at[0], at[1]]
    with store.reading() as r:
        assert r.table("witness").equals(frame([0, 1, 3, 4], [0.1, None, 0.5, None]))
    with store.writing() as w:
        w.put_results("meter", "workshop", ["workshop"], {table: frame([], [])}, refusals())
        assert w.table("witness").is_empty()
