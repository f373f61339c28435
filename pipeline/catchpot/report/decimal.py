"""Decimal commas on pages where the workshop writes them, put in where a page is finished: here and nowhere else."""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Any

# A number with a decimal point that stands alone: no version, date, file, name or address has its parts changed.
_NUMBER = re.compile(r"(?<!\w-)(?<![\w.,/:#@])(\d+)\.(\d+)(?![\w/@-]|[.,:]\d|\.\w)")
_KEPT = re.compile(r"<(script|style|code|option|title)\b.*?</\1>|<[^>]*>", re.S)
_SHOWN = ("text", "name")


def with_comma(text: str, names: Collection[str] = ()) -> str:
    """A text with its numbers' decimal points as commas. names: words that look like numbers and are none.

    >>> with_comma("2.61 l (95 %: 2.59 to 2.63), version 0.1.0, batch B-1.5, -1.5, 1.5e-3")
    '2,61 l (95 %: 2,59 to 2,63), version 0.1.0, batch B-1.5, -1,5, 1.5e-3'
    >>> with_comma("shot 12.5 took 2.5 l", {"12.5"})
    'shot 12.5 took 2,5 l'
    """
    return _NUMBER.sub(lambda m: m[0] if m[0] in names else f"{m[1]},{m[2]}", text)


def page_with_comma(page: str, names: Collection[str] = ()) -> str:
    """A page with decimal commas in what is read; tags, scripts, code and what a form chooses from stay as they are.

    >>> page_with_comma('<p title="1.5">1.5 l, <code>note 1.5</code></p>')
    '<p title="1.5">1,5 l, <code>note 1.5</code></p>'
    """
    made, last = [], 0
    for kept in _KEPT.finditer(page):
        made += [with_comma(page[last : kept.start()], names), kept[0]]
        last = kept.end()
    return "".join([*made, with_comma(page[last:], names)])


def figure_with_comma(value: Any, names: Collection[str] = (), key: str = "") -> Any:
    """A figure's plain data with decimal commas in its words; its numbers are numbers and stay."""
    if isinstance(value, dict):
        return {k: figure_with_comma(v, names, k) for k, v in value.items()}
    if isinstance(value, list):
        return [figure_with_comma(v, names, key) for v in value] if value and not isinstance(value[0], float) else value
    return with_comma(value, names) if isinstance(value, str) and key in _SHOWN else value


__all__ = ["figure_with_comma", "page_with_comma", "with_comma"]
