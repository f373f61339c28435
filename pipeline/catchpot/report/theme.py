"""The look: our own colours, light and dark, and the one place where figures are configured.

Figures are written in the light colours; the page swaps each for its dark fellow when the reader's system asks for it,
and swaps back for printing. So a figure stays a plain, valid plotly dict.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

# role: (light, dark). Text roles keep a contrast of at least 4.5 against paper; a test holds it.
COLOURS: dict[str, tuple[str, str]] = {
    "paper": ("#ffffff", "#15191d"),
    "ink": ("#1c2126", "#e4e8eb"),
    "muted": ("#59636c", "#a5b0b9"),
    "rule": ("#dde2e6", "#323a42"),
    "frame": ("#8a949d", "#6f7a84"),
    "main": ("#1f5f73", "#7cc3d8"),
    "second": ("#8f5312", "#e3ab66"),
    "third": ("#6a3d7d", "#cda4dc"),
    "fourth": ("#4c5d24", "#b3c877"),
    "band": ("#d6e6ea", "#1f3d47"),
    "spec": ("#efe6d8", "#40331f"),
    "odd": ("#f3d9d2", "#54302a"),
    "fault": ("#9c2f1c", "#f0937f"),
    "ground": ("#f1f3f4", "#1f252a"),
}
LIGHT = {role: pair[0] for role, pair in COLOURS.items()}
DARK_OF = dict(COLOURS.values())
SERIES = tuple(LIGHT[r] for r in ("main", "second", "third", "fourth"))
DASHES = ("solid", "dash", "dot", "dashdot")
SYMBOLS = ("circle", "square-open", "diamond", "cross-thin-open")
FONT = "'Liberation Sans', Arimo, Helvetica, Arial, sans-serif"

# The only place where figures are configured: nothing that points outside, no logo, nothing to press by accident.
CONFIG: dict[str, Any] = {
    "displayModeBar": False,
    "displaylogo": False,
    "showSendToCloud": False,
    "showLink": False,
    "showEditInChartStudio": False,
    "plotlyServerURL": "",
    "topojsonURL": "",
    "responsive": True,
    "scrollZoom": False,
    "editable": False,
    "doubleClick": "reset",
    "locale": "en",
}


def axis(**more: Any) -> dict[str, Any]:
    """An axis of the house: hairline grid, no zero line, ticks outside."""
    base: dict[str, Any] = {
        "gridcolor": LIGHT["rule"],
        "linecolor": LIGHT["frame"],
        "linewidth": 1,
        "showline": True,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": LIGHT["frame"],
        "automargin": True,
        "title": {"font": {"size": 13}, "standoff": 8},
        "exponentformat": "power",
        "minexponent": 5,
    }
    return merged(base, more)


def layout(**more: Any) -> dict[str, Any]:
    """Layout of the house; figures override what they need."""
    base: dict[str, Any] = {
        "font": {"family": FONT, "size": 13, "color": LIGHT["ink"]},
        "paper_bgcolor": LIGHT["paper"],
        "plot_bgcolor": LIGHT["paper"],
        "colorway": list(SERIES),
        "margin": {"l": 56, "r": 16, "t": 24, "b": 40},
        "hovermode": "closest",
        "hoverlabel": {
            "bgcolor": LIGHT["ground"],
            "bordercolor": LIGHT["frame"],
            "font": {"color": LIGHT["ink"], "family": FONT, "size": 13},
            "align": "left",
        },
        "dragmode": "zoom",
        "showlegend": False,
        # Below the figure: a legend at the right is cut by the printer.
        "legend": {
            "orientation": "h",
            "x": 0,
            "xanchor": "left",
            "y": 0,
            "yanchor": "bottom",
            "yref": "container",
            "bgcolor": "rgba(0,0,0,0)",
        },
    }
    return merged(base, more)


def merged(base: Mapping[str, Any], more: Mapping[str, Any]) -> dict[str, Any]:
    """Deep merge of mappings; lists and scalars of `more` win."""
    result = dict(base)
    for key, value in more.items():
        old = result.get(key)
        result[key] = merged(old, value) if isinstance(old, Mapping) and isinstance(value, Mapping) else value
    return result


def plain_figure(figure: Any) -> dict[str, Any]:
    """Any figure (plain dict or plotly Figure) as a plain dict of plain values, without its template."""
    plain = figure.to_plotly_json() if hasattr(figure, "to_plotly_json") else figure
    own = {k: v for k, v in dict(plain.get("layout", {})).items() if k != "template"}
    made: dict[str, Any] = _plain({"data": [dict(trace) for trace in plain.get("data", ())], "layout": own})
    return made


def styled(figure: Any) -> dict[str, Any]:
    """Any figure on the house's layout, as the page's script puts it there; its own settings win."""
    plain = plain_figure(figure)
    own = {k: axis(**v) if _is_axis(k) and isinstance(v, Mapping) else v for k, v in plain["layout"].items()}
    for name in ("xaxis", "yaxis"):
        own.setdefault(name, axis())
    return {"data": plain["data"], "layout": layout(**own)}


def _is_axis(key: str) -> bool:
    return key.startswith(("xaxis", "yaxis"))


def _plain(value: Any) -> Any:
    """JSON-ready: arrays as lists, floats at seven significant digits, NaN and infinity as null."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (str, bool)) or value is None:
        return value
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return _short(value)
    if type(value) is list:
        return [_short(v) if type(v) is float else v if type(v) is str else _plain(v) for v in value]
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if hasattr(value, "to_list"):
        return _plain(value.to_list())
    return [_plain(v) for v in value]


def _short(value: float) -> float | None:
    return float(f"{value:.7g}") if math.isfinite(value) else None


def to_script_json(value: Any) -> str:
    """JSON that can stand inside a <script> element: no `<`, `>`, `&` or line separators can end or open anything.

    >>> to_script_json({"a": "</script>"})
    '{"a":"\\\\u003c/script\\\\u003e"}'
    """
    return dumped(_plain(value))


def dumped(plain: Any) -> str:
    """Plain values (of `plain_figure`, say) as JSON that can stand inside a <script> element."""
    text = json.dumps(plain, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return text


def css_variables() -> str:
    """The colours as CSS custom properties: light, dark on the system's wish, light again on paper; and the classes
    that strokes and fills of drawn figures have."""
    light = "".join(f"--{role}:{pair[0]};" for role, pair in COLOURS.items())
    dark = "".join(f"--{role}:{pair[1]};" for role, pair in COLOURS.items())
    drawn = "".join(f".s-{role}{{stroke:var(--{role})}}.fig .f-{role}{{fill:var(--{role})}}\n" for role in COLOURS)
    return (
        f":root{{{light}color-scheme:light dark}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        + drawn
    )


def script_settings(decimal: str = ".") -> str:
    """What the page's script has to know to bring a figure to life, as JSON. decimal: the mark in numbers."""
    base = layout(separators=decimal)
    return to_script_json(
        {"config": CONFIG, "dark": DARK_OF, "layout": base, "axis": axis(), "roles": LIGHT, "decimal": decimal}
    )


__all__ = [
    "COLOURS", "CONFIG", "DARK_OF", "DASHES", "FONT", "LIGHT", "SERIES", "SYMBOLS", "axis", "css_variables", "dumped",
    "layout",
    "merged", "plain_figure", "script_settings", "styled", "to_script_json",
]  # fmt: skip
