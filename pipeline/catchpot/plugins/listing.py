"""What `catchpot plugins` shows. Loading every plugin takes a second, so what a sound one registers is kept beside.

What is kept goes by all that it can depend on that lies on the disk: the files of the core and of every plugin, the
settings, what is trusted, which packages are installed. Nothing is kept while anything is wrong, so that an error is
always that of this moment.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

from catchpot.plugins import sources, trust
from catchpot.whole import WriteError, make_folder, user_cache, write_whole


@dataclass
class Listing:
    """One row a plugin, its lines, and analyses whose results are kept though nobody computes them now.

    warnings: sentences for stderr. sound: nothing is wrong with any plugin.
    """

    rows: list[dict[str, Any]]
    kept: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    sound: bool = True

    def sentences(self) -> list[str]:
        """The lines to print."""
        lines = [line for row in self.rows for line in _lines(row)]
        return [
            *lines,
            *(f"{k} - not in use; its results are kept, not recomputed since (plugins forget {k})" for k in self.kept),
        ]


def listing(home: Path, *, trust_plugins: bool = False) -> Listing:
    """The plugins of a workshop: as they were kept where nothing changed since, else loaded now."""
    place = _place(home)
    key = "" if trust_plugins else _key(home)
    known = _known(place)
    if key and known.get("key") == key:
        return Listing(known["rows"], known["kept"])
    from catchpot.plugins import load
    from catchpot.run.execute import away, make_plan
    from catchpot.workshop import open_with_last_good

    workshop = open_with_last_good(home)
    registry = load(workshop, trust=trust_plugins)
    problems = {p.analysis: p for p in make_plan(registry).problems}
    spent = _seconds(workshop.store_path)
    rows = registry.as_rows()
    for row in rows:
        row["seconds"] = round(sum(spent.get(name, 0.0) for name in row["analyses"]), 1)
        row["errors"] += [str(p) for p in problems.values() if p.plugin == row["plugin"]]
    found = Listing(rows, away(workshop, registry), list(registry.warnings), not registry.broken and not problems)
    if found.sound and not found.warnings:
        # Loading may have kept an answer about trust, or the store may have been made: the key is that of now.
        _keep(place, {"key": _key(home), "rows": rows, "kept": found.kept})
    return found


def _seconds(path: Path) -> Mapping[str, float]:
    """Seconds that each analysis's stored results took, by the ledger."""
    from catchpot.store import Store

    with Store(path).reading() as r:
        ledger = r.ledger()
    took: dict[str, float] = {}
    for analysis, seconds in zip(ledger["analysis"], ledger["seconds"], strict=True):
        took[analysis] = took.get(analysis, 0.0) + (seconds or 0.0)
    return took


def _lines(row: Mapping[str, Any]) -> Iterator[str]:
    has = [f"{k}: {', '.join(row[k])}" for k in ("readers", "analyses", "tables", "sections", "notes") if row[k]]
    head = f"{row['plugin']} ({row['origin']})" if row["origin"] else str(row["plugin"])
    yield f"{head} - {row['state']}" + "".join(f"; {h}" for h in has)
    more = [str(row["trust"])] if row["trust"] else []
    more += [f"SHA-256 {row['digest'][:12]}"] if row["digest"] else []
    more += [f"{k}: {', '.join(row[k])}" for k in ("hooks", "needs") if row[k]]
    more += [f"{row['seconds']:.1f} s in its analyses as they are stored"] if row.get("seconds") else []
    if more:
        yield "  " + "; ".join(more)
    yield from (f"  {e}" for e in row["errors"])


def _place(home: Path) -> Path:
    return user_cache() / f"plugins-{hashlib.sha256(str(home.resolve()).encode()).hexdigest()[:16]}.json"


def _known(place: Path) -> Mapping[str, Any]:
    try:
        known = json.loads(place.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) and isinstance(known.get("rows"), list) else {}


def _keep(place: Path, known: Mapping[str, Any]) -> None:
    with suppress(WriteError, OSError):
        make_folder(place.parent, through_links=True)
        write_whole(place, json.dumps(known))


def _key(home: Path) -> str:
    """Digest of all that the listing depends on."""
    sha = hashlib.sha256(f"{sys.version}\0{sys.executable}\0{home.resolve()}".encode())
    # Installing or removing a package changes the folder it lies in.
    for path in [*(Path(p) for p in sys.path), home / "catchpot.toml", home / "shots.duckdb", trust.settings_file()]:
        sha.update(_state(path))
    for path in _files_of_all(home):
        sha.update(_state(path))
    for source in sources.installed():
        sha.update(source.origin.encode())
    return sha.hexdigest()


def _state(path: Path) -> bytes:
    try:
        stat = path.stat()
    except OSError:
        return f"{path}\0-\0".encode(errors="surrogateescape")
    return f"{path}\0{stat.st_mtime_ns}\0{stat.st_size}\0{stat.st_ino}\0".encode(errors="surrogateescape")


def _files_of_all(home: Path) -> Iterator[Path]:
    """Files of the core, of the plugins' packages, and in the workshop's plugins/."""
    tops = {"catchpot"} | {
        s.place.module.partition(".")[0] for s in sources.installed() if isinstance(s.place, EntryPoint)
    }
    folders: set[Path] = {home / "plugins"}
    for top in sorted(tops):
        try:
            spec = importlib.util.find_spec(top)
        except (ImportError, ValueError):
            continue
        folders |= {Path(p) for p in (spec.submodule_search_locations or ())} if spec else set()
        if spec and spec.origin:
            yield Path(spec.origin)
    for folder in sorted(folders):
        yield from sorted(_walk(folder))


def _walk(folder: Path) -> Iterator[Path]:
    for place, _, names in os.walk(folder):
        if not place.endswith("__pycache__"):
            yield from (Path(place) / n for n in names)


__all__ = ["Listing", "listing"]
