"""What a process computes with: versions and code. Results of processes that differ in these are never put together."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

PACKAGES = ("numpy", "polars", "scipy", "scikit-learn", "ruptures", "pydantic")
"""What results may depend on, beside Python and our own code."""


@dataclass(frozen=True)
class Program:
    """module: of the analysis. parts: name -> version or digest of the code. where: the machine; no part of what is
    compared."""

    module: str
    parts: Mapping[str, str]
    where: str = field(default="", compare=False)


@dataclass(frozen=True)
class Differs:
    """Said by a process that runs another program."""

    own: Program


@cache
def program_of(module: str) -> Program:
    """What this process would compute an analysis of that module with."""
    import importlib
    import platform
    from importlib.metadata import PackageNotFoundError, version

    import catchpot
    from catchpot.plugins.sources import code_digest

    parts = {"Python": ".".join(platform.python_version_tuple()[:2])}
    for name in PACKAGES:
        try:
            parts[name] = version(name)
        except PackageNotFoundError:
            parts[name] = "not there"
    parts["catchpot"] = f"{catchpot.__version__}, code {code_digest(catchpot)[:12]}"
    top = module.partition(".")[0]
    try:
        parts[f"the plugin {top}"] = f"code {code_digest(importlib.import_module(top))[:12]}"
    except ImportError:
        parts[f"the plugin {top}"] = "not there"
    return Program(module, parts, socket.gethostname())


def difference(differs: Differs, here: Program) -> str:
    """In a sentence what the other process has and this one has not.

    >>> here = Program("m", {"numpy": "2.4", "polars": "2.1"})
    >>> difference(Differs(Program("m", {"numpy": "2.3", "polars": "2.1"}, "north")), here).partition(": ")[2]
    'numpy is 2.3 there and 2.4 here; install the same on both and run again'
    """
    own = differs.own
    said = [
        f"{name} is {own.parts.get(name, 'not there')} there and {value} here"
        for name, value in here.parts.items()
        if own.parts.get(name) != value
    ]
    return (
        f"a process of the engine on {own.where} runs another program, so nothing was computed there: "
        f"{', '.join(said)}; install the same on both and run again"
    )


__all__ = ["Differs", "Program", "difference", "program_of"]
