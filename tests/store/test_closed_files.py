"""What was fixed for good survives the store: files of their own, chained, read back into a new store."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from catchpot.store import Store, closed_files
from catchpot.store.health import examine

AT = datetime(2026, 11, 2, 8, tzinfo=UTC)


def close(home: Path, *periods: str) -> Store:
    store = Store(home / "shots.duckdb")
    for i, period in enumerate(periods):
        with store.writing() as w:
            w.close("capability", period, AT.replace(day=3 + i), json.dumps({"n": i, "mould": "Größe 3"}))
    return store


def faults(store: Store) -> list[str]:
    with store.reading() as r:
        return [f.message for f in examine(r, store.path)]


def test_a_new_store_gets_them_back(tmp_path: Path) -> None:
    store = close(tmp_path, "2026-08", "2026-09", "2026-10")
    with store.reading() as r:
        before = r.table("closed")
    files = sorted(p.name for p in (tmp_path / "closed").iterdir())
    assert files == [f"000{i}-capability-2026-{m}.json" for i, m in ((1, "08"), (2, "09"), (3, "10"))]
    store.path.unlink()
    with store.writing() as w:
        assert not w.close("capability", "2026-09", AT, "{}")
    with store.reading() as r:
        assert r.table("closed").sort("period").equals(before.sort("period"))
    assert faults(store) == []


def test_a_store_from_before_the_files_writes_them(tmp_path: Path) -> None:
    store = close(tmp_path, "2026-08")
    for p in (tmp_path / "closed").iterdir():
        p.unlink()
    with store.writing():
        pass
    assert [f.wrong for f in closed_files.read(tmp_path / "closed")] == [""]


def test_a_broken_transaction_leaves_no_file(tmp_path: Path) -> None:
    store = Store(tmp_path / "shots.duckdb")
    with pytest.raises(RuntimeError), store.writing() as w:
        w.close("capability", "2026-10", AT, "{}")
        raise RuntimeError
    assert not (tmp_path / "closed").exists()


def test_a_file_that_was_changed_taken_out_or_put_in_is_named(tmp_path: Path) -> None:
    store = close(tmp_path, "2026-08", "2026-09", "2026-10")
    first, second, third = sorted((tmp_path / "closed").iterdir())
    text = second.read_text()
    second.write_text(text.replace('n\\": 1', 'n\\": 7'))
    assert second.read_text() != text
    assert faults(store) == [f"closed/{second.name} was changed after it was written"]
    second.write_text("{")
    assert "can't be read" in faults(store)[0]
    second.unlink()
    assert faults(store) == [
        f"closed/{third.name} does not follow the file before it: one was taken out, put in or changed"
    ]
    second.write_text(text)
    assert faults(store) == []
    # a file that lies about its content is not read back
    second.write_text(text.replace('n\\": 1', 'n\\": 7'))
    store.path.unlink()
    with store.writing():
        pass
    with store.reading() as r:
        assert r.table("closed")["period"].sort().to_list() == ["2026-08", "2026-10"]
    assert first.exists()
