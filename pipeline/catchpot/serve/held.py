"""Pages held in memory instead of written: made when asked for, kept while nothing they are made from changes."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from catchpot.report.pages import Pages

MOST_BYTES = 150_000_000
"""Held at once; what was made first goes first and is made again when it is asked for."""


@dataclass
class Held(Pages):
    """Like `Pages` over the folder of a report, which is only read. texts: what was made; earlier: that of before."""

    texts: dict[str, bytes] = field(default_factory=dict)
    earlier: Held | None = None

    def put(self, name: str, text: str, *, key: str = "", note: Any = None) -> Path:
        """Hold a page or file of the report."""
        data = text.encode("utf-8", "backslashreplace")
        self.made[name] = {"key": self.full(key), "note": note, "bytes": len(data)}
        self._hold(name, data)
        return self.out / name

    def unchanged(self, name: str, key: str) -> bool:
        """Whether it is held, or lies in the report's folder, made from the same (key)."""
        if not key:
            return False
        if name in self.texts and self.made[name].get("key") == self.full(key):
            return True
        before = self.earlier
        if before is not None and name in before.texts and before.made[name].get("key") == self.full(key):
            self.made[name] = before.made[name]
            self._hold(name, before.texts[name])
            return True
        return super().unchanged(name, key)

    def remembered(self, name: str) -> Any:
        """The note kept with a page, of this or an earlier state."""
        known = (self.made, self.earlier.made if self.earlier is not None else {})
        note = next((m[name]["note"] for m in known if name in m), None)
        return note if note is not None else super().remembered(name)

    def text(self, name: str) -> bytes | None:
        """What is held of this name, or lies in the report's folder as it was written; None where it is neither."""
        if name in self.texts:
            return self.texts[name]
        known = self.made.get(name)
        if known is None:
            return None
        try:
            data = (self.out / name).read_bytes()
        except OSError:
            data = b""
        if len(data) == known.get("bytes"):
            return data
        del self.made[name]  # written anew meanwhile
        return None

    def let_go(self) -> None:
        """Forget the state before this one."""
        self.earlier = None

    def _hold(self, name: str, data: bytes) -> None:
        self.texts.pop(name, None)
        self.texts[name] = data
        total = sum(map(len, self.texts.values()))
        for old in list(self.texts):
            if total <= MOST_BYTES or old == name:
                break
            total -= len(self.texts.pop(old))


__all__ = ["Held"]
