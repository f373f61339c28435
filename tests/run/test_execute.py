"""A run computes what is stale and nothing else, keeps failures apart, and stores exactly what was promised."""

from __future__ import annotations

import types
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from catchpot.analysis import Job, Refused, Result
from catchpot.core_tables import FINDING
from catchpot.plugins import Registry
from catchpot.run import execute
from catchpot.run import step as step_run
from catchpot.run.execute import analyse
from catchpot.run.outcome import AnalyseOutcome, StepOutcome
from catchpot.store import Store
from catchpot.tables import shape
from catchpot.workshop import Workshop, WorkshopError

Put = Callable[..., None]
Open = Callable[[], Workshop]
Register = Callable[..., Registry]
NAMES = ["a", "b", "c", "d"]


def stored(home: Path, table: str) -> pl.DataFrame:
    with Store(home / "shots.duckdb").reading() as r:
        return r.table(table)


def ledger(home: Path) -> pl.DataFrame:
    with Store(home / "shots.duckdb").reading() as r:
        return r.ledger()


def of(outcome: AnalyseOutcome, name: str) -> StepOutcome:
    [step] = [s for s in outcome.steps if s.analysis == name]
    return step


def test_results_are_computed_stored_and_not_computed_again(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)
    fill, history = tiny.volumes(), tiny.sums()
    ws = workshop()
    outcome = analyse(ws, registry(ws, history, fill))
    assert outcome.complaints() == []
    assert stored(home, "fill")["x_l"].to_list() == [0.3] * 4
    assert dict(stored(home, "history").iter_rows()) == pytest.approx({"hatch": 0.6, "lid": 0.6})
    assert (of(outcome, "fill").computed, of(outcome, "history").computed) == (4, 2)
    assert ledger(home)["status"].unique().to_list() == ["done"]
    content = (home / "shots.duckdb").read_bytes()
    again = analyse(ws, registry(ws, fill, history))
    assert fill.asked == NAMES
    assert history.asked == ["hatch", "lid"]
    assert [s.unchanged for s in again.steps] == [4, 2]
    assert again.sentences() == ["inputs unchanged, nothing to compute: fill, history"]
    assert (home / "shots.duckdb").read_bytes() == content


def test_one_new_log_is_one_shot_and_one_mould(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)
    fill, history = tiny.volumes(), tiny.sums()
    ws = workshop()
    analyse(ws, registry(ws, fill, history))
    put(["e"], ["lid"], first=9)
    outcome = analyse(ws, registry(ws, fill, history))
    assert fill.asked == [*NAMES, "e"]
    assert history.asked == ["hatch", "lid", "lid"]
    assert dict(of(outcome, "fill").why) == {"new": 1}
    assert dict(of(outcome, "history").why) == {"changed: logs, other analyses": 1}


@pytest.mark.parametrize(
    ("file", "text", "shots", "why"),
    [
        (
            "moulds.toml",
            "[moulds.hatch]\nthickness_mm = 3.1\n[moulds.lid]\nthickness_mm = 2.0\n",
            ["a", "c"],
            "mould book",
        ),
        ("catchpot.toml", "[analyses.fill]\nshare = 0.5\n", NAMES, "settings"),
        ("catchpot.toml", "[workshop]\nambient_pressure_mbar = 950.0\n", NAMES, "settings"),
        ("catchpot.toml", '[analyses.history]\nshare = 0.5\n[workshop]\nname = "Shop"\n', [], ""),
        ("catchpot.toml", '[workshop]\nname = "Shop"\n[plugins]\ndisabled = ["else"]\n', [], ""),
        ("events.csv", "time,mould,kind,detail\n2026-01-05T09:00:00Z,hatch,note,\n", [], ""),
    ],
)
def test_a_changed_input_makes_stale_what_it_can_touch(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType,
    file: str, text: str, shots: list[str], why: str,
) -> None:  # fmt: skip
    put(NAMES)
    ws = workshop()
    analyse(ws, registry(ws, tiny.volumes(), tiny.sums()))
    (home / file).write_text(text)
    fill, ws = tiny.volumes(), workshop()
    outcome = analyse(ws, registry(ws, fill, tiny.sums()))
    assert fill.asked == shots
    assert set(of(outcome, "fill").why) == ({f"changed: {why}"} if why else set())


def test_code_of_a_plugin_makes_its_own_and_what_reads_it_stale(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)
    ws = workshop()
    analyse(ws, registry(ws, tiny.volumes(), tiny.sums(), tiny.volumes("other")))
    fill, history, other = tiny.volumes(), tiny.sums(), tiny.volumes("other")
    outcome = analyse(ws, registry(ws, fill, history, other, code={"fill": "2"}))
    assert (fill.asked, history.asked, other.asked) == (NAMES, ["hatch", "lid"], [])
    assert set(of(outcome, "fill").why) == {"changed: code"}
    assert set(of(outcome, "history").why) == {"changed: other analyses"}


