"""Findings against verdicts: counts, intervals, and words."""

from __future__ import annotations

import polars as pl

from catchpot_faults import verdicts

PART = pl.DataFrame({"shot": list("abcdef"), "verdict": ["scrap", "good", "good", "rework", None, "good"]})
FOUND = pl.DataFrame(
    {
        "shot": ["a", "a", "b", "c"],
        "kind": ["early_gel", "short_fill", "overfill", "stopped_before_vent"],
        "severity": ["act", "act", "watch", "note"],
    }
)
SHOTS = pl.Series(list("abcdef"))


def test_confusion_counts_each_shot_once_by_its_gravest_finding() -> None:
    table = verdicts.confusion(PART, FOUND, SHOTS)
    assert table is not None
    rows = {r["finding"]: (r["good"], r["rework"], r["scrap"]) for r in table.iter_rows(named=True)}
    assert rows == {"to act on": (0, 0, 1), "to watch": (1, 0, 0), "no finding": (2, 1, 0)}


def test_the_sentence_has_the_numbers_of_the_table() -> None:
    said = verdicts.sentence(PART, FOUND, SHOTS)
    assert "Of 2 parts scrapped or reworked, 1 had a finding (50 %" in said
    assert "of 3 good parts, 1 had one (33.3 %" in said
    assert "change no threshold" in said


def test_by_kind_and_no_verdicts() -> None:
    table = verdicts.by_kind(PART, FOUND)
    assert table.filter(pl.col("finding") == "early gel").row(0) == ("early gel", 0, 0, 1)
    assert verdicts.confusion(PART.with_columns(verdict=pl.lit(None, pl.String)), FOUND, SHOTS) is None
    assert verdicts.sentence(PART.clear(), FOUND, SHOTS) == ""
