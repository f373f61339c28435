"""A slice of the studies of volume, and the bars on the committed tables."""

from __future__ import annotations

import polars as pl
import pytest
from tests.studies.harness import RESULTS
from tests.studies.study_volume import CASES, HISTORIES, next_shot, volume_causes
from tests.studies.study_volume_logs import next_from_logs


def test_slice_of_the_causes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A case of each kind, two seeds, periods given: a cause that the logs can tell is found in both."""
    wanted = ("meter +4 %, others on the injector", "fabric +8 %, packs weighed", "nothing changed, parts weighed")
    chosen = tuple(c for c in CASES if c.name in wanted)
    monkeypatch.setattr("tests.studies.study_volume.CASES", chosen)
    frame = volume_causes(range(2)).filter(pl.col("periods") == "given")
    rows = {r["case"]: r for r in frame.iter_rows(named=True)}
    for name in wanted[:2]:
        assert rows[name]["true_first_or_in_first_pair_pct"] == 100
        assert rows[name]["said_changed_pct"] == 100
    assert rows[wanted[2]]["said_changed_pct"] == 0
    assert (frame["adds_up_pct"] == 100).all()


def test_slice_of_the_next_shot(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.studies.study_volume.HISTORIES", dict(list(HISTORIES.items())[1:2]))
    row = next_shot(range(2)).row(0, named=True)
    # 150 shots said to fill with 99 %: two standard errors are 1.6 %
    assert row["filled_pct"] >= 97
    assert row["overflow_over_demanded"] < 1.6


def test_committed_causes_meet_their_bars() -> None:
    frame = pl.read_csv(RESULTS / "volume-causes.csv")
    assert frame["seeds"].unique().to_list() == [100]
    given = frame.filter(pl.col("periods") == "given")
    nothing = frame.filter(pl.col("case").str.starts_with("nothing"))
    assert (nothing["said_changed_pct"] <= 5).all()
    first = frame.filter(pl.col("bar").str.starts_with("true cause first"))
    assert (first.filter(pl.col("periods") == "given")["true_first_alone_pct"] >= 90).all()
    # periods found: 100 tries, two standard errors of 90 % are 6 %
    found = first.filter(pl.col("periods") == "found")
    small = pl.col("case") == "meter -2 %, others on the injector"  # missed, below
    assert (found.filter(~small)["true_first_alone_pct"] >= 84).all()
    assert found["true_first_alone_pct"].to_numpy().mean() >= 90
    both = frame.filter(pl.col("case") != "cavity +3 % with clamp and meter -3 %")
    assert (both["all_named_pct"].drop_nulls() >= 75).all()
    pair = frame.filter(pl.col("bar").str.starts_with("pair"))
    assert (pair["true_first_or_in_first_pair_pct"] >= 90).all()
    assert (frame["interval_holds_pct"].drop_nulls() >= 90).all()
    assert given["interval_holds_pct"].drop_nulls().to_numpy().mean() <= 99
    assert (frame["adds_up_pct"] == 100).all()


@pytest.mark.xfail(strict=True, reason="a small step of a meter, or one with another cause, within what readings share")
@pytest.mark.parametrize(
    ("case", "column", "bar"),
    [
        ("meter -2 %, others on the injector", "true_first_alone_pct", 84),
        ("cavity +3 % with clamp and meter -3 %", "all_named_pct", 75),
    ],
)
def test_bars_that_are_missed(case: str, column: str, bar: float) -> None:
    """81 % where 84 are wanted, and 74 and 66 % where 75 are."""
    frame = pl.read_csv(RESULTS / "volume-causes.csv").filter(pl.col("case") == case)
    assert frame.height == 2
    assert (frame[column] >= bar).all()


def test_committed_causes_from_logs_meet_their_bars() -> None:
    """From logs: every cause that the logs can tell stands first; what is not resin past the seal is not called so."""
    frame = pl.read_csv(RESULTS / "volume-from-logs.csv")
    rows = {r["case"]: r for r in frame.iter_rows(named=True)}
    for name, row in rows.items():
        if name.startswith("nothing"):
            assert row["said_changed_pct"] <= 5
        elif name != "resin past the inner seal, 0.05 l a shot":  # half the loss: it may stand beside the meter
            assert row["true_first_or_in_first_pair_pct"] >= 90, name
    assert rows["resin past the inner seal, 0.08 l a shot"]["tries"] >= 100
    assert rows["resin past the inner seal, 0.08 l a shot"]["true_first_alone_pct"] >= 90
    # resin lost on the way: most arrivals are too late to be seen, so their bounds alone are learnt from
    seen = frame.filter(~pl.col("case").str.starts_with("resin"))
    assert (seen["next_shots"] >= 300).all()
    # of 315 shots, a standard error of 97 % is 1 %
    assert (frame["next_filled_pct"] >= 96).all()
    assert rows["nothing changed, parts weighed"]["next_filled_pct"] >= 97
    assert (seen["overflow_over_demanded"] <= 1.2).all()
    # where resin is lost arrivals read 0.8 % late, 0.2 of what scatter demands
    assert (frame["overflow_over_demanded"] <= 1.3).all()


def test_committed_next_shots_fill_as_said() -> None:
    frame = pl.read_csv(RESULTS / "next-shot.csv")
    assert (frame["shots"] >= 300).all()
    # of 3,000 shots said to fill with 95 %, two standard errors are 0.8 %
    assert ((frame["filled_pct"] - frame["said_pct"]).abs() <= 0.8).all()
    # where shots scatter by 3 % what is set as a rule is less than 99 % asks for, and stays
    sure = frame.filter(pl.col("history") != "healthy, scatter 3 %")
    assert sure.height == frame.height - 1
    assert sure["filled_pct"].is_between(97, 100).all()


def test_committed_next_shots_from_logs_fill() -> None:
    frame = pl.read_csv(RESULTS / "next-from-logs.csv")
    assert frame["history"].to_list() == list(HISTORIES)
    assert (frame["shots"] >= 300).all()
    assert frame["filled_pct"].is_between(97, 100).all()
    assert (frame["overflow_over_demanded"] <= 2.0).all()


@pytest.mark.xfail(strict=True, reason="nothing is weighed there, and the doubt of the place of arrival is paid for")
def test_committed_next_shots_from_logs_waste_no_more_than_scatter_demands() -> None:
    """Up to 1.8 times, where a fifth more is the bar."""
    frame = pl.read_csv(RESULTS / "next-from-logs.csv")
    assert (frame["overflow_over_demanded"] <= 1.2).all()


def test_slice_of_the_next_shot_from_logs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.studies.study_volume_logs.HISTORIES", dict(list(HISTORIES.items())[1:2]))
    row = next_from_logs([1]).row(0, named=True)
    assert row["shots"] > 40
    assert row["filled_pct"] >= 92
    # the place of arrival is known from the curve alone: nothing was weighed, and that doubt is paid for
    assert 0.6 < row["overflow_over_demanded"] < 3.0
