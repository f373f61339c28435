"""Every installed plugin conforms; ours are checked as anyone's."""

from __future__ import annotations

from pathlib import Path

import pytest

from catchpot.plugins.sources import installed
from catchpot.testing import check_plugin
from catchpot.testing.check_data import CheckData

INSTALLED = [s.name for s in installed()]
FOLDERS = sorted(
    p.name for p in (Path(__file__).parents[2] / "plugins").glob("catchpot_*") if (p / "__init__.py").exists()
)


LONG = ("fill", "vacuum", "faults", "volume")
"""Plugins whose histories take long to work again and again: theirs are among the slow tests."""


@pytest.mark.parametrize("name", [pytest.param(n, marks=[pytest.mark.slow] * (n in LONG)) for n in INSTALLED])
def test_a_plugin_conforms(name: str, data: CheckData) -> None:
    assert check_plugin(name, data) == []


def test_every_plugin_of_this_repository_is_installed() -> None:
    ours = {s.place.module for s in installed() if not isinstance(s.place, Path) and hasattr(s.place, "module")}
    assert set(FOLDERS) <= ours, "a plugin was added since: pip install -e '.[dev]' makes its entry point known"


def test_the_plan_of_everything_installed_holds(data: CheckData) -> None:
    assert data.plan.problems == ()
    assert data.registry.broken == ()
    assert data.failures == {}
