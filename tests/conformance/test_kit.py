"""Each check of the kit can fail: small plugins with one fault each, and one without."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from textwrap import dedent
from typing import Any

import pytest
from pydantic import BaseModel

from catchpot import CatchpotError, EventNote, NoteField, PartNote
from catchpot.plugins.sources import Source
from catchpot.testing import check_note, check_plugin, made_up_data

GOOD = """
    from __future__ import annotations
    import catchpot
    from pydantic import BaseModel
    from catchpot import Column, Refused, Result, Table

    class NoParams(BaseModel):
        pass

    CALLS = []

    LAST = Table("last", ("shot",), (
        Column("shot", "str", "", "the shot"),
        Column("metered_volume_l", "f64", "l", "volume at the log's end", 0.0),
    ))
    USUAL = Table("usual", ("shot",), (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        Column("usual_volume_l", "f64", "l", "mean of the mould's shots up to this one", 0.0),
    ))

    class Last:
        name, part, causal = "last", "shot", True
        needs = {"sample": ("vol_l",)}
        optional = {}
        yields, params = (LAST,), NoParams

        def compute(self, job):
            import polars as pl
            frame = job.tables["sample"].group_by("shot", maintain_order=True).agg(
                pl.col("vol_l").last().alias("metered_volume_l"))
            units = pl.DataFrame({"shot": list(job.units)}, schema={"shot": pl.String})
            frame = units.join(frame, on="shot", how="left", maintain_order="left")
            none = frame.filter(pl.col("metered_volume_l").is_null())["shot"]
            return Result({"last": frame}, [Refused(s, "last.metered_volume_l", "the log is empty") for s in none])

    class Usual:
        name, part, causal = "usual", "mould", True
        needs = {"last": ("metered_volume_l",)}
        optional = {}
        yields, params = (USUAL,), NoParams

        def compute(self, job):
            import polars as pl
            volume = pl.col("metered_volume_l").drop_nulls()
            frame = job.tables["last"].filter(pl.col("metered_volume_l").is_not_null())
            mean = (pl.col("metered_volume_l").cum_sum() / pl.int_range(1, pl.len() + 1)).over("mould")
            frame = frame.with_columns(mean.alias("usual_volume_l"))
            return Result({"usual": frame.select("shot", "mould", "usual_volume_l")})

    class Section:
        name, title, order, analyses = "usual", "Usual volume", 5, ("usual",)
        needs = {"usual": ("usual_volume_l",)}

        def cells(self, view):
            from catchpot.report.section import Cell
            rows = view.tables["usual"]
            return [Cell("usual", f"{rows['usual_volume_l'][-1]:.2f} l", "in order")] if rows.height else []

        def panel(self, view):
            from catchpot.report.section import Figure, Panel
            rows = view.tables["usual"]
            if not rows.height:
                return Panel("not assessed", "No volume is known.")
            drawn = {"data": [{"y": rows["usual_volume_l"].to_list()}], "layout": {}}
            return Panel("in order", "All is usual.", [Figure("usual", "Usual", drawn, "A line.")])

        def pages(self, view):
            return []

    @catchpot.hookimpl
    def register_analyses(settings):
        return [Last(), Usual()]

    @catchpot.hookimpl
    def register_sections():
        return [Section()]
