"""The loader: entry points and drop-in files by one way; what is broken is named and the rest goes on."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from catchpot.plugins import Registry, load
from catchpot.plugins.listing import Listing
from catchpot.workshop import Workshop

Reopen = Callable[..., Workshop]
Write = Callable[[str, str], Path]
Install = Callable[..., None]

GOOD = """
    from __future__ import annotations
    from dataclasses import dataclass, field
    import catchpot
    from pydantic import BaseModel

    NAME = "weights"

    class Params(BaseModel):
        share: float = 1.0

    TABLE = catchpot.Table(NAME, ("shot",), (catchpot.Column("shot", "str", "", "the shot"),))

    @dataclass
    class Weights:
        name: str = NAME
        part: str = "shot"
        causal: bool = True
        needs: dict = field(default_factory=lambda: {"part": ("part_mass_kg",)})
        optional: dict = field(default_factory=dict)
        yields: tuple = (TABLE,)
        params: type = Params
        def compute(self, job):
            return catchpot.Result({NAME: job.tables["part"].select("shot")})

    @catchpot.hookimpl
    def register_analyses(settings):
        return [Weights()]
"""


def names(registry: Registry) -> list[str]:
    return [p.name for p in registry.plugins]


def told(registry: Registry, plugin: str) -> str:
    return " | ".join(b.error for b in registry.broken if b.plugin == plugin)


def test_our_own_plugins_come_in_as_entry_points(reopen: Reopen) -> None:
    registry = load(reopen(), core=False)
    assert "logs" in names(registry)
    [logs] = [p for p in registry.plugins if p.name == "logs"]
    assert logs.origin.startswith("catchpot ")
    assert logs.origin.endswith("entry point logs = catchpot_logs")


def test_a_drop_in_file_is_loaded_by_path_and_leaves_no_trace(reopen: Reopen, drop_in: Write, home: Path) -> None:
    drop_in("weights.py", GOOD)
    path_before = list(sys.path)
    registry = load(reopen(), trust=True, core=False)
    assert registry.analysis("weights").part == "shot"
    assert registry.plugin_of("weights").origin == "plugins/weights.py"
    assert sys.path == path_before
    assert sorted(p.name for p in (home / "plugins").iterdir()) == ["weights.py"]


def test_drop_in_files_come_in_order_of_name_without_underscored_and_other_files(
    reopen: Reopen, drop_in: Write
) -> None:
    for name in ("b.py", "a.py", "_helper.py", "notes.txt", "c.pyc"):
        drop_in(name, "")
    registry = load(reopen(), trust=True, core=False)
    assert [p.name for p in registry.plugins if p.origin.startswith("plugins/")] == ["a", "b"]


def test_a_changed_drop_in_is_read_anew_and_has_another_digest(reopen: Reopen, drop_in: Write) -> None:
    drop_in("weights.py", GOOD)
    first = load(reopen(), trust=True, core=False).plugin_of("weights")
    drop_in("weights.py", GOOD.replace("share: float = 1.0", "share: float = 2.0"))
    second = load(reopen(), trust=True, core=False).plugin_of("weights")
    assert first.digest != second.digest
    assert second.analyses[0].params().model_dump() == {"share": 2.0}


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("def broken(:\n    pass\n", "can't be loaded: SyntaxError"),
        ("import no_such_module_anywhere\n", r"can't be loaded: ModuleNotFoundError: .*no_such_module_anywhere"),
        ("x = 1\ny = 1 / 0\n", r"can't be loaded: ZeroDivisionError: division by zero \(line 2\)"),
        ("raise SystemExit(3)\n", "can't be loaded: SystemExit: 3"),
        (
            "import catchpot\n@catchpot.hookimpl\ndef register_analysis(settings):\n    return []\n",
            r"there is no hook register_analysis \(did you mean register_analyses\?\)",
        ),
        (
            "import catchpot\n@catchpot.hookimpl\ndef register_analyses(setings):\n    return []\n",
            "can't be registered: .*setings",
        ),
        (
            "import catchpot\n@catchpot.hookimpl\ndef register_analyses(settings):\n    return settings['absent']\n",
            r"register_analyses failed: KeyError: 'absent' \(line 4\)",
        ),
        (
            "import catchpot\n@catchpot.hookimpl\ndef register_sections():\n    return 7\n",
            "register_sections failed: TypeError",
        ),
    ],
)
def test_a_broken_plugin_is_named_and_the_rest_goes_on(reopen: Reopen, drop_in: Write, code: str, said: str) -> None:
    drop_in("aa_broken.py", code)
    drop_in("weights.py", GOOD)
    registry = load(reopen(), trust=True, core=False)
    assert registry.analysis("weights").name == "weights"
    assert "logs" in names(registry)
    [broken] = registry.broken
    assert (broken.plugin, broken.origin) == ("aa_broken", "plugins/aa_broken.py")
    with pytest.raises(AssertionError, match=said):
        raise AssertionError(broken.error)
    assert any("aa_broken (plugins/aa_broken.py)" in w for w in registry.warnings)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('part: str = "shot"', 'part: str = "batch"', "part is 'batch', not one of shot, mould, workshop"),
        ("yields: tuple = (TABLE,)", "yields: tuple = (7,)", "yields is no tuple of tables"),
        ("params: type = Params", "params: type = dict", "params is no pydantic model"),
        ('part: str = "shot"', 'part: str = "mould"', "table weights of a mould analysis has no `mould` column"),
        ('("part_mass_kg",)', '"part_mass_kg"', "needs is no mapping of table names to tuples"),
        ("        causal: bool = True\n", "", "it has no causal"),
        ("def compute(", "def compute_it(", "it has no compute"),
    ],
)
def test_an_analysis_of_another_shape_is_left_out(
    reopen: Reopen, drop_in: Write, old: str, new: str, said: str
) -> None:
    drop_in("weights.py", GOOD.replace(old, new))
    registry = load(reopen(), trust=True, core=False)
    assert all(a.name != "weights" for a in registry.analyses)
    assert f"analysis weights is left out: {said}" in told(registry, "weights")


def test_only_shot_analyses_may_ask_for_samples(reopen: Reopen, drop_in: Write) -> None:
    code = GOOD.replace('part: str = "shot"', 'part: str = "workshop"').replace(
        '"part": ("part_mass_kg"', '"sample": ("t_s"'
    )
    drop_in("weights.py", code)
    assert "only shot analyses may ask for samples" in told(load(reopen(), trust=True, core=False), "weights")


def test_an_installed_plugin_and_a_broken_one_beside_it(reopen: Reopen, install: Install) -> None:
    install("shop-extras", "extras = extras_plugin\n", extras_plugin=GOOD)
    install("shop-wrong", "wrong = wrong_plugin\nmissing = nowhere_plugin\n", wrong_plugin="raise OSError('no')")
    registry = load(reopen(), core=False)
    assert registry.plugin_of("weights").origin == "shop-extras 1.0, entry point extras = extras_plugin"
    assert "OSError: no" in told(registry, "wrong")
    assert "ModuleNotFoundError" in told(registry, "missing")


def test_a_name_that_is_taken_is_told(reopen: Reopen, install: Install, drop_in: Write) -> None:
    install("shop-extras", "extras = extras_plugin\n", extras_plugin=GOOD)
    install("zeta-extras", "extras = zeta_plugin\n", zeta_plugin="")
    drop_in("extras.py", "")
    registry = load(reopen(), trust=True, core=False)
    assert registry.plugin_of("weights").origin.startswith("shop-extras")
    assert [b.origin for b in registry.broken] == [
        "zeta-extras 1.0, entry point extras = zeta_plugin",
        "plugins/extras.py",
    ]
    assert all("the name is taken by shop-extras 1.0" in b.error for b in registry.broken)


def test_an_analysis_name_that_is_taken_is_told(reopen: Reopen, drop_in: Write) -> None:
    drop_in("a.py", GOOD)
    drop_in("b.py", GOOD)
    registry = load(reopen(), trust=True, core=False)
    assert registry.plugin_of("weights").name == "a"
    assert told(registry, "b") == "analysis weights is left out: plugin a has registered the analysis of that name"


def test_plugins_are_switched_off_by_name_ours_too(reopen: Reopen, drop_in: Write) -> None:
    drop_in("weights.py", GOOD)
    registry = load(reopen('[plugins]\ndisabled = ["logs", "weights"]\n'), trust=True, core=False)
    assert not {"logs", "weights"} & set(names(registry))
    assert registry.disabled == ("logs", "weights")
    assert "logs - disabled in catchpot.toml" in Listing(registry.as_rows()).sentences()


def test_the_listing_names_origin_and_what_is_registered(reopen: Reopen, drop_in: Write) -> None:
    drop_in("weights.py", GOOD)
    drop_in("zz.py", "1/0")
    registry = load(reopen(), trust=True, core=False)
    lines = Listing(registry.as_rows()).sentences()
    assert "weights (plugins/weights.py) - in use; analyses: weights; tables: weights" in lines
    assert "zz (plugins/zz.py) - not used" in lines
    rows = {r["plugin"]: r for r in registry.as_rows()}
    assert rows["weights"]["tables"] == ["weights"]
    assert "ZeroDivisionError" in rows["zz"]["errors"][0]
