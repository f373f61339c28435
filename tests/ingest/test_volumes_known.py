"""Volumes nobody metered are not made up, and logs in another unit are refused with the unit's name."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from catchpot.ingest.reduce import reduced
from catchpot.plugins import load
from catchpot.run.execute import analyse
from catchpot.workshop import open_workshop

Plain = Callable[..., str]
SAMPLE = Path(__file__).resolve().parents[2] / "sample_runs"


def a_log() -> str:
    """A committed made-up log with injection."""
    return next(iter(sorted((SAMPLE / "logs").rglob("door-1-*.csv")))).read_text(encoding="utf-8")


def cells(text: str) -> tuple[list[str], list[str], list[list[str]]]:
    """Preamble lines, header, rows."""
    lines = text.splitlines()
    head = [x for x in lines if x.startswith("#")]
    return head, lines[len(head)].split(","), [x.split(",") for x in lines[len(head) + 1 :]]


def joined(head: list[str], header: list[str], rows: list[list[str]]) -> str:
    return "\n".join([*head, ",".join(header), *(",".join(r) for r in rows)]) + "\n"


def changed(text: str, column: str, change: Callable[[float], float]) -> str:
    head, header, rows = cells(text)
    at = header.index(column)
    for r in rows:
        r[at] = f"{change(float(r[at])):.10g}"
    return joined(head, header, rows)


@pytest.fixture
def shop(bench: Any) -> Any:
    """A workshop with the book of the committed one."""
    (bench.home / "moulds.toml").write_text((SAMPLE / "moulds.toml").read_text())
    return bench


def without(text: str, *keys: str) -> str:
    return "".join(x for x in text.splitlines(True) if not any(x.startswith(f"# {k} ") for k in keys))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda t: changed(t, "t_s", lambda v: 1000 * v), "t_s is probably in milliseconds"),
        (lambda t: without(changed(t, "t_s", lambda v: 1000 * v), "programmed_volume_l"), "probably in milliseconds"),
        (
            lambda t: without(changed(t, "t_s", lambda v: 1000 * v), "programmed_volume_l", "mould"),
            "t_s is probably in milliseconds",
        ),
        (lambda t: changed(t, "t_s", lambda v: v / 60), "t_s is probably in minutes or hours"),
        (lambda t: changed(t, "t_s", lambda v: v / 3600), "t_s is probably in minutes or hours"),
        (lambda t: changed(t, "flow_l_min", lambda v: 60 * v), "flow_l_min is probably in l/h"),
        (
            lambda t: re.sub("programmed_volume_l = .*", "programmed_volume_l = 1750", t),
            "it is probably in ml",
        ),
        (lambda t: changed(t, "t_s", lambda v: v * 1e6), "t_s runs over"),
    ],
)
def test_another_unit_is_refused_by_its_name(shop: Any, spoil: Callable[[str], str], said: str) -> None:
    shop.put("a.csv", spoil(a_log()))
    shop.put("good.csv", a_log().replace("door-1-0001", "good"))
    outcome = shop.ingest()
    assert (outcome.new, len(outcome.quarantined)) == (1, 1)
    assert said in shop.reason("a.csv")
    assert outcome.rows_read == outcome.rows_stored + outcome.rows_dropped + outcome.rows_refused


def test_a_flow_in_litres_a_second_is_said(shop: Any) -> None:
    shop.put("a.csv", changed(a_log(), "flow_l_min", lambda v: v / 60))
    shop.ingest()
    assert "is the flow in l/s?" in shop.notes("door-1-0001")["odd_volume"][2]


def test_a_log_cut_off_before_the_injection_is_no_silent_hold_check(shop: Any) -> None:
    lines = a_log().splitlines(keepends=True)
    head = next(i for i, line in enumerate(lines) if line.startswith("t_s"))
    shop.put("a.csv", "".join(lines[: head + 40]))
    shop.put("b.csv", without("".join(lines[: head + 40]), "programmed_volume_l").replace("door-1-0001", "b"))
    assert shop.ingest().new == 2
    said = shop.notes("door-1-0001")["no_injection"][2]
    assert said.startswith("no injection in this log, though 1.75 l was programmed") and "hold check" in said
    assert "no_injection" not in shop.notes("b")  # nothing says that a shot was meant
    shop.put("a.csv", "".join(lines[: head + 2]))
    shop.ingest()
    assert "no_injection" in shop.notes("door-1-0001")  # of a single row too


def injected(shop: Any) -> tuple[Any, str]:
    """The injected volume and why it is not given; every analysis of the shot ran."""
    workshop = open_workshop(shop.home)
    outcome = analyse(workshop, load(workshop))
    assert outcome.complaints() == []
    rows = shop.table("refusal").filter(what="fill.injected_volume_l", unit="door-1-0001")
    (volume,) = shop.table("fill").filter(shot="door-1-0001")["injected_volume_l"]
    return volume, rows["reason"][0] if rows.height else ""


def test_one_broken_reading_costs_nothing(shop: Any) -> None:
    shop.put("a.csv", a_log())
    head, header, rows = cells(a_log())
    at = header.index("flow_l_min")
    flowing = [i for i, r in enumerate(rows) if float(r[at]) > 0.5]
    values = ("1e308", "inf", "-1e308", "9999", "1e12")
    for broken in values:
        spoilt = [list(r) for r in rows]
        spoilt[flowing[len(flowing) // 2]][at] = broken
        shop.put(f"{broken}.csv", joined(head, header, spoilt).replace("door-1-0001", broken))
    shop.ingest()
    whole, _ = injected(shop)
    volumes = dict(shop.table("fill").select("shot", "injected_volume_l").rows())
    assert len(volumes) == 1 + len(values)
    for broken in values:
        assert volumes[broken] == pytest.approx(whole, rel=0.002), broken
        kinds = set(shop.table("quality").filter(channel="flow_l_min", shot=broken)["kind"])
        assert kinds & {"non_finite", "implausible"}, broken


def test_a_logger_that_restarts_in_mid_injection_makes_no_volume_up(shop: Any) -> None:
    head, header, rows = cells(a_log())
    at = header.index("flow_l_min")
    flowing = [i for i, r in enumerate(rows) if float(r[at]) > 0.2]
    a, b = flowing[len(flowing) // 5], flowing[len(flowing) // 2]
    shop.put("a.csv", joined(head, header, rows))
    shop.ingest()
    whole, _ = injected(shop)
    shop.put("a.csv", joined(head, header, rows[:a] + rows[b:]))
    shop.ingest()
    volume, reason = injected(shop)
    assert volume is None
    low, high = (float(x) for x in re.findall(r"between ([0-9.]+) and ([0-9.]+) l", reason)[0])
    assert low < whole < high
    (phase,) = shop.table("phase").filter(phase="inject").to_dicts()
    assert (phase["start_volume_l"], phase["end_volume_l"]) == (None, None)
    assert phase["volume_low_l"] < whole < phase["volume_high_l"]
    assert shop.table("curve").is_empty()
    reasons = shop.table("refusal").filter(analysis="log")
    assert "flow is missing over" in reasons["reason"][0] and 'blank = "hold"' in reasons["reason"][0]


def only_changes(text: str) -> str:
    """As a logger writes it that leaves unchanged readings blank; flow rounded so that it seldom changes."""
    head, header, rows = cells(text)
    before: dict[int, str] = {}
    out = []
    for r in rows:
        r[1] = f"{float(r[1]):.1f}"
        out.append([v if i == 0 or before.get(i) != v else "" for i, v in enumerate(r)])
        before = dict(enumerate(r))
    return joined(head, header, out)


def test_blanks_are_held_where_the_profile_says_so_and_else_no_volume(shop: Any) -> None:
    head, header, rows = cells(a_log())
    rounded = [[r[0], f"{float(r[1]):.1f}", *r[2:]] for r in rows]
    shop.put("a.csv", joined(head, header, rounded))
    shop.ingest()
    whole, _ = injected(shop)
    shop.put("a.csv", only_changes(a_log()))
    shop.ingest()
    volume, reason = injected(shop)
    assert volume is None and "flow is missing over" in reason
    toml = (shop.home / "catchpot.toml").read_text()
    profile = f"""
