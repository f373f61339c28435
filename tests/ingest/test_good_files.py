"""Files in the ways that loggers and spreadsheets write good logs are taken, and what was made of them is said."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

Plain = Callable[..., str]


def quoted(text: str) -> str:
    """Every cell in quotation marks."""
    return each(text, lambda cells: [f'"{c}"' for c in cells])


def each(
    text: str, change: Callable[[list[str]], list[str]], header: Callable[[list[str]], list[str]] | None = None
) -> str:
    """The text with its header and rows changed; the preamble as it is."""
    out, seen = [], False
    for line in text.splitlines():
        if line.startswith("#"):
            out.append(line)
            continue
        todo = change if seen or header is None else header
        out.append(",".join(todo(line.split(","))))
        seen = True
    return "\n".join(out) + "\n"


def beside(text: str, name: str, value: str) -> str:
    """With one more column."""
    return each(text, lambda c: [*c, value], lambda c: [*c, name])


FORMS: dict[str, Callable[[str], str]] = {
    "every cell quoted": quoted,
    "trailing commas": lambda t: each(t, lambda c: [*c, ""]),
    "trailing commas below the header": lambda t: each(t, lambda c: [*c, ""], lambda c: c),
    "quoted with trailing commas": lambda t: each(quoted(t), lambda c: [*c, ""]),
    "a quoted name with a comma": lambda t: beside(t, '"notes, remarks"', "x"),
    "quoted text with commas": lambda t: beside(t, '"notes, remarks"', '"a, b"'),
    "two strangers of one name": lambda t: beside(beside(t, "spare", "1"), "spare", "2"),
    "two columns without a name": lambda t: beside(beside(t, "", "1"), "", "2"),
    "megabytes of notes in a line": lambda t: f"# comment = {3_000_000 * 'x'}\n" + t,
    "megabytes of notes in lines": lambda t: "".join(f"# k{i} = {60 * 'v'}\n" for i in range(30_000)) + t,
    "a mark before the text, carriage returns": lambda t: "\ufeff" + quoted(t).replace("\n", "\r\n"),
}


@pytest.mark.parametrize("form", FORMS)
def test_a_good_log_is_taken_in_any_of_these_forms(bench: Any, plain: Plain, form: str) -> None:
    bench.put("a.csv", plain(shot="plain"))
    bench.put("b.csv", FORMS[form](plain(shot="other")))
    assert bench.ingest().quarantined == []
    samples = bench.table("sample")
    one, other = (samples.filter(shot=s).drop("shot") for s in ("plain", "other"))
    assert one.equals(other)


def test_a_log_none_of_whose_rows_can_be_read_says_why(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", each(plain(), lambda c: ["x", *c[1:]], lambda c: c))
    bench.ingest()
    assert "5: no row can be read: 400 rows hold no number in t_s" in bench.reason("a.csv")


@pytest.mark.parametrize(("hz", "start"), [(2, 0), (4, 3), (10, 7)])
def test_whole_seconds_at_several_rows_each_are_spread(bench: Any, plain: Plain, hz: int, start: int) -> None:
    count = iter(range(10**6))
    text = each(plain(), lambda c: [str((next(count) + start) // hz), *c[1:]], lambda c: c)
    bench.put("a.csv", text)
    outcome = bench.ingest()
    assert (outcome.quarantined, outcome.rows_dropped) == ([], 0)
    t = bench.table("sample")["t_s"].to_numpy()
    assert np.allclose(t, np.arange(400) / hz, atol=0.5 / hz + 1e-9)
    assert (np.diff(t) > 0).all() and t[0] == 0
    assert f"whole seconds with {hz} rows each" in bench.notes("s1")["assumed"][2]


def test_rows_that_are_written_twice_are_copies_and_no_faster_clock(bench: Any, plain: Plain) -> None:
    lines = each(plain(), lambda c: [f"{float(c[0]) * 4:.0f}", *c[1:]], lambda c: c).splitlines(True)
    head = next(i for i, x in enumerate(lines) if x.startswith("t_s")) + 1
    bench.put("a.csv", "".join(lines[:head] + [x for x in lines[head:] for _ in (0, 1)]))
    bench.ingest()
    assert bench.table("sample").height == 400
    assert "duplicate_row" in bench.notes("s1")


PROFILE = """
[profiles.odd]
files = "logs/odd*.csv"
separator = ","
decimal = ","
[profiles.odd.metadata]
mould = { constant = "m1" }
[profiles.odd.time]
column = "Hora"
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"
[profiles.odd.channels]
flow_l_min = { column = "Caudal", unit = "l/min" }
line_pressure_bar = { column = "P", unit = "bar", reference = "gauge" }
cavity_pressure_mbar = { column = "C", unit = "mbar", reference = "absolute" }
"""


def test_quoted_decimal_commas_between_commas_and_whole_second_stamps(bench: Any) -> None:
    (bench.home / "catchpot.toml").write_text(PROFILE)
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(["Hora", "Caudal", "P", "C"])
    for i in range(400):
        second = i // 2
        stamp = f"2026-03-02 08:{15 + second // 60:02d}:{second % 60:02d}"
        flow = "1,25" if 100 <= i < 300 else "0,0"
        write.writerow([stamp, flow, f"0,{300 + i % 7}", f"{550 + i % 5},5"])
    bench.put("odd1.csv", out.getvalue())
    outcome = bench.ingest()
    assert (outcome.quarantined, outcome.rows_dropped) == ([], 0)
    samples = bench.table("sample")
    assert samples["t_s"].to_list() == [i / 2 for i in range(400)]
    assert samples["flow_l_min"].max() == 1.25
    assert samples["cavity_pressure_mbar"].min() == 550.5
    # 200 samples of half a second each, trapezoid
    assert samples["vol_l"][-1] == pytest.approx(100 * 1.25 / 60, abs=1e-4)


def test_such_a_log_gets_a_profile_that_reads_it(bench: Any) -> None:
    from catchpot.workshop import open_workshop
    from catchpot_logs import register_readers
    from catchpot_logs.propose import propose

    rows = "".join(f'2026-03-02 08:15:{i:02d},"{i % 3},25","0,{300 + i}","{550 + i},5"\n' for i in range(60))
    path = bench.put("x.csv", "time,flow l/min,line pressure bar,cavity pressure mbar\n" + rows)
    proposal = propose(path, open_workshop(bench.home), list(register_readers()))
    assert 'separator = ","' in proposal.toml and 'decimal = ","' in proposal.toml


MARKS = np.frombuffer(b"\",;\n\r\t\\'x_#=0", np.uint8)
DATABASE_WORDS = (
    "Binder Error",
    "Invalid Input",
    "CSV Error",
    "Conversion Error",
    "Error:",
    "Possible fixes",
    "polars",
)


def test_no_sentence_of_a_database_reaches_a_reason(bench: Any, plain: Plain) -> None:
    rng = np.random.default_rng(5)
    text = plain().encode()
    bench.put("p.parquet", b"PAR1" + text[:200])
    bench.put("long.csv", plain().replace("\n30,", "\n" + 3_000_000 * "9" + ","))
    for i in range(60):
        data = bytearray(text)
        for _ in range(int(rng.integers(1, 60))):
            at = int(rng.integers(0, len(data)))
            data[at : at + int(rng.integers(0, 4))] = rng.choice(
                list(b"\",;\n\r\t\\'x_#=0"), int(rng.integers(1, 5))
            ).tobytes()
        bench.put(f"r{i}.csv", bytes(data).replace(b"# shot = s1", b""))
    bench.ingest()
    said = [*bench.table("quarantine")["reason"], *bench.table("log_note")["detail"]]
    assert bench.table("quarantine").height > 2
    for reason in said:
        assert not any(w in reason for w in DATABASE_WORDS), reason
