"""The file: storage version, migrations of kept tables, derived tables that follow their declaration."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pytest

from catchpot.core_tables import CURVE, FINDING, REFUSAL
from catchpot.store import Store, StoreError, schema
from catchpot.store.connection import connect
from catchpot.tables import Column, Table, empty, shape

Make = Callable[..., pl.DataFrame]
FILL = Table("fill", ("shot",), (Column("shot", "str", "", "the shot"), Column("x_l", "f64", "l", "a volume")))


def test_older_programs_can_open_the_file(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    con = duckdb.connect(":memory:")
    con.execute(f"ATTACH '{store.path}' AS s (READ_ONLY)")
    [(tags,)] = con.execute("SELECT tags FROM duckdb_databases() WHERE database_name = 's'").fetchall()
    con.close()
    assert tags["storage_version"].startswith("v1.4")


def test_no_foreign_keys_and_no_indexes(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    con = duckdb.connect(str(store.path), read_only=True)
    assert con.execute("SELECT count(*) FROM duckdb_indexes()").fetchall() == [(0,)]
    kinds = con.execute("SELECT DISTINCT constraint_type FROM duckdb_constraints() WHERE database_name = 'shots'")
    assert kinds.fetchall() == []
    con.close()


def test_a_declaration_survives_its_text() -> None:
    for table in (CURVE, FINDING, FILL):
        assert schema.restored(schema.described(table)) == table


def test_a_changed_declaration_drops_the_derived_table(store: Store) -> None:
    with store.writing() as w:
        assert w.ensure([FILL]) == []
        w.put_results("fill", "shot", ["a"], {FILL: shape(FILL, {"shot": ["a"], "x_l": [1.0]})}, _no_refusals())
    other_unit = replace(FILL, columns=(FILL.columns[0], replace(FILL.columns[1], unit="ml")))
    with store.writing() as w:
        assert w.ensure([other_unit]) == ["fill"]
        assert w.table("fill").is_empty()


def test_other_words_keep_the_rows(store: Store) -> None:
    with store.writing() as w:
        w.put_results("fill", "shot", ["a"], {FILL: shape(FILL, {"shot": ["a"], "x_l": [1.0]})}, _no_refusals())
    better_words = replace(FILL, columns=(FILL.columns[0], replace(FILL.columns[1], doc="arrival volume")))
    with store.writing() as w:
        assert w.ensure([better_words]) == []
    with store.reading() as r:
        assert r.table("fill").height == 1
        assert r.declaration("fill").column("x_l").doc == "arrival volume"


def test_a_kept_table_gains_a_column_without_losing_rows(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
        w.con.execute("ALTER TABLE shot DROP COLUMN resin_batch")
        w.con.execute("ALTER TABLE sample DROP COLUMN flange_gap_mm")
    with store.writing() as w:
        assert w.table("shot", ["shot", "resin_batch"]).row(0) == ("a", None)
        assert w.table("sample").height == 5


def test_numbered_migrations_run_once_in_order(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    now = schema.VERSION
    steps = (
        (now, "already in every file", "DROP TABLE shot"),
        (now + 1, "mbar were hPa", "UPDATE sample SET cavity_pressure_mbar = cavity_pressure_mbar + 1"),
        (now + 2, "and once more", "UPDATE sample SET cavity_pressure_mbar = cavity_pressure_mbar * 2"),
    )
    for _ in range(2):
        with connect(store.path, write=True) as con:
            schema.migrate(con, steps, now + 2)
    with connect(store.path, write=False) as con:
        assert con.execute("SELECT DISTINCT cavity_pressure_mbar FROM sample").fetchall() == [(1102.0,)]
        assert con.execute("SELECT version FROM catchpot_schema").fetchall() == [(now + 2,)]


def test_a_newer_store_is_not_touched(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
        w.con.execute("UPDATE catchpot_schema SET version = version + 1")
    with pytest.raises(StoreError, match="a newer catchpot wrote this store"), store.writing():
        pass


@pytest.mark.parametrize(
    ("options", "said"),
    [("STORAGE_VERSION 'v1.4.0'", "other tables and is no store of catchpot"), ("", "another program, or a newer")],
)
def test_a_foreign_database_is_not_taken_over(tmp_path: Path, options: str, said: str) -> None:
    path = tmp_path / "shots.duckdb"
    con = duckdb.connect(":memory:")
    con.execute(f"ATTACH '{path}' AS s" + (f" ({options})" if options else ""))
    con.execute("CREATE TABLE s.accounts (a INTEGER)")
    con.close()
    with pytest.raises(StoreError, match=said) as told, Store(path).writing():
        pass
    assert str(path) in str(told.value)
    con = duckdb.connect(str(path), read_only=True)
    assert con.execute("SELECT table_name FROM duckdb_tables()").fetchall() == [("accounts",)]
    con.close()


def _no_refusals() -> pl.DataFrame:
    return empty(REFUSAL).with_columns(part=pl.lit(None, dtype=pl.String))
