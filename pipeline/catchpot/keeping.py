"""What analyses keep between runs, as bytes: plain values and arrays, to the last digit, and nothing that could run.

    state = pack({"count": 3, "sums": np.zeros(5)})
    unpack(state)["sums"]

`Worked` remembers what was worked out from which content, so that a history that grew is worked only where it changed.
"""

from __future__ import annotations

import hashlib
import json
import struct
import zlib
from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

if TYPE_CHECKING:
    import polars as pl

T = TypeVar("T")
_HEAD = struct.Struct("<I")
FASTEST = 1
"""Level of compression: what is kept is mostly noise, and is written after every shot."""


class NotKeptError(ValueError):
    """Bytes that no `pack` of this code made, or a value that it can't write."""


def pack(value: Any) -> bytes:
    """None, truth values, numbers, texts, dates, arrays of numbers, and lists, tuples and mappings by text of these.

    Tuples come back as lists.
    """
    arrays: list[np.ndarray[Any, Any]] = []

    def plain(v: Any) -> Any:
        if v is None or isinstance(v, bool | str):
            return v
        if isinstance(v, np.ndarray):
            if v.dtype.kind not in "fiub":
                raise NotKeptError(f"an array of {v.dtype} can't be kept")
            arrays.append(np.ascontiguousarray(v))
            return {"a": [v.dtype.str, list(v.shape)]}
        if isinstance(v, np.generic):
            return plain(v.item())
        if isinstance(v, int | float):
            return v
        if isinstance(v, datetime):
            return {"t": v.isoformat()}
        if isinstance(v, date):
            return {"d": v.isoformat()}
        if isinstance(v, list | tuple):
            return [plain(x) for x in v]
        if isinstance(v, Mapping):
            return {"m": [[str(k), plain(x)] for k, x in v.items()]}
        raise NotKeptError(f"a {type(v).__name__} can't be kept")

    head = json.dumps(plain(value), separators=(",", ":")).encode()
    content = b"".join([_HEAD.pack(len(head)), head, *(a.tobytes() for a in arrays)])
    return zlib.compress(content, FASTEST)


def unpack(state: bytes) -> Any:
    """What `pack` was given; NotKeptError for bytes that it did not make."""
    try:
        content = zlib.decompress(state)
        (length,) = _HEAD.unpack_from(content)
        value = json.loads(content[_HEAD.size : _HEAD.size + length])
        place = _HEAD.size + length

        def back(v: Any) -> Any:
            nonlocal place
            if isinstance(v, list):
                return [back(x) for x in v]
            if not isinstance(v, dict):
                return v
            [(kind, held)] = v.items()
            if kind == "a":
                dtype, shape = np.dtype(held[0]), tuple(held[1])
                size = int(np.prod(shape, dtype=np.int64))
                made = np.frombuffer(content, dtype, size, place).reshape(shape).copy()
                place += made.nbytes
                return made
            if kind == "t":
                return datetime.fromisoformat(held)
            return date.fromisoformat(held) if kind == "d" else {k: back(x) for k, x in held}

        return back(value)
    except (zlib.error, struct.error, ValueError, TypeError, AttributeError) as error:
        raise NotKeptError(f"this is nothing that was kept: {error}") from None


def fingerprint(*values: Any) -> str:
    """A digest of values that `pack` takes, and of frames.

    >>> fingerprint(np.zeros(3)) == fingerprint(np.zeros(3)), fingerprint(1, "a") == fingerprint(1, "b")
    (True, False)
    """
    found = hashlib.blake2b(digest_size=12)
    for v in values:
        if isinstance(v, np.ndarray):
            found.update(f"{v.dtype.str}{v.shape}".encode())
            found.update(np.ascontiguousarray(v).tobytes())
        elif hasattr(v, "get_columns"):
            for column in v.get_columns():
                found.update(f"{column.name} {column.dtype} {len(column)}".encode())
                _column(found, column)
        else:
            found.update(repr(v).encode())
        found.update(b"\0")
    return found.hexdigest()


def _column(found: hashlib.blake2b, column: pl.Series) -> None:
    """Digest the values of a column, and where they are null; not how they lie in memory."""
    import polars as pl

    while column.dtype.is_nested():
        found.update(column.is_null().to_numpy().tobytes())
        column = column.explode(empty_as_null=True)
    if column.dtype == pl.String:
        found.update("\0".join("\1" if t is None else t for t in column).encode())
        return
    found.update(column.is_null().to_numpy().tobytes())
    found.update(np.ascontiguousarray(column.to_physical().fill_null(0).to_numpy()).tobytes())


class Worked:
    """What was worked out before, by the content it was worked out from; only what is asked for again stays.

    >>> w = Worked(None)
    >>> w.out("sum", (1, 2), lambda: 3), Worked(w.state()).out("sum", (1, 2), lambda: 99)
    (3, 3)
    """

    def __init__(self, state: bytes | None) -> None:
        self._before: dict[str, Any] = {}
        if state is not None:
            try:
                self._before = dict(unpack(state))
            except NotKeptError:
                self._before = {}
        self._now: dict[str, Any] = {}

    def out(self, what: str, content: tuple[Any, ...], work: Callable[[], T]) -> T:
        """What `work` gives, or gave when it had this content. Its value must be one that `pack` gives back as it was:
        lists, not tuples."""
        key = f"{what} {fingerprint(*content)}"
        if key not in self._now:
            self._now[key] = self._before[key] if key in self._before else work()
        value: T = self._now[key]
        return value

    def state(self) -> bytes:
        """What to keep."""
        return pack(self._now)


__all__ = ["NotKeptError", "Worked", "fingerprint", "pack", "unpack"]
