"""Logs larger than is read at once: one row of so many is read, twice, and only what comes out alike is taken."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from catchpot.ingest.reader import LogRefused
from catchpot.ingest.thin import HEAD_LINES, MOST_ROWS_APART, thin

ROWS = 20_000
LIMIT_MB = 0.2
HEAD = "# mould = hatch\n# started_at = 2026-03-02T08:15:00+00:00\n"


@pytest.fixture
def home(bench: Any) -> Any:
    (bench.home / "catchpot.toml").write_text(f"[workshop]\nlargest_log_mb = {LIMIT_MB}\n")
    return bench


def log(flow: Callable[[int], str]) -> str:
    """A shot of 200 s at 100 rows a second; flow in l/min by row."""
    rows = (f"{0.01 * i:.2f},{flow(i)},0.4{i % 10},55{i % 7}\n" for i in range(ROWS))
    return f"{HEAD}t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n" + "".join(rows)


def steady(i: int) -> str:
    return "1.2" if 4000 < i <= 14000 else "0"


def test_a_large_log_gives_the_volume_of_all_its_rows(home: Any) -> None:
    home.put("large.csv", log(steady))
    outcome = home.ingest()
    assert outcome.new == 1
    samples = home.table("sample")
    assert samples.height < ROWS / 4
    assert samples["vol_l"].max() == pytest.approx(2.0, rel=2e-3)  # 1.2 l/min over 100 s
    [note] = home.table("log_note").filter(home.table("log_note")["kind"] == "thinned").to_dicts()
    assert note["count"] == ROWS + 3 and "one row of 5 was read, twice, with the same volumes" in note["detail"]
    assert home.ingest().unchanged == 1


def test_what_is_written_only_where_it_changes_is_not_guessed(home: Any) -> None:
    """Pulses as far apart as the rows taken: one reading meets all of them, the other none."""
    first = HEAD_LINES - 3  # of the rows below the head
    home.put("uneven.csv", log(lambda i: "5" if 4000 < i <= 14000 and (i - first) % 5 == 0 else "0"))
    assert home.ingest().new == 0
    said = home.reason("uneven.csv")
    assert "by other rows to" in said and "they are too uneven" in said and "largest_log_mb" in said


def test_other_lines_within_are_kept(tmp_path: Path) -> None:
    """As of a log that begins anew; the digest is of the whole file."""
    body = "".join(f"{i},{i % 9}\n" for i in range(HEAD_LINES + 4000))
    text = f"{body}mould;hatch\nt;flow\n{body}"
    (tmp_path / "a.csv").write_text(text)
    data, digest, how = thin(tmp_path / "a.csv", len(text), len(text) / 2)
    assert digest == hashlib.sha256(text.encode()).hexdigest()
    assert how.every == 5 and how.rows == 2 * (HEAD_LINES + 4000) + 2
    for some in (data, how.other):
        lines = some.decode().splitlines()
        assert lines[:HEAD_LINES] == text.splitlines()[:HEAD_LINES]
        assert "mould;hatch" in lines and "t;flow" in lines
        assert len(lines) == pytest.approx(HEAD_LINES + (how.rows - HEAD_LINES) / 5, abs=4)
    assert data != how.other


@pytest.mark.parametrize(
    ("content", "most", "said"),
    [
        (b"1,2\n" * 1000 + b"\0", 2000, "zero bytes"),
        (b"1,2\n" * 1000, 4000 / (0.4 * (MOST_ROWS_APART + 1)), "read at once"),
        (b"a line of words\n" * 1000, 8000, "can't be told from other lines"),
    ],
)
def test_what_can_not_be_thinned_is_refused(tmp_path: Path, content: bytes, most: float, said: str) -> None:
    (tmp_path / "a.csv").write_bytes(content)
    with pytest.raises(LogRefused, match=said):
        thin(tmp_path / "a.csv", len(content), most)


def test_parquet_and_utf_16_are_set_aside(home: Any) -> None:
    home.put("a.parquet", b"PAR1" + b"x" * 300_000)
    home.put("b.csv", ("t_s,flow_l_min\n" * 30_000).encode("utf-16"))
    home.ingest()
    assert "read at once" in home.reason("a.parquet") and "read at once" in home.reason("b.csv")
