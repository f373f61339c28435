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
    """A path of dots: strokes without length, whose round ends make the dot.

    >>> points([(0.1, 30.0), (0.2, 25.5)])
    'M100 30h0m100-4.5h0'
    """
    path, last = [], None
    for point in at:
        spot = _tenths(point)
        path.append(f"M{_written(spot)}h0" if last is None else f"m{_written(_step(last, spot))}h0")
        last = spot
    return "".join(path)


def line(at: Sequence[tuple[float, float] | None]) -> str:
    """A path through points; None lifts the pen. Each point is written as a step from the one before: half as long.

    >>> line([(0.1, 30.0), (0.2, 25.5), (0.3, 25.5), None, (0.5, 40.0), (0.6, 39.9)])
    'M100 30l100-4.5 100 0M500 40l100-.1'
    """
    path: list[str] = []
    last: tuple[int, int] | None = None
    steps = False
    for point in at:
        if point is None:
            last = None
            continue
        spot = _tenths(point)
        if last is None:
            path.append(f"M{_written(spot)}")
            steps = False
        else:
            step = _written(_step(last, spot))
            path.append(f"l{step}" if not steps else step if step.startswith("-") else f" {step}")
            steps = True
        last = spot
    return "".join(path)


def _tenths(point: tuple[float, float]) -> tuple[int, int]:
    """A point on the drawing's grid of tenths, so that steps add up."""
    x, y = point
    return round(10 * WIDE * min(max(x, -9.0), 9.0)), round(10 * min(max(y, -9999.0), 9999.0))


def _step(a: tuple[int, int], b: tuple[int, int]) -> tuple[int, int]:
    return b[0] - a[0], b[1] - a[1]


def _written(tenths: tuple[int, int]) -> str:
    """Two numbers of a path; a minus needs no space before it."""
    x, y = map(_tenth, tenths)
    return f"{x}{y}" if y.startswith("-") else f"{x} {y}"


def _tenth(value: int) -> str:
    whole, rest = divmod(abs(value), 10)
    sign = "-" if value < 0 else ""
    return f"{sign}{whole or '' if rest else whole}{f'.{rest}' if rest else ''}"


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
