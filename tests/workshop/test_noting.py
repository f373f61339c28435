"""Notes as people say them: what is checked at once, what is written, and what is told back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from catchpot import noting
from catchpot.core_tables import FINDING
from catchpot.tables import shape
from catchpot.workshop import open_workshop

AT = datetime(2026, 8, 7, 13, 30, tzinfo=UTC)


def never(question: str) -> bool:
    return False


def known(home: Path) -> noting.Known:
    if not (home / "catchpot.toml").exists():
        (home / "catchpot.toml").write_text('[workshop]\ntime_zone = "UTC"\n')
        (home / "moulds.toml").write_text("[moulds.tub-2]\n[moulds.hatch-3]\n")
    shots = pl.DataFrame(
        {"shot": ["tub-2-0047", "tub-2-0048"], "mould": ["tub-2"] * 2, "injector": ["injector-1"] * 2,
         "started_at": [AT - timedelta(hours=3), AT - timedelta(hours=1)]}
    )  # fmt: skip
    row = {"anchor": "f1", "shot": "tub-2-0048", "mould": "tub-2", "kind": "outer_seal_leak", "severity": "act",
           "since": AT - timedelta(hours=1), "message": "m", "advice": "", "analysis": "a"}  # fmt: skip
    findings = shape(FINDING, {k: [row.get(k)] for k in FINDING.names})
    return noting.Known(open_workshop(home), shots, findings, {"m1": ["f1"], "m2": []}, {"m1": "tub-2", "m2": "tub-2"})


def last(home: Path, name: str = "events.csv") -> str:
    return (home / name).read_text().splitlines()[-1]


def test_a_seal_and_what_it_answers(tmp_path: Path) -> None:
    told = noting.event(known(tmp_path), "tub-2", "seal_replaced", ["outer"], AT, never)
    assert last(tmp_path) == "2026-08-07 13:30:00,tub-2,seal_replaced,outer"
    assert told.lines[0] == "Noted of tub-2: outer seal replaced (events.csv, line 2)."
    assert told.lines[1].startswith("It answers: outer seal leak.")
    assert told.lines[2] == "Next: make a hold check before mixing."
    assert told.data["answers"] == ["f1"]


def test_a_meter_by_bucket_and_scales_by_hand(tmp_path: Path) -> None:
    noting.event(known(tmp_path), "injector-1", "meter_checked", ["2,06", "2.00"], AT, never)
    assert last(tmp_path) == "2026-08-07 13:30:00,,meter_checked,injector-1 1.03"
    for wrong in (["2.00", "200"], ["two"], ["1", "2", "3"], ["2.0", "0"]):
        with pytest.raises(noting.WrongNoteError, match="Nothing was written"):
            noting.event(known(tmp_path), "injector-1", "meter_checked", wrong, AT, never)


def test_resin_at_the_vent_goes_to_the_shot_before_the_note(tmp_path: Path) -> None:
    noting.event(known(tmp_path), "tub-2", "resin_at_vent", ["84"], AT, never)
    assert last(tmp_path).endswith(",tub-2,resin_at_vent,84 tub-2-0048")
    noting.event(known(tmp_path), "tub-2", "resin_at_vent", [["84", "s"][0], "tub-2-0047"], AT, never)
    assert last(tmp_path).endswith(",84 tub-2-0047")
    for wrong in (["0.5"], [], ["soon"]):
        with pytest.raises(noting.WrongNoteError, match="Nothing was written"):
            noting.event(known(tmp_path), "tub-2", "resin_at_vent", wrong, AT, never)


def test_a_part(tmp_path: Path) -> None:
    told = noting.part(known(tmp_path), "tub-2-0048", ["overflow_kg", "0,14", "verdict", "Rework", "dry corner"], never)
    assert told.lines[0] == (
        "Noted of tub-2-0048: overflow 0.14 kg, verdict rework, remark dry corner (parts.csv, line 2)."
    )
    parts = open_workshop(tmp_path).parts.row(0, named=True)
    assert (parts["overflow_kg"], parts["verdict"], parts["remark"]) == (0.14, "rework", "dry corner")
    again = noting.part(known(tmp_path), "tub-2-0048", ["overflow_kg", "0.15"], never)
    assert "overflow 0.15 kg (was 0.14)" in again.lines[0]
    for wrong in (["overflow_kg", "much"], ["verdict", "fine"], ["overflow_kg"], ["overflow", "0.1"], []):
        with pytest.raises(noting.WrongNoteError):
            noting.part(known(tmp_path), "tub-2-0048", wrong, never)
    assert open_workshop(tmp_path).parts.height == 1


@pytest.mark.parametrize(
    ("words", "near"),
    [
        (("tub-3", "note", "x"), "tub-2"),
        (("tub-2", "seal_replacd", "outer"), "seal_replaced"),
        (("tub-2", "seal_replaced", "oter"), "outer"),
        (("injector-2", "meter_checked", "1.01"), "injector-1"),
    ],
)
def test_a_near_miss_is_asked_about(tmp_path: Path, words: tuple[str, ...], near: str) -> None:
    with pytest.raises(noting.WrongNoteError, match=f"did you mean {near}"):
        noting.event(known(tmp_path), words[0], words[1], words[2:], AT, never)
    assert not (tmp_path / "events.csv").exists()
    asked: list[str] = []

    def yes(question: str) -> bool:
        asked.append(question)
        return True

    noting.event(known(tmp_path), words[0], words[1], words[2:], AT, yes)
    assert near in asked[0] and near in last(tmp_path)


def test_a_finding_or_a_matter_is_closed_by_somebody_for_a_reason(tmp_path: Path) -> None:
    with pytest.raises(noting.WrongNoteError, match="--by NAME"):
        noting.close(known(tmp_path), "f1", "", "x", AT, never)
    noting.close(known(tmp_path), "m1", "A. Example", "the gauge was off", AT, never)
    assert last(tmp_path).endswith(",tub-2,finding_closed,f1 by A. Example because the gauge was off")
    noting.close(known(tmp_path), "m2", "A. Example", "it was set so", AT, never)
    assert last(tmp_path).endswith(",tub-2,finding_closed,m2 by A. Example because it was set so")
    with pytest.raises(noting.WrongNoteError, match="no open finding"):
        noting.close(known(tmp_path), "nothing of the kind", "A. Example", "x", AT, never)
