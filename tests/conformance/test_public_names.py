"""One list of public names: what `catchpot` exports is what the guide shows, signatures too."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from tests.conformance import public_names

import catchpot

ROOT = Path(__file__).parents[2]


def test_the_guide_shows_each_name_with_its_signature() -> None:
    """Where this fails after a change meant: python -m tests.conformance.public_names"""
    assert public_names.shown() == public_names.lines()


def test_every_name_is_there_and_listed_once() -> None:
    for name in catchpot.__all__:
        assert getattr(catchpot, name) is not None
    places = [n for names in catchpot._HOMES.values() for n in names]
    assert sorted(places) == sorted(set(catchpot.__all__) - {"__version__"})
    with pytest.raises(AttributeError, match="no attribute 'Analyses'"):
        _ = catchpot.Analyses  # type: ignore[attr-defined]


def test_importing_all_of_them_lightly() -> None:
    """What a declaration needs costs no data-frame library."""
    names = "Analysis, Column, Table, FINDING, finding, hookimpl, Section, Panel, Cell, View, Source, RunOutcome, emit"
    look = "import sys\nprint([m for m in ('polars', 'numpy', 'duckdb') if m in sys.modules])"
    code = f"from catchpot import {names}\n{look}"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "[]\n"


@pytest.mark.parametrize("template", ["module.py.txt", "test_module.py.txt"])
def test_the_scaffold_imports_from_catchpot_only(template: str) -> None:
    text = (ROOT / "pipeline/catchpot/plugins/templates" / template).read_text(encoding="utf-8")
    for mark in ("@IMPORTS@", "@PLUGIN@"):
        text = text.replace(mark, "")
    tree = ast.parse(text.replace("@NAME@", "n").replace("@Name@", "N"))
    ours = [
        n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and (n.module or "").startswith("catchpot")
    ]
    assert set(ours) == {"catchpot"}


def test_a_typed_package() -> None:
    for top in (ROOT / "pipeline" / "catchpot", *(p.parent for p in (ROOT / "plugins").glob("catchpot_*/__init__.py"))):
        assert (top / "py.typed").is_file(), top
