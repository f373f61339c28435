"""Arrays that several figures of a page share (times, shots' names) are written once."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

SHORTEST = 6
"""Arrays with fewer entries are not worth a reference."""


def pooled(figures: Sequence[Any]) -> tuple[list[Any], list[Any]]:
    """The shared arrays, and the figures with each of them replaced by {"$": its place}.

    figures: plain JSON-like values.

    >>> pooled([{"x": [1, 2, 3, 4, 5, 6]}, {"x": [1, 2, 3, 4, 5, 6]}])
    ([[1, 2, 3, 4, 5, 6]], [{'x': {'$': 0}}, {'x': {'$': 0}}])
    """
    seen: dict[str, int] = {}
    for figure in figures:
        for array in _arrays(figure):
            key = json.dumps(array)
            seen[key] = seen.get(key, 0) + 1
    places = {key: i for i, key in enumerate(k for k, n in seen.items() if n > 1)}
    return [json.loads(key) for key in places], [_slim(figure, places) for figure in figures]


def _arrays(value: Any) -> Iterator[list[Any]]:
    if isinstance(value, dict):
        for v in value.values():
            yield from _arrays(v)
    elif isinstance(value, list):
        if len(value) >= SHORTEST and not any(isinstance(v, dict | list) for v in value):
            yield value
        else:
            for v in value:
                yield from _arrays(v)


def _slim(value: Any, places: dict[str, int]) -> Any:
    if isinstance(value, dict):
        return {k: _slim(v, places) for k, v in value.items()}
    if isinstance(value, list):
        if len(value) >= SHORTEST and (place := places.get(json.dumps(value) if _flat(value) else "")) is not None:
            return {"$": place}
        return [_slim(v, places) for v in value] if not _flat(value) else value
    return value


def _flat(value: list[Any]) -> bool:
    return not any(isinstance(v, dict | list) for v in value)


__all__ = ["pooled"]
