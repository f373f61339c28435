"""Shots and samples: what goes in comes out, in order, once."""

from __future__ import annotations

from collections.abc import Callable

import duckdb
import polars as pl
import pytest

from catchpot.core_tables import LOG_NOTE, QUARANTINE, SAMPLE, SHOT
from catchpot.store import Store, UnknownTableError
from catchpot.tables import polars_schema, shape

Make = Callable[..., pl.DataFrame]
NAMES = ["b2", "a1", "c3", "a0"]


def test_a_missing_store_reads_as_empty_tables_of_the_declared_schema(store: Store) -> None:
    with store.reading() as r:
        assert r.table("shot").schema == pl.Schema(polars_schema(SHOT))
        assert r.samples(["a1"]).schema == pl.Schema(polars_schema(SAMPLE))
        assert r.ledger().is_empty()
    assert not store.path.exists()


def test_what_goes_in_comes_out(store: Store, shots: Make, samples: Make) -> None:
    given = shots(NAMES)
    with store.writing() as w:
        w.put_shots(given, samples(NAMES))
    with store.reading() as r:
        assert r.table("shot").equals(given.sort("shot"))
        got = r.table("sample")
    assert got["shot"].to_list() == [s for s in sorted(NAMES) for _ in range(5)]
    assert got["t_s"].to_list() == [0.0, 1.0, 2.0, 3.0, 4.0] * 4
    assert got["flow_l_min"].to_list() == [1.2] * 20
    assert got["clamp_pressure_mbar"].null_count() == 20


def test_volume_is_rounded_to_a_tenth_of_a_millilitre(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    with store.reading() as r:
        assert r.samples(["a"], ["vol_l"])["vol_l"].to_list() == [0.0, 0.02, 0.04, 0.06, 0.08]


def test_samples_given_out_of_order_are_stored_contiguous_and_in_order(
    store: Store, shots: Make, samples: Make
) -> None:
    shuffled = samples(NAMES).sample(fraction=1.0, shuffle=True, seed=3)
    with store.writing() as w:
        w.put_shots(shots(NAMES), shuffled)
    con = duckdb.connect(str(store.path), read_only=True)
    rows = con.execute("SELECT shot_no, t_s FROM sample ORDER BY rowid").fetchall()
    con.close()
    assert rows == sorted(rows)
    assert len({no for no, _ in rows}) == 4


def test_samples_may_come_as_a_relation_with_fewer_columns(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.con.register("scanned", samples(["a"]).select("shot", "t_s", "vol_l", "flow_l_min").to_arrow())
        w.put_shots(shots(["a"]), "scanned", in_order=True)
    with store.reading() as r:
        got = r.samples(["a"])
    assert got["flow_l_min"].to_list() == [1.2] * 5
    assert got["line_pressure_bar"].null_count() == 5


def test_a_revision_takes_the_place_of_the_former_content(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(NAMES), samples(NAMES, flow=1.2))
    with store.writing() as w:
        w.put_shots(shots(["a1"], revision=2), samples(["a1"], flow=2.4))
    with store.reading() as r:
        assert r.table("shot").height == 4
        assert r.table("shot", ["revision"], shots=["a1"]).item() == 2
        got = r.samples(NAMES, ["shot", "t_s", "flow_l_min"])
    assert got.height == 20
    assert got.filter(pl.col("shot") == "a1")["flow_l_min"].unique().to_list() == [2.4]
    # Stored last, read in its place.
    assert got["shot"].to_list() == [s for s in sorted(NAMES) for _ in range(5)]


def test_removed_shots_leave_nothing(store: Store, shots: Make, samples: Make) -> None:
    note = shape(LOG_NOTE, {"shot": ["a1"], "kind": ["assumed"], "channel": [""], "line": [0], "count": [1]})
    with store.writing() as w:
        w.put_shots(shots(NAMES), samples(NAMES), note)
        assert w.table("log_note").height == 1
        w.remove_shots(["a1"])
    with store.reading() as r:
        assert "a1" not in r.table("shot")["shot"]
        assert r.table("sample").height == 15
        assert r.table("log_note").is_empty()


def test_rows_are_narrowed_by_shots_and_by_moulds(store: Store, shots: Make, samples: Make) -> None:
    with store.writing() as w:
        w.put_shots(shots(["a", "b", "c", "d"]), samples(["a", "b", "c", "d"]))
    with store.reading() as r:
        assert r.table("shot", ["shot"], moulds=["lid"])["shot"].to_list() == ["b", "d"]
        assert r.table("sample", ["shot"], moulds=["hatch"])["shot"].unique().sort().to_list() == ["a", "c"]
        assert r.table("shot", ["shot"], shots=["a", "b"], moulds=["lid"])["shot"].to_list() == ["b"]
        assert r.samples(["nobody"]).is_empty()
        assert r.samples([]).is_empty()


def test_unknown_names_are_named(store: Store) -> None:
    with store.reading() as r:
        with pytest.raises(UnknownTableError, match="no table 'fil'"):
            r.table("fil")
        with pytest.raises(UnknownTableError, match="no column 'flow'"):
            r.samples(["a"], ["flow"])
        with pytest.raises(UnknownTableError, match="no column 'mold'"):
            r.table("shot", ["mold"])


def test_rows_that_are_not_as_declared_are_turned_away(store: Store, shots: Make, samples: Make) -> None:
    with pytest.raises(ValueError, match="table shot are not as declared"), store.writing() as w:
        w.put_shots(shots(["a"]).with_columns(revision=pl.lit("1")), samples(["a"]))
    with store.reading() as r:
        assert r.table("shot").is_empty()


def test_a_transaction_is_whole_or_nothing(store: Store, shots: Make, samples: Make) -> None:
    with pytest.raises(RuntimeError, match="stop"), store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
        raise RuntimeError("stop")
    with store.reading() as r:
        assert r.table("shot").is_empty()
        assert r.table("sample").is_empty()


def test_quarantine_is_recorded_once_and_released(store: Store) -> None:
    row = shape(QUARANTINE, {"source_file": ["logs/x.csv"], "reason": ["empty"], "line": [0]})
    with store.writing() as w:
        w.put_quarantine(row)
        w.put_quarantine(row.with_columns(reason=pl.lit("cut")))
    with store.writing() as w:
        assert w.table("quarantine")["reason"].to_list() == ["cut"]
        w.release(["logs/x.csv"])
    with store.reading() as r:
        assert r.table("quarantine").is_empty()


def test_mould_numbers_stay_with_their_mould(store: Store, shots: Make, samples: Make) -> None:
    for names, moulds in ((["a"], ["lid"]), (["b"], ["hatch"]), (["c"], ["lid"]), (["d"], [None])):
        with store.writing() as w:
            w.put_shots(shots(names, moulds), samples(names))
    con = duckdb.connect(str(store.path), read_only=True)
    numbers = dict(con.execute("SELECT shot, mould_no FROM shot").fetchall())
    con.close()
    assert numbers == {"a": 1, "b": 2, "c": 1, "d": 0}
