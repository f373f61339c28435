"""Pages to print that stand by themselves: one head and one ground for all, each with its own style and body."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from catchpot.report import theme

if TYPE_CHECKING:
    from jinja2 import Template

_HEAD = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="catchpot">
<title>{{ title }}</title>
<style>
@page{size:A4;margin:12mm}
*{box-sizing:border-box}
body{font:15px/1.45 {{ font|safe }};color:{{ ink }};background:{{ paper }};max-width:46rem;margin:0 auto;padding:1rem}
.quiet{color:{{ muted }}}
"""


def page(title: str, style: str, body: str, filters: Mapping[str, Callable[..., Any]], **content: Any) -> str:
    """A page as text; whatever of it comes from the book or a log is escaped.

    style: rules, which may name the theme's ink, paper, muted and rule as {{ ink }}. body: a template of what stands
    in the page's body.
    """
    look = {"font": theme.FONT} | {n: theme.LIGHT[n] for n in ("ink", "paper", "muted", "rule")}
    whole = f"{_HEAD}{style}</style>\n</head>\n<body><main>\n{body}</main></body></html>\n"
    return _template(whole, tuple(filters.items())).render(title=title, **look, **content)


@lru_cache(maxsize=8)
def _template(text: str, filters: tuple[tuple[str, Callable[..., Any]], ...]) -> Template:
    """Compiled once for all sheets of a report."""
    from jinja2 import Environment, StrictUndefined

    made = Environment(autoescape=True, undefined=StrictUndefined)
    made.filters.update(filters)
    return made.from_string(text)


__all__ = ["page"]
