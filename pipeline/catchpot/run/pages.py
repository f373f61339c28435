"""Whether the pages that stand are those that would be written now: a run with nothing new leaves them alone."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from catchpot.store import Store
from catchpot.whole import write_whole

if TYPE_CHECKING:
    from catchpot.plugins import Registry
    from catchpot.workshop import Workshop

STAMP = ".made-of.json"
FILES = ("catchpot.toml", "moulds.toml", "events.csv", "parts.csv")


def made_of(workshop: Workshop, registry: Registry, away: Sequence[str]) -> str:
    """Digest of all that a report is made of: what is stored and under which keys, the workshop's files, the program.

    away: analyses that have results and can't be computed now.
    """
    import catchpot.report
    from catchpot import __version__
    from catchpot.plugins.sources import code_digest

    with Store(workshop.store_path).reading() as r:
        stored = r.state()
    files = [hashlib.sha256(p.read_bytes()).hexdigest() if (p := workshop.home / f).is_file() else "" for f in FILES]
    said = [workshop.stale_sentence() if workshop.stale else "", *map(str, workshop.lacking), *registry.warnings]
    plugins = [[p.name, p.digest] for p in registry.plugins]
    text = json.dumps([__version__, code_digest(catchpot.report), stored, files, said, plugins, sorted(away)])
    return hashlib.sha256(text.encode()).hexdigest()


def stand(folder: Path, key: str) -> bool:
    """Whether the pages in a folder were made of just this, and none was changed or taken away since."""
    try:
        told = json.loads((folder / STAMP).read_text(encoding="utf-8"))
        return bool(told["key"] == key and told["pages"] and told["pages"] == _seen(folder, told["pages"]))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def board(folder: Path) -> tuple[str, ...]:
    """What was said for a terminal beside the pages that stand."""
    return tuple(json.loads((folder / STAMP).read_text(encoding="utf-8")).get("board", ()))


def remember(folder: Path, key: str, pages: Sequence[Path], board: Sequence[str] = ()) -> None:
    """Note what the pages were made of. board: what was said for a terminal beside them."""
    try:
        seen = _seen(folder, [p.relative_to(folder).as_posix() for p in pages])
        write_whole(folder / STAMP, json.dumps({"key": key, "pages": seen, "board": list(board)}) + "\n")
    except (OSError, ValueError):
        return  # then they are written anew next time


def _seen(folder: Path, names: Sequence[str]) -> dict[str, list[int]]:
    return {n: [(s := (folder / n).stat()).st_size, s.st_mtime_ns] for n in names}


__all__ = ["board", "made_of", "remember", "stand"]