def test_events_and_parts_touch_only_who_reads_them_and_whose_they_are(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)

    def work(job: Job) -> Result:
        n = [job.tables["event"].height + job.tables["part"].height for _ in job.units]
        return Result({"events": pl.DataFrame({"mould": list(job.units), "n": [float(x) for x in n]})})

    def reader() -> Any:
        needs = {"event": ("kind",), "part": ("part_mass_kg",)}
        return tiny.Tiny("events", "mould", (tiny.mould_table("events", "n"),), work, needs)

    ws = workshop()
    analyse(ws, registry(ws, reader()))
    (home / "events.csv").write_text("time,mould,kind,detail\n2026-01-05T09:00:00Z,lid,note,x\n")
    only_lid, ws = reader(), workshop()
    analyse(ws, registry(ws, only_lid))
    (home / "parts.csv").write_text("shot,part_mass_kg\na,3.2\n")
    only_hatch, ws = reader(), workshop()
    analyse(ws, registry(ws, only_hatch))
    with (home / "events.csv").open("a") as f:
        f.write("2026-01-05T10:00:00Z,,note,for everyone\n")
    everyone, ws = reader(), workshop()
    analyse(ws, registry(ws, everyone))
    assert (only_lid.asked, only_hatch.asked, everyone.asked) == (["lid"], ["hatch"], ["hatch", "lid"])
    assert dict(stored(home, "events").iter_rows()) == {"hatch": 2.0, "lid": 2.0}
    assert stored(home, "event")["kind"].to_list() == ["note", "note"]
    assert stored(home, "part")["part_mass_kg"].to_list() == [3.2]


