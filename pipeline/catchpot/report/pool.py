"""What figures of a page have in common (times, shots' names, how a line is drawn) is written once."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

SHORTEST = 24
"""Characters that a value takes at least for a reference to be worth it."""


def pooled(figures: Sequence[Any]) -> tuple[list[Any], list[Any]]:
    """The shared values, and the figures with each of them replaced by {"$": its place}.

    figures: plain JSON-like values. Lists, mappings and texts that stand twice or more are shared, the largest of those
    that lie within one another.

    >>> pooled([{"x": [100.5, 200.5, 300.5, 400.5]}, {"x": [100.5, 200.5, 300.5, 400.5]}])
    ([[100.5, 200.5, 300.5, 400.5]], [{'x': {'$': 0}}, {'x': {'$': 0}}])
    """
    seen: dict[str, int] = {}
    for figure in figures:
        for key in _keys(figure, outermost=True):
            seen[key] = seen.get(key, 0) + 1
    places: dict[str, int] = {}
    slim = [_slim(figure, seen, places, outermost=True) for figure in figures]
    return [json.loads(key) for key in places], slim


def _key(value: Any) -> str | None:
    """What tells a value that may be shared from others; None for one that is not worth it."""
    if not isinstance(value, str | list | dict):
        return None
    key = json.dumps(value)
    return key if len(key) >= SHORTEST else None


def _keys(value: Any, *, outermost: bool = False) -> Iterator[str]:
    key = None if outermost else _key(value)
    if key is not None:
        yield key
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) and not _flat(value) else ()
    for one in inner:
        yield from _keys(one)


def _slim(value: Any, seen: dict[str, int], places: dict[str, int], *, outermost: bool = False) -> Any:
    key = None if outermost else _key(value)
    if key is not None and seen.get(key, 0) > 1:
        return {"$": places.setdefault(key, len(places))}
    if isinstance(value, dict):
        return {k: _slim(v, seen, places) for k, v in value.items()}
    if isinstance(value, list) and not _flat(value):
        return [_slim(v, seen, places) for v in value]
    return value


def _flat(value: list[Any]) -> bool:
    """Whether a list holds nothing but single values, which are shared with the list or not at all."""
    return not any(isinstance(v, dict | list) for v in value)


__all__ = ["pooled"]