"""


def complaints(folder: Path, code: str) -> list[str]:
    path = folder / "weights.py"
    path.write_text(dedent(code))
    data = made_up_data([("weights", Source("weights", "", path).load())], others=False)
    return check_plugin(path, data)


def test_a_good_plugin_passes(tmp_path: Path) -> None:
    assert complaints(tmp_path, GOOD) == []


FAULTS = [
    ("    import catchpot\n", "    import catchpot\n    import polars\n", "module: imports polars"),
    ("    import catchpot\n", "    import scipy.stats\n    import catchpot\n", "module: imports numpy, scipy"),
    ('"volume at the log\'s end"', '""', "declaration: analysis last: column last.metered_volume_l: it has no doc"),
    ('"l", "volume at', '"ml", "volume at', "its unit ml does not stand in its name"),
    ('"l", "volume at', '"", "volume at', "its name ends in a unit, and it has none"),
    ('("vol_l",)', '("volume_l",)', "plan: analysis last of plugin weights can't run: it needs column volume_l"),
    ('pl.col("vol_l").last()', 'pl.col("flow_l_min").last()',
     "computes: analysis last: failed on the made-up workshop"),
    ('(USUAL,), NoParams', '(USUAL, LAST), NoParams', "module: analysis usual is left out: table last"),
    ('return Result({"usual": frame.select(', 'return Result({"usual": frame.head(0).select(',
     "computes: analysis usual: gave neither a row nor a refusal"),
    # looks whether something it did not ask for happens to be there
    ('pl.col("vol_l").last()', '(pl.col("vol_l") + ("flow_l_min" in job.tables["sample"].columns)).last()',
     "honours needs: analysis last: with more at hand than it asked for: table last: column metered_volume_l"),
    ('pl.col("vol_l").last()', '(pl.col("vol_l") + ("curve" in job.tables)).last()',
     "honours needs: analysis last"),
    # a count that runs on from call to call
    ('pl.col("vol_l").last()', '(pl.col("vol_l") + 1e-12 * (CALLS.append(1) or len(CALLS))).last()',
     "twice the same: analysis last"),
    # the mean of whoever is in the batch
    ('pl.col("vol_l").last()', '(pl.col("vol_l") / len(job.units)).last()',
     "a batch and its parts: analysis last: two shots together and each alone"),
    ('.over("mould")', '', "a batch and its parts: analysis usual: together and in parts"),
    # the mean over the whole history, later shots included
    ('(pl.col("metered_volume_l").cum_sum() / pl.int_range(1, pl.len() + 1))', 'pl.col("metered_volume_l").mean()',
     "causal: analysis usual: it is declared causal, yet later shots changed what was said"),
    ('pl.col("vol_l").last().alias', 'pl.col("vol_l").sort().get(-2).alias', "odd shots: analysis last: failed on"),
    ('[Refused(s, "last.metered_volume_l", "the log is empty") for s in none]', '[]',
     "odd shots: analysis last: says nothing of a shot with no samples, nothing but nulls"),
    ('volume = pl.col("metered_volume_l").drop_nulls()', 'first = job.tables["last"]["metered_volume_l"][0]',
     "odd shots: analysis usual: failed on a mould without shots"),
    ('needs = {"usual": ("usual_volume_l",)}', 'needs = {"usual": ("usual_l",)}',
     "section: usual: it needs column usual_l of table usual"),
    ('rows = view.tables["usual"]\n            return [Cell',
     'rows = view.tables["last"]\n            return [Cell',
     "section: usual: cells failed: KeyError"),
    ("            if not rows.height:\n                return Panel(\"not assessed\", \"No volume is known.\")\n",
     "            rows['usual_volume_l'][0]\n", "section: usual: panel failed: IndexError"),
    ('"in order")] if', '"green")] if', "section: usual: cell usual has the state 'green'"),
    ('"A line."', '" "', "figure usual has no summary"),
    ('[{"y": rows["usual_volume_l"].to_list()}]', '[]', "figure usual draws nothing"),
    ('("usual",)\n        needs = {"usual"', '("usul",)\n        needs = {"usual"', "it stands for analysis usul"),
    ('return []\n', 'return [1]\n', "pages gave a int"),
]  # fmt: skip
FAST = ("module: imports polars", "gave neither a row", "metered_volume_l", "twice the same", "together and each alone",
        "later shots changed", "says nothing of a shot", "panel failed", "draws nothing")  # fmt: skip
"""One or two of each check; the rest is among the slow tests."""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [pytest.param(*f, marks=[pytest.mark.slow] * (not any(w in f[2] for w in FAST))) for f in FAULTS],
)
def test_each_check_can_fail(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    found = complaints(tmp_path, GOOD.replace(old, new))
    assert any(said in c for c in found), found


def test_a_plugin_that_changes_its_tables_is_found(tmp_path: Path) -> None:
    """Frames are hard to change in place, but not impossible."""
    spoil = 'import polars as pl\n            job.tables["sample"].insert_column(0, pl.lit(1).alias("x"))'
    changed = GOOD.replace("import polars as pl", spoil, 1)
    assert any("twice the same: analysis last: it changed the table sample" in c for c in complaints(tmp_path, changed))


def test_a_plugin_that_cannot_be_loaded_is_said(tmp_path: Path) -> None:
    path = tmp_path / "broken.py"
    path.write_text("1 / 0\n")
    found = check_plugin(path)
    assert any("can't be imported in a fresh process: ZeroDivisionError" in c for c in found)
    assert any("can't be loaded: ZeroDivisionError" in c for c in found)


def test_an_unknown_entry_point_is_named() -> None:
    with pytest.raises(KeyError, match="no entry point 'fil'"):
        check_plugin("fil")


class OddForm:
    """A form of `note` that does what it should not."""

    name = "odd"
    says = "for the test"
    fields: tuple[NoteField, ...] = (
        NoteField("weight_kg", "Weight", number=True), NoteField("pot", "Pot", needed=False)
    )  # fmt: skip

    def __init__(self, does: Callable[[Mapping[str, str]], list[Any]]) -> None:
        self.does = does

    def notes(self, given: Mapping[str, str], settings: BaseModel | None) -> list[Any]:
        """As the test says."""
        return self.does(given)


def _refuse(given: Mapping[str, str]) -> list[Any]:
    raise CatchpotError("")


@pytest.mark.parametrize(
    ("does", "said"),
    [
        (lambda given: [EventNote("hatch", "seal_lost")], "there is no kind of event 'seal_lost'"),
        (lambda given: [PartNote("s", {"weight": "1"})], "parts.csv has no column 'weight' to note"),
        (lambda given: [1.0 / float(given["weight_kg"])], "it gave a float, where an EventNote"),
        (lambda given: [EventNote("hatch", "note", given["pot"])], "it raised where it should refuse"),
        (_refuse, "it refuses without a sentence"),
    ],
)
def test_a_form_of_note_is_tried_with_odd_fillings(does: Callable[[Mapping[str, str]], list[Any]], said: str) -> None:
    complaints = list(check_note.form(OddForm(does), None))
    assert any(said in c for c in complaints), complaints
    assert list(check_note.form(OddForm(lambda given: [EventNote("hatch", "note", "a")]), None)) == []
