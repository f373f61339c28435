"""The public names as the guide shows them: `python -m tests.conformance.public_names` writes them into it."""

from __future__ import annotations

import inspect
import re
from pathlib import Path
from typing import Any

import catchpot

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- public names: begin -->", "<!-- public names: end -->"


def lines() -> list[str]:
    """One line a name: its signature (of a protocol its members), then the first line of its doc."""
    return [_line(name, getattr(catchpot, name)) for name in sorted(catchpot.__all__, key=str.lower)]


def _line(name: str, thing: Any) -> str:
    if name == "hookimpl":
        return "- `hookimpl`: the mark of a function that is one of the hooks (pluggy)."
    if isinstance(thing, str) or not callable(thing):
        kind = "text" if isinstance(thing, str) else type(thing).__name__
        return f"- `{name}`: {kind}. {getattr(thing, 'doc', '') or 'the version'}"
    doc = (inspect.getdoc(thing) or "").splitlines()[0]
    if getattr(thing, "_is_protocol", False):
        members = [n for n in thing.__annotations__ if not n.startswith("_")]
        calls = [f"{n}{_signature(f)}" for n, f in vars(thing).items() if inspect.isfunction(f) and n[0] != "_"]
        return f"- `{name}`: `{'`, `'.join([*members, *calls])}`. {doc}"
    methods = ""
    if inspect.isclass(thing) and thing.__name__ in ("Session", "Table"):
        own = [(n, f) for n, f in vars(thing).items() if n[0] != "_" and inspect.isfunction(f)]
        methods = " Methods: " + ", ".join(f"`{n}{_signature(f)}`" for n, f in own) + "."
    return f"- `{name}{_signature(thing)}`: {doc}{methods}"


def _signature(thing: Any) -> str:
    try:
        signature = inspect.signature(thing)
    except (TypeError, ValueError):
        return ""
    if inspect.isfunction(thing) and next(iter(signature.parameters), "") == "self":
        signature = signature.replace(parameters=list(signature.parameters.values())[1:])
    text = re.sub(r"(: |-> )(?:'([^']*)'|\"([^\"]*)\")", r"\1\2\3", str(signature))  # annotations are kept as texts
    text = text.removesuffix(" -> None") if inspect.isclass(thing) else text
    return re.sub(r"catchpot(\.\w+)+\.", "", text).replace("<factory>", "...")


def shown() -> list[str]:
    """The lines that stand in the guide."""
    part = GUIDE.read_text(encoding="utf-8").split(BEGIN)[1].split(END)[0]
    return [line for line in part.splitlines() if line.strip()]


def write() -> None:
    """Put the lines into the guide."""
    before, rest = GUIDE.read_text(encoding="utf-8").split(BEGIN)
    text = "\n".join(lines())
    GUIDE.write_text(f"{before}{BEGIN}\n{text}\n{END}{rest.split(END)[1]}", encoding="utf-8")


if __name__ == "__main__":
    write()
