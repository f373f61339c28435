"""Whether a workshop's drop-in plugins may run. They are code; the answer is kept with the user."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

from catchpot.whole import WriteError, make_folder, write_whole


def settings_file() -> Path:
    """Where the answers are kept: catchpot/trusted.json in the user's settings folder."""
    base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "catchpot" / "trusted.json"


def answer(folder: Path) -> bool | None:
    """What the user said about this plugins folder; None where nobody asked yet."""
    given = _answers().get(str(folder.resolve()))
    return given if isinstance(given, bool) else None


def keep(folder: Path, trusted: bool) -> str | None:
    """Keep the answer; a sentence where that was not possible."""
    file = settings_file()
    answers = _answers() | {str(folder.resolve()): trusted}
    try:
        make_folder(file.parent, through_links=True)
        write_whole(file, json.dumps(answers, indent=2, sort_keys=True) + "\n")
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
