"""What figures of a page have in common (times, shots' names, how a line is drawn) is written once."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
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
    keys: dict[int, str] = {}
    seen: dict[str, int] = {}
    for figure in figures:
        _count(figure, keys, seen, outermost=True)
    places: dict[str, int] = {}
    slim = [_slim(figure, keys, seen, places, outermost=True) for figure in figures]
    return [json.loads(key) for key in places], slim


def _count(value: Any, keys: dict[int, str], seen: dict[str, int], *, outermost: bool = False) -> None:
    """Count how often each value worth sharing stands in a value. keys: what tells it from others, by identity."""
    if not isinstance(value, str | list | dict):
        return
    if not outermost:
        key = keys.get(id(value)) or json.dumps(value)
        if len(key) < SHORTEST:
            return  # nor is anything within it worth sharing
        keys[id(value)] = key
        seen[key] = seen.get(key, 0) + 1
    for one in _inner(value):
        _count(one, keys, seen)


def _slim(
    value: Any, keys: dict[int, str], seen: dict[str, int], places: dict[str, int], *, outermost: bool = False
) -> Any:
    key = None if outermost else keys.get(id(value))
    if key is not None and seen[key] > 1:
        return {"$": places.setdefault(key, len(places))}
    if isinstance(value, dict):
        return {k: _slim(v, keys, seen, places) for k, v in value.items()}
    if isinstance(value, list) and not _flat(value):
        return [_slim(v, keys, seen, places) for v in value]
    return value


def _inner(value: Any) -> Iterable[Any]:
    if isinstance(value, dict):
        return value.values()
    return value if isinstance(value, list) and not _flat(value) else ()


def _flat(value: list[Any]) -> bool:
    """Whether a list holds nothing but single values, which are shared with the list or not at all."""
    return not any(isinstance(v, dict | list) for v in value)


__all__ = ["pooled"]