[profiles.changes]
files = "logs/a.csv"
header_line = {len(head) + 1}
blank = "hold"
[profiles.changes.metadata]
shot = {{ constant = "door-1-0001" }}
mould = {{ constant = "door-1" }}
started_at = {{ constant = "2026-09-01T06:51:20+00:00" }}
[profiles.changes.time]
column = "t_s"
format = "seconds"
[profiles.changes.channels]
flow_l_min = {{ column = "flow_l_min", unit = "l/min" }}
line_pressure_bar = {{ column = "line_pressure_bar", unit = "bar", reference = "gauge" }}
cavity_pressure_mbar = {{ column = "cavity_pressure_mbar", unit = "mbar", reference = "absolute" }}
"""
    (shop.home / "catchpot.toml").write_text(toml + profile)
    shop.ingest()
    volume, _ = injected(shop)
    assert volume == pytest.approx(whole, rel=0.001)


@pytest.mark.parametrize("share", [0.01, 0.05])
def test_the_bound_is_two_hundredths_of_the_injection(sampling: Any, making: Any, share: float) -> None:
    from datetime import UTC, datetime

    import polars as pl

    from catchpot.core_tables import LOG_NOTE
    from catchpot.tables import empty
    from catchpot.workshop import MouldBook

    made = making(np.random.default_rng(3), hz=4.0, noise=0.0, pulsation=0.0, offset=0.0, pause=False, trickle=False,
                  slow_start_s=0.0, pack_s=0.0, holds=0, seconds=200.0)  # fmt: skip
    begin, end = made.inject
    t = made.columns["t_s"]
    middle = (begin + end) / 2
    gone = (t > middle) & (t < middle + share * (end - begin))
    columns = {k: v.copy() for k, v in made.columns.items()}
    columns["flow_l_min"][gone] = np.nan
    frame = sampling({"s": made.columns}).with_columns(flow_l_min=pl.Series(columns["flow_l_min"]).fill_nan(None))
    shots = pl.DataFrame({"shot": ["s"], "mould": ["m"], "started_at": [datetime(2026, 3, 2, tzinfo=UTC)],
                          "resin_batch": [None]}, schema_overrides={"resin_batch": pl.String})  # fmt: skip
    result = reduced(frame, shots, empty(LOG_NOTE), MouldBook.model_validate({"moulds": {"m": {}}}))
    assert bool(result.refused) is (share > 0.02)
    (inject,) = result.tables["phase"].filter(phase="inject").to_dicts()
    assert inject["volume_low_l"] - 0.05 <= made.volume_l <= inject["volume_high_l"] + 0.05


@pytest.mark.parametrize("broken", ["inf", "-inf", "1e308", "1e400"])
def test_a_log_whose_flow_is_infinite_all_through_the_injection_is_set_aside(
    bench: Any, plain: Callable[..., str], broken: str
) -> None:
    head, _, body = plain(shot="lost").partition("\nt_s")
    rows = [f"t_s{line}" if i == 0 else line for i, line in enumerate(body.splitlines())]
    spoilt = [re.sub(r"^([\d.]+),(?!0\.0,)[\d.]+,", rf"\1,{broken},", row) for row in rows]
    assert sum(broken in row for row in spoilt) > 100
    bench.put("lost.csv", "\n".join([head, *spoilt, ""]))
    bench.put("good.csv", plain(shot="good", started_at="2026-03-03T08:15:00+00:00"))
    outcome = bench.ingest()
    assert outcome.new == 1 and bench.table("shot")["shot"].to_list() == ["good"]
    (reason,) = bench.table("quarantine")["reason"].to_list()
    assert "flow_l_min" in reason and "no volume can be known" in reason


def test_one_infinite_reading_costs_no_hold_check_log(bench: Any, plain: Callable[..., str]) -> None:
    text = re.sub(r"(?m)^([\d.]+),[\d.]+,", r"\1,0.0,", plain(shot="hold"))
    bench.put("hold.csv", re.sub(r"(?m)^10\.0,0\.0,|^10,0\.0,", "10.0,inf,", text))
    assert bench.ingest().new == 1