def test_a_bad_shot_is_found_among_many_and_the_rest_is_computed(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(step_run, "BATCH", 16)
    names = [f"s{i:02d}" for i in range(40)]
    put(names)
    fill, history = tiny.volumes(), tiny.sums()
    plain = fill.work

    def picky(job: Job) -> Result:
        if "s21" in job.units:
            raise ValueError("cannot take s21")
        return plain(job)  # type: ignore[no-any-return]  # the maker's own type

    fill.work = picky
    ws = workshop()
    outcome = analyse(ws, registry(ws, fill, history))
    step = of(outcome, "fill")
    assert (step.computed, step.failed) == (39, 1)
    assert step.errors == ["analysis fill of plugin p-fill failed on s21: ValueError: cannot take s21"]
    assert set(stored(home, "fill")["shot"]) == set(names) - {"s21"}
    failed = ledger(home).filter(pl.col("status") == "failed")
    assert failed["part"].to_list() == ["s21"]
    assert "Traceback" in failed["reason"].item()
    # A failure is tried again; when it goes well, what reads it is computed again.
    mended, later = tiny.volumes(), tiny.sums()
    again = analyse(ws, registry(ws, mended, later))
    assert mended.asked == ["s21"]
    assert dict(of(again, "fill").why) == {"failed before": 1}
    assert later.asked == ["lid"]
    assert stored(home, "fill").height == 40


def test_an_analysis_that_fails_on_all_is_given_up(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    names = [f"s{i:03d}" for i in range(120)]
    put(names)
    bad = tiny.volumes("bad")

    def broken(job: Job) -> Result:
        raise KeyError("no such column")

    bad.work = broken
    good = tiny.volumes("good")
    ws = workshop()
    outcome = analyse(ws, registry(ws, bad, good))
    assert of(outcome, "bad").failed == 120
    assert of(outcome, "good").computed == 120
    assert len(bad.jobs) < 80
    assert ledger(home).filter(pl.col("analysis") == "bad").height == 120


def rows(shots: Sequence[str], values: Sequence[float] | None = None) -> pl.DataFrame:
    return pl.DataFrame({"shot": list(shots), "x_l": list(values or [1.0] * len(shots))})


NONE = pl.DataFrame(schema={"shot": pl.String, "x_l": pl.Float64})


@pytest.mark.parametrize(
    ("delivered", "said"),
    [
        (None, "promised a Result, delivered NoneType"),
        (Result({}), r"promised tables \['t'\], delivered \[\]"),
        (Result({"t": "text"}), "promised a frame, delivered str"),  # type: ignore[dict-item]  # the point
        (Result({"t": rows(["a"]).select("shot")}), r"promised columns \['shot', 'x_l'\]"),
        (Result({"t": rows(["a"]).cast({"x_l": pl.Int64})}), "x_l: promised Float64, delivered Int64"),
        (Result({"t": rows(["a"], [float("nan")])}), "NaN or infinity"),
        (Result({"t": rows(["a", "a"])}), "is not unique"),
        (Result({"t": rows(["a", "elsewhere"])}), "delivered 1 others, e.g. 'elsewhere'"),
        (Result({"t": NONE}, [Refused("elsewhere", "t", "no")]), "refused t of elsewhere"),
        (Result({"t": NONE}, [Refused("a", "t", "")]), "a refusal needs a unit"),
    ],
)
def test_what_was_not_promised_is_not_stored(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType,
    delivered: Result, said: str,
) -> None:  # fmt: skip
    put(["a"])
    bad = tiny.Tiny("t", "shot", (tiny.shot_table("t", "x_l"),), lambda job: delivered)
    ws = workshop()
    outcome = analyse(ws, registry(ws, bad))
    [error] = of(outcome, "t").errors
    assert "analysis t of plugin p-t" in error
    with pytest.raises(AssertionError, match=said):
        raise AssertionError(error)
    assert stored(home, "t").is_empty()


def test_refusals_are_stored_and_replaced(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b"], ["hatch"])

    def work(job: Job) -> Result:
        said = [Refused("a", "t.x_l", "no flow"), Refused("a", "t.x_l", "too short"), Refused("b", "t", "no injection")]
        return Result(
            {"t": pl.DataFrame({"shot": ["a"], "x_l": [None]}, schema={"shot": pl.String, "x_l": pl.Float64})}, said
        )

    ws = workshop()
    outcome = analyse(ws, registry(ws, tiny.Tiny("t", "shot", (tiny.shot_table("t", "x_l"),), work)))
    assert (of(outcome, "t").computed, of(outcome, "t").refused) == (2, 1)
    assert stored(home, "refusal").rows() == [
        ("t", "a", "t.x_l", "no flow; too short"),
        ("t", "b", "t", "no injection"),
    ]
    assert dict(ledger(home).select("part", "status").iter_rows()) == {"a": "done", "b": "refused"}


def test_a_removed_shot_takes_its_rows_along(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a", "b", "z"], ["hatch", "hatch", "lid"])
    ws = workshop()
    analyse(ws, registry(ws, tiny.volumes(), tiny.sums()))
    with Store(home / "shots.duckdb").writing() as w:
        w.remove_shots(["a", "z"])
    outcome = analyse(ws, registry(ws, tiny.volumes(), tiny.sums()))
    assert (of(outcome, "fill").removed, of(outcome, "history").removed) == (2, 1)
    assert stored(home, "fill")["shot"].to_list() == ["b"]
    assert stored(home, "history")["mould"].to_list() == ["hatch"]
    assert set(ledger(home)["part"]) == {"b", "hatch"}


def test_results_of_an_analysis_that_is_away_are_kept_and_forgotten_only_when_told(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)

    def work(job: Job) -> Result:
        found = {"mould": list(job.units), "analysis": ["finder"] * len(job.units), "anchor": list(job.units)}
        return Result({"finding": shape(FINDING, found)}, [Refused(job.units[0], "finder.more", "no")])

    finder = tiny.Tiny("finder", "mould", (FINDING,), work, {"shot": ("injector",)})
    ws = workshop()
    analyse(ws, registry(ws, finder, tiny.volumes()))
    before = {t: stored(home, t) for t in ("fill", "finding", "refusal")}
    assert before["finding"].height == 2
    without = registry(ws, tiny.volumes("other"))
    outcome = analyse(ws, without)
    assert outcome.away == ["fill", "finder"] == execute.away(ws, without)
    assert "not recomputed: fill, finder" in " ".join(outcome.sentences())
    assert all(stored(home, t).equals(frame) for t, frame in before.items())
    # put back, nothing is to be computed
    again = analyse(ws, registry(ws, finder, tiny.volumes()))
    assert (of(again, "fill").unchanged, of(again, "finder").unchanged) == (4, 2)
    with pytest.raises(WorkshopError, match="analysis 'fill' is in use"):
        execute.forget_results(ws, registry(ws, tiny.volumes()), "fill")
    with pytest.raises(WorkshopError, match=r"has no results here \(did you mean fill\?\)"):
        execute.forget_results(ws, without, "fil")
    assert execute.forget_results(ws, without, "fill") == ["fill"]
    assert execute.forget_results(ws, without, "finder") == []
    assert stored(home, "finding").is_empty() and stored(home, "refusal").is_empty()
    with Store(home / "shots.duckdb").reading() as r:
        assert "fill" not in r.tables()
        assert r.table("shot").height == 4


def test_an_analysis_whose_table_another_took_over_leaves_no_refusals_behind(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(["a"], ["hatch"])
    table = tiny.shot_table("t", "x_l")

    def refusing(job: Job) -> Result:
        return Result({"t": NONE}, [Refused("a", "t", "no")])

    ws = workshop()
    analyse(ws, registry(ws, tiny.Tiny("old", "shot", (table,), refusing)))
    assert stored(home, "refusal").height == 1
    outcome = analyse(ws, registry(ws, tiny.Tiny("new", "shot", (table,), lambda job: Result({"t": NONE}))))
    assert (outcome.superseded, outcome.away) == (["old"], [])
    assert stored(home, "refusal").is_empty()


def test_a_changed_declaration_is_computed_anew(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)
    ws = workshop()
    analyse(ws, registry(ws, tiny.volumes()))
    plain = tiny.volumes()

    def work(job: Job) -> Result:
        return Result({"fill": plain.work(job).tables["fill"].with_columns(y_l=2 * pl.col("x_l"))})

    wider = tiny.Tiny("fill", "shot", (tiny.shot_table("fill", "x_l", "y_l"),), work, {"sample": ("vol_l",)})
    outcome = analyse(ws, registry(ws, wider))
    assert of(outcome, "fill").computed == 4
    assert stored(home, "fill")["y_l"].to_list() == [0.6] * 4
    columns = duckdb.connect(str(home / "shots.duckdb"), read_only=True).sql("SELECT * FROM fill").columns
    assert columns == ["shot", "x_l", "y_l"]


def test_a_dry_run_says_what_and_why_and_changes_nothing(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)
    ws = workshop()
    analyse(ws, registry(ws, tiny.volumes()))
    put(["e"], first=9)
    content = (home / "shots.duckdb").read_bytes()
    fill, history = tiny.volumes(), tiny.sums()
    outcome = analyse(ws, registry(ws, fill, history), dry_run=True)
    assert (fill.asked, history.asked) == ([], [])
    assert outcome.sentences() == [
        "fill: 1 shot would be computed (new), 4 unchanged",
        "history: 2 moulds would be computed (new)",
    ]
    assert (home / "shots.duckdb").read_bytes() == content


def test_only_some_and_what_they_need(put: Put, workshop: Open, registry: Register, tiny: types.ModuleType) -> None:
    put(NAMES)
    fill, history, other = tiny.volumes(), tiny.sums(), tiny.volumes("other")
    ws = workshop()
    outcome = analyse(ws, registry(ws, fill, history, other), only=["history"])
    assert [s.analysis for s in outcome.steps] == ["fill", "history"]
    assert other.asked == []
    with pytest.raises(WorkshopError) as told:
        analyse(ws, registry(ws, fill), only=["fil"])
    assert "no analysis 'fil'" in str(told.value.problems[0])


def test_wrong_settings_stop_the_run_with_file_line_and_key(
    home: Path, put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)
    (home / "catchpot.toml").write_text('[analyses.fill]\nshare = "half"\n')
    fill, ws = tiny.volumes(), workshop()
    with pytest.raises(WorkshopError) as told:
        analyse(ws, registry(ws, fill))
    [problem] = told.value.problems
    assert (problem.line, problem.key) == (2, "analyses.fill.share")
    assert fill.asked == []


def test_problems_of_the_plan_are_complaints_and_the_rest_runs(
    put: Put, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    put(NAMES)
    fill, lost = tiny.volumes(), tiny.sums("lost", of="nowhere")
    ws = workshop()
    outcome = analyse(ws, registry(ws, fill, lost))
    assert of(outcome, "fill").computed == 4
    assert outcome.complaints() == [
        "analysis lost of plugin p-lost can't run: it needs table nowhere, which no plugin in use yields"
    ]


def test_progress_is_told(put: Put, workshop: Open, registry: Register, tiny: types.ModuleType) -> None:
    put(NAMES)
    told: list[tuple[str, int, int]] = []
    ws = workshop()
    analyse(ws, registry(ws, tiny.volumes(), tiny.sums()), progress=lambda *a: told.append(a))
    assert told == [("fill", 4, 4), ("history", 1, 2), ("history", 2, 2)]


def test_an_empty_workshop_computes_nothing_and_makes_no_store(
    home: Path, workshop: Open, registry: Register, tiny: types.ModuleType
) -> None:
    ws = workshop()
    outcome = analyse(ws, registry(ws, tiny.volumes(), tiny.sums()))
    assert outcome.sentences() == ["inputs unchanged, nothing to compute: fill, history"]
    assert not (home / "shots.duckdb").exists()
