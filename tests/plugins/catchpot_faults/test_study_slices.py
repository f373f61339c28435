"""The committed studies hold the bars, and a slice of the first one still does."""

from __future__ import annotations

import polars as pl
import pytest
from tests.studies.faults_world import MUST_BE_FOUND
from tests.studies.harness import RESULTS, slice_of

BARS = {
    "race_tracking": 0.25, "flow_restriction": 4.0, "early_gel": 120.0, "air_in_line": 3.0, "short_fill": 0.04,
    "overfill": 0.1, "ratio_off": 0.15, "sensor_offset": 0.03, "sensor_stuck": 10.0, "vacuum_lost": 100.0,
}  # fmt: skip
"""Severities that must be found."""


def test_a_slice_of_the_confusion_study() -> None:
    table = slice_of("faults")
    healthy = table.filter(pl.col("true") == "healthy")
    assert healthy["shots"][0] > 120
    assert healthy["flagged_pct"][0] <= 3.0
    kinds = table.filter(pl.col("true").is_in(list(MUST_BE_FOUND)))
    assert kinds["shots"].min() == 5
    assert kinds.select((pl.col("recall") * pl.col("shots")).sum() / pl.col("shots").sum()).item() >= 0.85


@pytest.fixture(scope="module")
def confusion() -> pl.DataFrame:
    return pl.read_csv(RESULTS / "faults.csv")


def test_committed_confusion_has_few_false_alarms(confusion: pl.DataFrame) -> None:
    healthy = confusion.filter(pl.col("true") == "healthy").row(0, named=True)
    assert healthy["shots"] >= 2000
    assert healthy["flagged_pct"] <= 1.0


@pytest.mark.parametrize("kind", sorted(MUST_BE_FOUND))
def test_committed_confusion_finds_what_must_be_found(confusion: pl.DataFrame, kind: str) -> None:
    """Every kind with a stated severity meets both bars."""
    row = confusion.filter(pl.col("true") == kind).row(0, named=True)
    assert row["shots"] >= 190
    assert row["recall"] >= 0.9
    assert row["precision"] >= 0.9


@pytest.fixture(scope="module")
def curves() -> pl.DataFrame:
    return pl.read_csv(RESULTS / "faults-recall.csv")


@pytest.mark.parametrize(("kind", "severity"), sorted(BARS.items()))
def test_committed_recall_at_the_very_severity(curves: pl.DataFrame, kind: str, severity: float) -> None:
    rows = curves.filter(pl.col("true") == kind).sort("severity", descending=kind == "early_gel")
    at = rows.filter(pl.col("severity") == severity).row(0, named=True)
    assert at["shots"] >= 55
    # fronts leave one to two per cent open, and healthy shots lie at six: a tenth itself is hardly told from eight
    assert at["recall"] >= (0.3 if kind == "overfill" else 0.85)
    assert rows["recall"][-1] >= rows["recall"][0]


def test_committed_drift_is_no_stream_of_findings() -> None:
    table = pl.read_csv(RESULTS / "faults-drift.csv")
    assert table.select((pl.col("flagged_pct") * pl.col("shots")).sum() / pl.col("shots").sum()).item() <= 2.0


def test_committed_first_shots_poison_nothing() -> None:
    row = pl.read_csv(RESULTS / "faults-first-shots.csv").row(0, named=True)
    assert row["flagged_pct"] <= 2.0 and row["recall"] >= 0.8
