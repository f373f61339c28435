"""What is fixed for good: written once, read back, never changed, and there in a store made before it was known."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest

from catchpot.store import Store

AT = datetime(2026, 11, 2, 8, tzinfo=UTC)


def test_a_period_is_closed_once(tmp_path: Path) -> None:
    store = Store(tmp_path / "shots.duckdb")
    with store.writing() as w:
        assert w.close("capability", "2026-10", AT, '{"n": 1}')
        assert not w.close("capability", "2026-10", AT, '{"n": 2}')
        assert w.close("capability", "2026-11", AT, "{}")
    with store.reading() as r:
        rows = r.table("closed")
    assert rows["content"].to_list() == ['{"n": 1}', "{}"]
    assert rows["closed_at"][0] == AT


def test_dropping_undeclared_tables_leaves_it(tmp_path: Path) -> None:
    store = Store(tmp_path / "shots.duckdb")
    with store.writing() as w:
        w.close("capability", "2026-10", AT, "{}")
        w.drop(["closed"])
    with store.reading() as r:
        assert r.table("closed").height == 1


def test_an_older_store_gets_the_table(tmp_path: Path) -> None:
    store = Store(tmp_path / "shots.duckdb")
    with store.writing():
        pass
    with duckdb.connect(str(tmp_path / "shots.duckdb")) as con:
        con.execute("DROP TABLE closed")
    with store.reading() as r:
        assert r.table("closed").is_empty()
    with store.writing() as w:
        assert w.close("capability", "2026-10", AT, "{}")


def test_a_broken_transaction_closes_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path / "shots.duckdb")
    with pytest.raises(RuntimeError, match="stop"), store.writing() as w:
        w.close("capability", "2026-10", AT, "{}")
        raise RuntimeError("stop")
    with store.reading() as r:
        assert r.table("closed").is_empty()
