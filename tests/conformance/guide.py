"""The steps of DEVELOPERS.md as they stand there: their code put together, their commands one by one."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
_BLOCK = re.compile(r"^```(python|sh)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Steps:
    """Steps of one part. numbers: as they stand; code: of all; commands: one a line; file: where the code goes."""

    numbers: list[int]
    code: str
    commands: list[str]
    file: str


def steps(heading: str) -> Steps:
    """The steps under a heading that begins with these words."""
    part = GUIDE.read_text(encoding="utf-8").split(f"\n## {heading}")[1].split("\n## ")[0]
    blocks = _BLOCK.findall(part)
    prose = _BLOCK.sub("", part)
    # A block that begins a definition stands two lines below the one before, a method one line.
    code = "\n".join(text if text.startswith(" ") else f"\n{text}" for kind, text in blocks if kind == "python")
    commands = [line for kind, text in blocks if kind == "sh" for line in text.splitlines()]
    numbers = [int(n) for n in re.findall(r"^(\d+)\. ", prose, flags=re.MULTILINE)]
    file = re.search(r"`(plugins/\w+\.py)`", prose)
    assert file is not None
    return Steps(numbers, code.lstrip("\n"), commands, file[1])


__all__ = ["GUIDE", "Steps", "steps"]
