"""The example that DEVELOPERS.md is keyed to conforms, and its steps are the ones the text numbers."""

from __future__ import annotations

import re
from pathlib import Path

from catchpot.testing import check_plugin

EXAMPLE = Path(__file__).with_name("example_plugin.py")
GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


def test_the_example_conforms() -> None:
    assert check_plugin(EXAMPLE) == []


def test_guide_and_example_have_the_same_steps() -> None:
    part = GUIDE.read_text(encoding="utf-8").split("## Add a plugin")[1].split("\n## ")[0]
    told = re.findall(r"^(\d+)\. ", part, flags=re.MULTILINE)
    marked = re.findall(r"^ *# (\d+)\. ", EXAMPLE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert sorted(marked) == sorted(told) == [str(i) for i in range(1, 9)]
