"""The strokes of a drawn figure: points, lines, bars, shapes and words as SVG, in the house's colours by class.

Across, all is drawn on a scale of 0 to 1000 that the page stretches to its width (lines keep their thickness); down, a
unit is a pixel. Words stand beside the stretched part, at shares of the width, and keep their size.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence

from catchpot.report import theme

WIDE = 1000
_ROLE = {pair[0].lower(): role for role, pair in theme.COLOURS.items()}
_HEX = re.compile(r"#[0-9a-fA-F]{3,8}\Z")
_DASH = {"dot": "d1", "dash": "d2", "longdash": "d2", "dashdot": "d3", "longdashdot": "d3"}
_TAG = re.compile(r"</?(?:b|i|em|strong|sub|sup)>", re.I)


def colour(paint: str, value: object, *extra: str) -> str:
    """Attributes that give a stroke ("s") or fill ("f") a colour of the house; other colours stand as they are."""
    text = str(value or "")
    role = _ROLE.get(text.lower())
    names = " ".join(filter(None, ([f"{paint}-{role}"] if role else []) + list(extra)))
    own = f' {"stroke" if paint == "s" else "fill"}="{text}"' if role is None and _HEX.match(text) else ""
    return (f' class="{names}"' if names else "") + own


def dash(kind: object) -> str:
    """The class of a dashed line, empty for a solid one."""
    return _DASH.get(str(kind or ""), "")


def across(share: float) -> str:
    """A share of the width on the stretched scale, cut at what a drawing can hold."""
    return (
        f"{WIDE * min(max(share, -9.0), 9.0):.4g}" if abs(share) < 1e-3 else f"{WIDE * min(max(share, -9.0), 9.0):.1f}"
    )


def down(y: float) -> str:
    """A height in pixels."""
    return f"{min(max(y, -9999.0), 9999.0):.1f}".removesuffix(".0")


def percent(share: float) -> str:
    """A share of the width as a percentage."""
    return f"{100 * share:.2f}".rstrip("0").rstrip(".") + "%"


def points(at: Iterable[tuple[float, float]]) -> str:
    """A path of dots: strokes without length, whose round ends make the dot."""
    return "".join(f"M{across(x)} {down(y)}h0" for x, y in at)


def line(at: Sequence[tuple[float, float] | None]) -> str:
    """A path through points; None lifts the pen."""
    path, pen = [], "M"
    for point in at:
        if point is None:
            pen = "M"
            continue
        path.append(f"{pen}{across(point[0])} {down(point[1])}")
        pen = "L"
    return "".join(path)


def words(
    text: str,
    share: float,
    y: float,
    *,
    anchor: str = "middle",
    shift: float = 0.0,
    names: str = "",
    size: float = 12.0,
) -> str:
    """Lines of words at a share of the width; the first line's foot stands at `y`."""
    made = []
    for n, one in enumerate(re.split(r"<br\s*/?>", text)):
        bold = " b" if one.startswith("<b>") else ""
        plain = html.escape(html.unescape(_TAG.sub("", one)))
        kind = f' class="{(names + bold).strip()}"' if names or bold else ""
        ends = "" if anchor == "middle" else f' text-anchor="{anchor}"'
        aside = f' dx="{down(shift)}"' if shift else ""
        made.append(f'<text x="{percent(share)}" y="{down(y + n * 1.25 * size)}"{ends}{aside}{kind}>{plain}</text>')
    return "".join(made)


def lines_of(text: str) -> list[str]:
    """The lines of a figure's words, without their marks."""
    return [html.unescape(_TAG.sub("", one)) for one in re.split(r"<br\s*/?>", text)]


__all__ = ["WIDE", "across", "colour", "dash", "down", "line", "lines_of", "percent", "points", "words"]
