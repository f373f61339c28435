"""What an analysis is given: its units' rows, the columns it asked for, nothing later than `until`."""

from __future__ import annotations

import types
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from catchpot.analysis import Job, Result
from catchpot.api import Session
from catchpot.core_tables import EVENT
from catchpot.plugins import Registry
from catchpot.run.execute import analyse
from catchpot.run.star import wide
from catchpot.store import Store
from catchpot.tables import Column, Table, polars_schema
from catchpot.workshop import Workshop

Put = Callable[..., None]
Open = Callable[[], Workshop]
Register = Callable[..., Registry]
START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def nothing(job: Job) -> Result:
    raise AssertionError("not to be computed")


def test_a_shot_analysis_gets_its_columns_and_keys_only(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b"], ["hatch", None])
    ws = workshop()
    needs = {"sample": ("vol_l",), "shot": ("injector",), "log_note": ()}
    asker = tiny.Tiny("t", "shot", (tiny.shot_table("t", "x_l"),), nothing, needs, {"absent": ("q",)})
    job = Session(ws, registry(ws, asker)).job("t", shots=["b", "a"])
    assert set(job.tables) == {"sample", "shot", "log_note"}
    assert job.tables["sample"].columns == ["shot", "t_s", "vol_l"]
    assert job.tables["sample"]["shot"].to_list() == ["a"] * 4 + ["b"] * 4
    assert job.tables["shot"].columns == ["shot", "injector"]
    assert job.tables["log_note"].columns == ["shot", "kind", "channel", "line"]
    assert set(job.declared) == set(job.tables)
    assert set(job.units) == {"a", "b"}


def test_shots_without_mould_or_start_reach_shot_analyses_and_no_histories(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b"], ["hatch", None])
    put(["c"], ["stranger"])
    put(["d"], ["hatch"], dated=False)
    fill, history = tiny.volumes(), tiny.sums()
    ws = workshop()
    outcome = analyse(ws, registry(ws, fill, history))
    assert outcome.complaints() == []
    assert sorted(fill.asked) == ["a", "b", "c", "d"]
    assert history.asked == ["hatch"]
    assert history.jobs[0].tables["fill"]["shot"].to_list() == ["a"]


def test_a_history_comes_by_start_then_shot_with_mould_and_start_beside(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["z", "y"], ["hatch"], first=0)
    put(["b"], ["hatch"], first=5)
    put(["a"], ["hatch"], first=5)
    put(["l"], ["lid"], first=1)
    ws = workshop()
    history = tiny.sums()
    session = Session(ws, registry(ws, tiny.volumes(), history))
    analyse(ws, session.registry)
    frame = history.jobs[0].tables["fill"]
    assert frame.columns == ["shot", "mould", "started_at", "x_l"]
    assert frame["shot"].to_list() == ["z", "y", "a", "b"]
    both = session.job("history").tables["fill"]
    assert both["shot"].to_list() == ["z", "l", "y", "a", "b"]
    assert both["mould"].to_list() == ["hatch", "lid", "hatch", "hatch", "hatch"]


def test_rows_within_a_shot_stay_as_delivered(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["b", "a"], ["hatch"])
    phases = tiny.shot_table("steps", "x_l", extra=("step",))

    def work(job: Job) -> Result:
        rows = [(s, step, 1.0) for s in job.units for step in ("pour", "hold", "end")]
        return Result({"steps": pl.DataFrame(rows, schema=polars_schema(phases), orient="row")})

    reader = tiny.Tiny("reader", "mould", (tiny.mould_table("reader", "n"),), nothing, {"steps": ()})
    ws = workshop()
    session = Session(ws, registry(ws, tiny.Tiny("steps", "shot", (phases,), work), reader))
    analyse(ws, session.registry, only=["steps"])
    assert session.job("reader").tables["steps"]["step"].to_list() == ["pour", "hold", "end"] * 2
    assert session.job("reader").tables["steps"]["shot"].to_list() == ["b"] * 3 + ["a"] * 3


def test_until_hides_what_came_later(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b", "c", "d"], ["hatch"])
    (home / "events.csv").write_text(
        "time,mould,kind,detail\n2026-01-05T08:30:00Z,hatch,note,early\n2026-01-05T10:30:00Z,hatch,note,late\n"
        "2026-01-05T08:40:00Z,,note,for all\n2026-01-05T08:40:00Z,lid,note,of another\n"
    )
    life = Table(
        "life",
        ("mould", "as_of"),
        (Column("mould", "str", "", "the mould"), Column("as_of", "datetime", "", "seen from")),
    )

    def work(job: Job) -> Result:
        times = [(m, START + timedelta(hours=h)) for m in job.units for h in (0, 3)]
        return Result({"life": pl.DataFrame(times, schema=polars_schema(life), orient="row")})

    needs = {"fill": ("x_l",), "event": ("detail",), "life": (), "shot": (), "*": ()}
    asker = tiny.Tiny("t", "mould", (tiny.mould_table("t", "x_l"),), nothing, needs)
    ws = workshop()
    session = Session(ws, registry(ws, tiny.volumes(), tiny.Tiny("life", "mould", (life,), work), asker))
    analyse(ws, session.registry, only=["fill", "life"])
    job = session.job("t", ["hatch"], until=START + timedelta(hours=2))
    assert job.until == START + timedelta(hours=2)
    for name in ("fill", "shot", "*"):
        assert job.tables[name]["shot"].to_list() == ["a", "b", "c"]
    assert job.tables["event"]["detail"].to_list() == ["early", "for all"]
    assert job.tables["life"]["as_of"].to_list() == [START]
    everything = session.job("t", ["hatch"])
    assert everything.tables["event"]["detail"].to_list() == ["early", "late", "for all"]
    assert everything.tables["fill"].height == 4


def test_a_workshop_analysis_gets_all_moulds_and_all_events(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b"])
    (home / "events.csv").write_text("time,mould,kind,detail\n2026-01-05T08:30:00Z,lid,note,x\n")
    meter = Table("meter", ("injector",), (Column("injector", "str", "", "the injector"),))
    asker = tiny.Tiny("meter", "workshop", (meter,), nothing, {"fill": ("x_l",), "event": EVENT.names})
    ws = workshop()
    session = Session(ws, registry(ws, tiny.volumes(), asker))
    analyse(ws, session.registry)
    job = session.job("meter")
    assert job.units == ("workshop",)
    assert job.tables["fill"]["mould"].to_list() == ["hatch", "lid"]
    assert job.tables["event"].columns == list(EVENT.names)


def test_a_session_computes_without_storing(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b", "c"], ["hatch"])
    ws = workshop()
    history = tiny.sums()
    session = Session(ws, registry(ws, tiny.volumes(), history))
    analyse(ws, session.registry)
    content = (home / "shots.duckdb").read_bytes()
    result = session.compute("history", ["hatch"], until=START, params={"share": 0.25})
    assert result.tables["history"].rows() == [("hatch", pytest.approx(0.3))]
    assert history.jobs[-1].params.share == 0.25
    assert session.table("history", ["hatch"])["sum_l"].to_list() == [pytest.approx(0.9)]
    assert session.table("fill", columns=["x_l"], shots=["a"]).rows() == [(0.3,)]
    assert (home / "shots.duckdb").read_bytes() == content
    with pytest.raises(KeyError, match="no mould 'hach' in the mould book; there are hatch, lid"):
        session.job("history", ["hach"])
    with pytest.raises(KeyError, match="no analysis 'histories'"):
        session.job("histories")


def test_star_is_one_wide_frame_with_extra_keys_in_the_names() -> None:
    shots = pl.DataFrame(
        {"shot": ["b", "a"], "mould": ["m", "m"], "started_at": [START, START]},
        schema={"shot": pl.String, "mould": pl.String, "started_at": pl.Datetime("us", "UTC")},
    )
    leak = Table(
        "leak",
        ("shot", "seal"),
        (
            Column("shot", "str", "", "s"),
            Column("seal", "str", "", "s"),
            Column("leak_mbar_l_s", "f64", "mbar l/s", "leak; at the reference state", 0.0),
            Column("temp_c", "f64", "deg C", "temperature"),
        ),
    )
    fill = Table("fill", ("shot",), (Column("shot", "str", "", "s"), Column("temp_c", "f64", "deg C", "temperature")))
    rows = {
        "leak": pl.DataFrame(
            {
                "shot": ["a", "a", "b"],
                "seal": ["outer", "clamp", "clamp"],
                "leak_mbar_l_s": [1.0, 2.0, 3.0],
                "temp_c": [4.0, 5.0, 6.0],
            }
        ),
        "fill": pl.DataFrame({"shot": ["a"], "temp_c": [7.0]}),
    }
    frame, table = wide(
        shots, rows, {"leak": ("leak_mbar_l_s", "temp_c"), "fill": ("temp_c",)}, {"leak": leak, "fill": fill}
    )
    assert frame.drop("mould", "started_at").to_dict(as_series=False) == {
        "shot": ["b", "a"],
        "fill.temp_c": [None, 7.0],
        "leak_mbar_l_s[clamp]": [3.0, 2.0],
        "leak.temp_c[clamp]": [6.0, 5.0],
        "leak_mbar_l_s[outer]": [None, 1.0],
        "leak.temp_c[outer]": [None, 4.0],
    }
    assert table.names == tuple(frame.columns)
    column = table.column("leak_mbar_l_s[outer]")
    assert (column.heading, column.low) == ("leak, outer [mbar l/s]", 0.0)


def test_memory_does_not_hold_all_shots_at_once(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    names = [f"s{i:04d}" for i in range(1100)]
    put(names)
    (home / "catchpot.toml").write_text("[run]\nworkers = 0\n")  # here, where the jobs can be seen
    fill = tiny.volumes()
    ws = workshop()
    analyse(ws, registry(ws, fill))
    assert [len(j.units) for j in fill.jobs] == [250, 250, 250, 250, 100]
    assert all(j.tables["sample"]["shot"].n_unique() == len(j.units) for j in fill.jobs)
    with Store(home / "shots.duckdb").reading() as r:
        assert r.table("fill").height == 1100
