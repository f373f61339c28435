"""What is kept between runs: states while they hold, rows narrowed to whom they concern, pages left alone."""

from __future__ import annotations

import types
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from catchpot.analysis import Job, Kept, Result
from catchpot.keeping import NotKeptError, Worked, fingerprint, pack, unpack
from catchpot.plugins import Registry
from catchpot.run import pages
from catchpot.run.execute import analyse
from catchpot.store import Store
from catchpot.tables import Column, Table
from catchpot.workshop import Workshop

Put = Callable[..., None]
Open = Callable[[], Workshop]
Register = Callable[..., Registry]
PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False) | st.text()
    | st.datetimes(timezones=st.just(UTC)) | st.dates(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a loaded machine
@given(PLAIN)
def test_what_is_packed_comes_back(value: object) -> None:
    assert unpack(pack(value)) == value


def test_arrays_come_back_to_the_last_bit_and_nothing_else_is_taken() -> None:
    given: dict[str, Any] = {
        "a": np.array([np.nan, -0.0, 1 / 3]),
        "b": [np.arange(6).reshape(2, 3), {"c": np.zeros(0, bool)}],
    }
    back = unpack(pack(given))
    assert back["a"].tobytes() == given["a"].tobytes()
    assert (back["b"][0] == np.arange(6).reshape(2, 3)).all()
    assert back["b"][1]["c"].shape == (0,)
    for wrong in (object(), np.array(["text"], dtype=object), {1, 2}):
        with pytest.raises(NotKeptError):
            pack(wrong)
    for torn in (b"", b"nothing", pack(given)[:-4]):
        with pytest.raises(NotKeptError):
            unpack(torn)


def test_a_fingerprint_is_of_values_and_not_of_how_they_lie() -> None:
    frame = pl.DataFrame({"s": ["long enough to lie outside the view", None, "b"], "v": [1.0, None, 3.0],
                          "t": [datetime(2026, 1, 1, tzinfo=UTC)] * 3, "d": [date(2026, 1, 1)] * 3,
                          "l": [[1.0, 2.0], None, []]})  # fmt: skip
    more = pl.concat([frame, frame.with_columns(s=pl.lit("another that lies outside the view too"))])
    assert fingerprint(more[:3]) == fingerprint(frame)
    for other in (frame.with_columns(v=pl.lit(0.0)), frame.reverse(), frame.rename({"s": "z"})):
        assert fingerprint(other) != fingerprint(frame)


def test_what_was_worked_out_is_found_by_its_content_and_dropped_when_it_is_not_asked_for() -> None:
    first = Worked(None)
    assert first.out("x", (1,), lambda: [1]) == [1]
    second = Worked(first.state())
    assert second.out("x", (1,), lambda: [0]) == [1]
    assert second.out("x", (2,), lambda: [2]) == [2]
    third = Worked(second.state())
    assert third.out("x", (2,), lambda: [0]) == [2]
    assert Worked(third.state()).out("x", (1,), lambda: [7]) == [7]
    assert Worked(b"torn").out("x", (1,), lambda: [7]) == [7]


def count_of(tiny: types.ModuleType) -> Any:
    """A history that counts: row i says how many shots there were up to it; it keeps its count after all but one."""
    table = Table("count", ("shot",), (Column("shot", "str", "", "the shot"), Column("mould", "str", "", "the mould"),
                                       Column("n_l", "f64", "l", "how many")))  # fmt: skip

    def work(job: Job) -> Result:
        frame = job.tables["fill"]
        before = int(unpack(job.kept.state)) if job.kept is not None else 0
        n = [float(before + i + 1) for i in range(frame.height)]
        kept = Kept(before + frame.height - 1, pack(before + frame.height - 1)) if before + frame.height > 1 else None
        return Result({"count": frame.select("shot", "mould").with_columns(n_l=pl.Series(n))}, kept=kept)

    return tiny.Tiny("count", "mould", (table,), work, {"fill": ("x_l",)}, keeps="added")


def test_later_shots_are_added_and_a_change_before_them_begins_anew(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    def run() -> tuple[list[int], dict[str, float]]:
        ws, count = workshop(), count_of(tiny)
        analyse(ws, registry(ws, tiny.volumes(), count))
        with Store(home / "shots.duckdb").reading() as r:
            return [j.tables["fill"].height for j in count.jobs], dict(r.table("count", ["shot", "n_l"]).iter_rows())

    put(["a", "b", "c"], ["hatch"])
    assert run() == ([3], {"a": 1.0, "b": 2.0, "c": 3.0})
    put(["d"], ["hatch"], first=5)
    # c lies behind what was kept, so that it is gone through again
    assert run() == ([2], {"a": 1.0, "b": 2.0, "c": 3.0, "d": 4.0})
    put(["e"], ["hatch"], first=4)  # before d: in the order of their starts
    assert run()[0] == [2]
    put(["a"], ["hatch"], revision=2)
    assert run() == ([5], {"a": 1.0, "b": 2.0, "c": 3.0, "e": 4.0, "d": 5.0})
    (home / "moulds.toml").write_text("[moulds.hatch]\nthickness_mm = 3.5\n[moulds.lid]\nthickness_mm = 2.0\n")
    assert run()[0] == [5]


def test_what_was_kept_and_is_wrong_costs_nothing(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b", "c"], ["hatch"])
    ws = workshop()
    analyse(ws, registry(ws, tiny.volumes(), count_of(tiny)))
    with Store(home / "shots.duckdb").writing() as w:
        [(part, state)] = w.kept("count", ["hatch"]).items()
        w.put_kept("count", {part: (state[0], state[1], b"torn")})
    put(["d"], ["hatch"], first=5)
    outcome = analyse(ws, registry(ws, tiny.volumes(), count_of(tiny)))
    assert outcome.complaints() == []
    with Store(home / "shots.duckdb").reading() as r:
        assert r.table("count")["n_l"].to_list() == [1.0, 2.0, 3.0, 4.0]


def test_only_whom_rows_of_the_workshop_concern_is_computed_again(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    table = Table("meter", ("injector",), (Column("injector", "str", "", "x"), Column("n_l", "f64", "l", "how many")))

    def meters(job: Job) -> Result:
        counted = job.tables["shot"].group_by("injector").agg(n_l=pl.len().cast(pl.Float64)).sort("injector")
        return Result({"meter": counted})

    def sees(job: Job) -> Result:
        seen = [float(job.tables["meter"]["n_l"].sum()) for _ in job.units]
        return Result({"sees": pl.DataFrame({"mould": list(job.units), "n_l": seen})})

    def both() -> tuple[Any, Any]:
        return (
            tiny.Tiny("meter", "workshop", (table,), meters, {"shot": ("injector",)}),
            tiny.Tiny("sees", "mould", (tiny.mould_table("sees", "n_l"),), sees, {"meter": ("n_l",)},
                      narrowed={"meter": "injector"}),
        )  # fmt: skip

    put(["a", "b", "c"], ["hatch", "lid", "hatch"], injectors=["one", "two", "one"])
    ws = workshop()
    meter, sees_first = both()
    analyse(ws, registry(ws, meter, sees_first))
    assert [j.tables["meter"]["injector"].to_list() for j in sees_first.jobs] == [["one"], ["two"]]
    put(["d"], ["hatch"], first=7, injectors=["one"])
    meter, again = both()
    analyse(ws, registry(ws, meter, again))
    assert (meter.asked, again.asked) == (["workshop"], ["hatch"])


def test_what_the_workshop_says_later_than_a_moulds_last_shot_is_not_its_concern(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    table = Table(
        "seen", ("injector", "at"), (Column("injector", "str", "", "x"), Column("at", "datetime", "", "when"))
    )

    def both() -> tuple[Any, Any]:
        def witnesses(job: Job) -> Result:
            return Result({"seen": job.tables["shot"].select("injector", at="started_at")})

        def counts(job: Job) -> Result:
            n = [float(job.tables["seen"].height) for _ in job.units]
            return Result({"counted": pl.DataFrame({"mould": list(job.units), "n_l": n})})

        return (
            tiny.Tiny("seen", "workshop", (table,), witnesses, {"shot": ("injector", "started_at")}),
            tiny.Tiny("counted", "mould", (tiny.mould_table("counted", "n_l"),), counts, {"seen": ("injector", "at")},
                      narrowed={"seen": "injector"}, up_to_last={"seen": "at"}),
        )  # fmt: skip

    put(["a", "b", "c"], ["hatch", "lid", "hatch"], injectors=["one", "one", "one"])
    ws = workshop()
    witness, first = both()
    analyse(ws, registry(ws, witness, first))
    assert [j.tables["seen"].height for j in first.jobs] == [3, 2]
    put(["d"], ["hatch"], first=7, injectors=["one"])
    witness, again = both()
    analyse(ws, registry(ws, witness, again))
    assert (witness.asked, again.asked) == (["workshop"], ["hatch"])
    assert [j.tables["seen"].height for j in again.jobs] == [4]


def test_pages_stand_while_nothing_they_are_made_of_changes(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType, tmp_path: Path
) -> None:
    put(["a", "b"])
    page = tmp_path / "reports" / "index.html"
    page.parent.mkdir()

    def key(code: str = "1") -> str:
        ws = workshop()
        made = registry(ws, tiny.volumes(), code={"fill": code})
        analyse(ws, made)
        return pages.made_of(ws, made, [])

    page.write_text("a page")
    now = key()
    assert not pages.stand(page.parent, now)
    pages.remember(page.parent, now, [page])
    assert pages.stand(page.parent, key())
    assert not pages.stand(page.parent, key("2"))
    now = key()
    (home / "moulds.toml").write_text((home / "moulds.toml").read_text() + "# a word\n")
    assert key() != now
    now = key()
    put(["c"], first=9)
    assert key() != now
    pages.remember(page.parent, now := key(), [page])
    page.write_text("another hand wrote this")
    assert not pages.stand(page.parent, now)
    page.unlink()
    assert not pages.stand(page.parent, now)
