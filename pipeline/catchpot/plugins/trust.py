"""Whether drop-in plugins may run. Each is code; the answer is kept with the user, by each file's content."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from pathlib import Path

from catchpot.whole import WriteError, make_folder, write_whole


def settings_file() -> Path:
    """Where the answers are kept: catchpot/trusted.json in the user's settings folder."""
    base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "catchpot" / "trusted.json"


def answers(folder: Path, files: Mapping[str, str]) -> dict[str, bool | None]:
    """What the user said about files of this plugins folder, by their content.

    files: name -> SHA-256 of the bytes. None where nobody asked yet, or where the file was changed since.
    """
    known = _answers().get(str(folder.resolve()))
    said: dict[str, bool | None] = {}
    for name, digest in files.items():
        given = known.get(name) if isinstance(known, dict) else None
        same = isinstance(given, dict) and given.get("sha256") == digest and isinstance(given.get("run"), bool)
        said[name] = given["run"] if same and given is not None else None
    return said


def keep(folder: Path, files: Mapping[str, str], run: bool) -> str | None:
    """Keep the answer about files with this content; a sentence where that was not possible."""
    file = settings_file()
    known = _answers()
    place = str(folder.resolve())
    before = known.get(place)
    fresh = {name: {"sha256": digest, "run": run} for name, digest in files.items()}
    known[place] = (before if isinstance(before, dict) else {}) | fresh
    try:
        make_folder(file.parent, through_links=True)
        write_whole(file, json.dumps(known, indent=2, sort_keys=True) + "\n")
    except WriteError as error:
        return f"the answer about {folder} could not be kept and holds for this run: {error}"
    return None


def ask(folder: Path, names: list[str]) -> bool | None:
    """Ask at the terminal; None where there is no terminal to ask at."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return None
    print(f"{folder} holds plugins: {', '.join(names)}. They are code and can do whatever you can.", file=sys.stderr)
    print("Run them, now and later? [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def _answers() -> dict[str, object]:
    try:
        given = json.loads(settings_file().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return given if isinstance(given, dict) else {}
