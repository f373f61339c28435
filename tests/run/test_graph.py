"""Order from needs; what can't take part is named with its plugin, and the rest is in order."""

from __future__ import annotations

import itertools
import types
from typing import Any

import pytest

from catchpot.analysis import Analysis
from catchpot.core_tables import FINDING
from catchpot.run.graph import measures, plan
from catchpot.tables import Column, Table


def named(*analyses: Analysis) -> list[tuple[str, Analysis]]:
    return [(f"p-{a.name}", a) for a in analyses]


def order(*analyses: Analysis) -> list[str]:
    made = plan(named(*analyses))
    assert made.problems == ()
    return [s.name for s in made.steps]


def nothing(*_: object) -> None:
    raise AssertionError("a plan computes nothing")


def make(tiny: types.ModuleType, name: str, needs: dict[str, tuple[str, ...]], part: str = "shot", **more: Any) -> Any:
    table = tiny.shot_table(name, "x_l") if part == "shot" else tiny.mould_table(name, "x_l")
    return tiny.Tiny(name, part, more.pop("yields", (table,)), nothing, needs, **more)


def test_the_order_of_registration_does_not_matter(tiny: types.ModuleType) -> None:
    analyses = [
        make(tiny, "d", {"b": ("x_l",), "c": ()}),
        make(tiny, "b", {"a": ("x_l",)}),
        make(tiny, "c", {"a": ("x_l",)}),
        make(tiny, "a", {"sample": ("vol_l",)}),
        make(tiny, "aa", {}),
    ]
    for shuffled in itertools.permutations(analyses):
        assert order(*shuffled) == ["a", "aa", "b", "c", "d"]


def test_reads_hold_keys_and_what_was_asked(tiny: types.ModuleType) -> None:
    seal = tiny.Tiny("seal", "shot", (tiny.shot_table("seal", "x_l", "y_l", extra=("seal",)),), nothing)
    reader = make(tiny, "z", {"seal": ("y_l",), "shot": ("*",)}, optional={"absent": ("q",), "part": ("part_mass_kg",)})
    step = plan(named(seal, reader)).step("z")
    assert step.reads["seal"] == ("shot", "seal", "y_l")
    assert step.reads["part"] == ("shot", "part_mass_kg")
    assert "source_digest" in step.reads["shot"]
    assert "absent" not in step.reads
    assert step.parents == ("seal",)


def test_an_unknown_need_is_named_and_the_rest_goes_on(tiny: types.ModuleType) -> None:
    made = plan(named(make(tiny, "fill", {}), make(tiny, "a", {"fil": ("x_l",)}), make(tiny, "b", {"a": ()})))
    assert [s.name for s in made.steps] == ["fill"]
    assert [str(p) for p in made.problems] == [
        "analysis a of plugin p-a can't run: it needs table fil, which no plugin in use yields (did you mean fill?)",
        "analysis b of plugin p-b can't run: it needs table a of a (plugin p-a), which can't run either",
    ]


def test_an_unknown_column_is_named(tiny: types.ModuleType) -> None:
    for which in ("needs", "optional"):
        asked = {"sample": ("flow_l_mn",)}
        bad = tiny.Tiny("a", "shot", (tiny.shot_table("a", "x_l"),), nothing, **{which: asked})
        [problem] = plan(named(bad)).problems
        assert "column flow_l_mn of table sample, which has none of that name (did you mean flow_l_min?)" in str(
            problem
        )


def test_a_circle_names_all_its_plugins(tiny: types.ModuleType) -> None:
    made = plan(
        named(make(tiny, "a", {"b": ()}), make(tiny, "b", {"a": ()}), make(tiny, "c", {}), make(tiny, "d", {"a": ()}))
    )
    assert [s.name for s in made.steps] == ["c"]
    by_name = {p.analysis: p.message for p in made.problems}
    for name in ("a", "b"):
        assert "need each other in a circle" in by_name[name]
        assert "a (plugin p-a)" in by_name[name]
        assert "b (plugin p-b)" in by_name[name]
    assert "it needs table a of a (plugin p-a), which can't run either" in by_name["d"]


