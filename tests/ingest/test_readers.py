"""Whatever a reader does costs the file it was asked about: set aside with the reader's name, and the run goes on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl
import pytest

from catchpot.ingest.asking import in_order
from catchpot.ingest.load import ingest_files
from catchpot.ingest.reader import FrameLayout, ShotFrame, ShotMeta
from catchpot.ingest.scan import find_logs
from catchpot.workshop import open_workshop
from catchpot_logs import register_readers

Plain = Callable[..., str]


class Odd:
    """A reader of files whose name begins with odd."""

    name = "odd"

    def __init__(self, describe: Callable[[Any], Any], **more: Any) -> None:
        self.work = describe
        self.__dict__ |= more

    def claims(self, source: Any, workshop: Any) -> bool:
        return bool(source.name.startswith("logs/odd"))

    def settings(self, source: Any, workshop: Any) -> str:
        return "odd 1"

    def describe(self, source: Any, workshop: Any) -> Any:
        return self.work(source)


def ingest(bench: Any, reader: Any) -> Any:
    workshop = open_workshop(bench.home)
    return ingest_files(workshop, [*register_readers(), reader], find_logs(bench.home), whole=True)


def framed(**columns: Any) -> Callable[[Any], Any]:
    return lambda source: FrameLayout([ShotFrame(ShotMeta("odd"), pl.DataFrame(columns))])


def raises(error: BaseException) -> Callable[[Any], Any]:
    def work(source: Any) -> Any:
        raise error

    return work


BAD = {
    "raises": (raises(ValueError("no idea")), "the reader 'odd' failed on it: ValueError: no idea (line "),
    "exits": (raises(SystemExit(3)), "the reader 'odd' failed on it: SystemExit: 3"),
    "gives nothing": (lambda s: None, "the reader 'odd' gave a NoneType, where a TableLayout"),
    "gives no shot": (lambda s: FrameLayout([]), "the reader 'odd' gave no shot"),
    "gives no time": (
        framed(time=[1.0], flow_l_min=[1.0]),
        "gave a frame without a column t_s; it has time, flow_l_min",
    ),
    "gives a stranger": (framed(t_s=[1.0], flow=[1.0]), "gave a frame with a column 'flow' that is no channel"),
    "gives text": (framed(t_s=["1.0"]), "gave a frame whose column t_s holds no numbers"),
    "gives no frame": (
        lambda s: FrameLayout([ShotFrame(ShotMeta("odd"), [1, 2])]),  # type: ignore[arg-type]  # the fault
        "gave a frame that is a list and no polars frame",
    ),
}


@pytest.mark.parametrize("what", BAD)
def test_a_bad_reader_costs_its_file_and_is_named(bench: Any, plain: Plain, what: str) -> None:
    work, said = BAD[what]
    bench.put("a.csv", plain())
    bench.put("odd.csv", plain(shot="odd"))
    bench.put("z.csv", plain(shot="z"))
    outcome = ingest(bench, Odd(work))
    assert (outcome.new, len(outcome.quarantined)) == (2, 1)
    assert said in bench.reason("odd.csv")


def test_one_that_fails_when_asked_is_named_once_and_the_others_are_asked(bench: Any, plain: Plain) -> None:
    for i in range(5):
        bench.put(f"{i}.csv", plain(shot=f"s{i}"))
    reader = Odd(lambda s: None, claims=raises(KeyError("x")))
    reader.__dict__["claims"] = lambda source, workshop: dict[str, bool]()["x"]
    outcome = ingest(bench, reader)
    assert outcome.new == 5
    [said] = outcome.complaints()
    assert "reader odd failed when asked about logs/0.csv and 4 more files: KeyError: 'x'" in said


def test_a_drop_in_is_asked_before_the_plain_log_and_after_profiles(bench: Any, plain: Plain) -> None:
    numbers = {"t_s": [0.5 * i for i in range(50)], "flow_l_min": [1.0] * 50, "line_pressure_bar": [0.3] * 50,
               "cavity_pressure_mbar": [550.0] * 50}  # fmt: skip
    bench.put("odd.csv", plain(shot="odd"))
    assert ingest(bench, Odd(framed(**numbers))).new == 1
    assert bench.table("sample").height == 50
    readers = [*register_readers(), Odd(lambda s: None), Odd(lambda s: None, name="first", order=1)]
    assert [r.name for r in in_order(readers)] == ["first", "log profile", "odd", "plain log, Parquet", "plain log"]


def test_whole_numbers_are_taken_as_numbers(bench: Any) -> None:
    numbers = {"t_s": list(range(50)), "flow_l_min": [1] * 50, "line_pressure_bar": [0.3] * 50,
               "cavity_pressure_mbar": [550] * 50}  # fmt: skip
    bench.put("odd.csv", "x")
    assert ingest(bench, Odd(framed(**numbers))).new == 1
