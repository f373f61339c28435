"""The key beneath a figure: what each mark is, in words, with a small sample of it; a script lets readers hide and show
what an entry names."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from catchpot.report.drawn import strokes


@dataclass
class Key:
    """One entry. traces: which of the figure's traces it names. sample: SVG of the mark, empty for a strip."""

    name: str
    words: str = ""
    traces: list[int] = field(default_factory=list)
    sample: str = ""


def keys_of(figure: Mapping[str, Any]) -> list[Key]:
    """The entries: a figure's own (`layout.meta["key"]`: name, words, traces), else those of its legend."""
    meta = figure["layout"].get("meta")
    if isinstance(meta, Mapping) and isinstance(meta.get("key"), list):
        return [Key(str(k["name"]), str(k.get("words", "")), list(k.get("traces", []))) for k in meta["key"]]
    if not figure["layout"].get("showlegend"):
        return []
    made: dict[str, Key] = {}
    for i, trace in enumerate(figure["data"]):
        name = str(trace.get("legendgroup") or trace.get("name") or "")
        if trace.get("showlegend", True):
            words = html.unescape(str(trace.get("name") or ""))
            key = made.setdefault(name, Key(words))
            key.name, key.sample = words, _sample(trace)
        elif name not in made:
            made[name] = Key("")
        made[name].traces.append(i)
    return [k for k in made.values() if k.name]


def _sample(trace: Mapping[str, Any]) -> str:
    if trace.get("fill") == "tonexty":
        inner = f'<path d="M1 2H23V12H1z"{strokes.colour("f", trace.get("fillcolor"), "s-frame")}/>'
    elif "markers" in trace.get("mode", "lines+markers"):
        size = min(float(trace.get("marker", {}).get("size", 6)) + 1, 8)
        colour = strokes.colour("s", trace.get("marker", {}).get("color"), "p")
        inner = f'<path d="M12 7h0" stroke-width="{size:g}"{colour}/>'
    else:
        about = trace.get("line", {})
        colour = strokes.colour("s", about.get("color"), "l", strokes.dash(about.get("dash")))
        inner = f'<path d="M1 7H23" stroke-width="{float(about.get("width", 2)):g}"{colour}/>'
    return f'<svg class="fig sample" width="24" height="14" aria-hidden="true">{inner}</svg>'


__all__ = ["Key", "keys_of"]