def test_the_first_provider_of_a_table_keeps_it(tiny: types.ModuleType) -> None:
    both = tiny.shot_table("same", "x_l")
    b, a, c = make(tiny, "b", {}, yields=(both,)), make(tiny, "a", {}, yields=(both,)), make(tiny, "c", {"same": ()})
    made = plan(named(b, a, c))
    assert [s.name for s in made.steps] == ["b", "c"]
    [problem] = made.problems
    assert problem.analysis == "a"
    assert "it yields table same, which b (plugin p-b) has registered first" in str(problem)


def test_a_table_of_the_core_cannot_be_yielded(tiny: types.ModuleType) -> None:
    [problem] = plan(named(make(tiny, "a", {}, yields=(tiny.shot_table("part", "x_l"),)))).problems
    assert "it yields table part, which the core itself fills" in str(problem)


def test_a_shared_table_has_many_providers_in_one_declaration(tiny: types.ModuleType) -> None:
    a, b = make(tiny, "a", {}, yields=(FINDING,)), make(tiny, "b", {}, yields=(FINDING,))
    reader = make(tiny, "aa", {"finding": ("kind",)})
    assert order(a, b, reader) == ["a", "b", "aa"]
    other = Table("finding", ("anchor",), (*FINDING.columns, Column("more", "str", "", "more")), shared=True)
    made = plan(named(a, make(tiny, "b", {}, yields=(other,))))
    [problem] = made.problems
    assert "it declares shared table finding otherwise than a (plugin p-a) did first" in str(problem)


def test_star_is_every_causal_table_by_shot_and_runs_last(tiny: types.ModuleType) -> None:
    seal = tiny.Tiny("seal", "shot", (tiny.shot_table("seal", "leak", extra=("seal",)),), nothing)
    hindsight = make(tiny, "hindsight", {}, causal=False)
    life = make(tiny, "life", {"seal": ()}, part="mould")
    first = make(tiny, "aa_drift", {"*": ()}, part="mould")
    second = make(tiny, "capability", {"*": ("x_l",)}, part="mould")
    after = make(tiny, "ab_after", {"aa_drift": ("x_l",)}, part="mould", yields=(tiny.shot_table("after", "x_l"),))
    fill = make(tiny, "fill", {})
    analyses = (first, after, seal, hindsight, life, second, fill)
    assert order(*analyses).index("aa_drift") > order(*analyses).index("seal")
    made = plan(named(*analyses))
    step = made.step("aa_drift")
    assert step.star == {
        "fill": ("x_l",),
        "part": ("part_mass_kg", "overflow_kg", "thickness_mm", "fabric_mass_kg", "gel_coat_mass_kg"),
        "seal": ("leak",),
        "shot": ("programmed_volume_l",),
    }
    assert step.parents == ("fill", "seal")
    assert made.step("capability").star == {"fill": ("x_l",)}


def test_measures_are_numbers_of_tables_by_shot(tiny: types.ModuleType) -> None:
    assert measures(tiny.shot_table("fill", "x_l")) == ("x_l",)
    assert measures(tiny.mould_table("life", "x_l")) == ()
    odd_key = Table("t", ("shot", "from_s"), (Column("shot", "str", "", "s"), Column("from_s", "f64", "s", "f")))
    assert measures(odd_key) == ()
    array = Table("t", ("shot",), (Column("shot", "str", "", "s"), Column("x_l", "f64[3]", "l", "x")))
    assert measures(array) == ()


def test_an_analysis_that_was_left_out_says_why_when_asked_for(tiny: types.ModuleType) -> None:
    made = plan(named(make(tiny, "fill", {}), make(tiny, "a", {"fil": ()})))
    with pytest.raises(KeyError, match="needs table fil"):
        made.step("a")
    with pytest.raises(KeyError, match="no analysis 'b'"):
        made.step("b")
