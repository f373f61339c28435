"""The templates; compiled, they are kept for the next process: compiling takes as long as filling them in for moulds.

What is kept is code, so it lies in the user's own cache folder, never in a workshop, which may have come from
elsewhere. A folder that others may write to, or that is not the user's, is not used.
"""

from __future__ import annotations

import os
import stat
import sys
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from catchpot.report import words
from catchpot.report.shown_text import shown_text
from catchpot.whole import user_cache

if TYPE_CHECKING:
    from jinja2 import Environment, FileSystemBytecodeCache


@cache
def environment() -> Environment:
    """The templates, for all reports of a process."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("catchpot.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        bytecode_cache=compiled_templates(),
    )
    made.filters.update(day=words.day, minute=words.minute, count=words.count, listed=words.listed, tied=shown_text)
    return made


def cache_folder() -> Path:
    """catchpot/templates in the user's cache folder."""
    return user_cache() / "templates"


def compiled_templates() -> FileSystemBytecodeCache | None:
    """Where compiled templates are kept; each goes by its content and by what compiled it (jinja2 sees to that).

    None where no such folder can be had, or where Python itself is told to keep no compiled code.
    """
    if sys.dont_write_bytecode:
        return None
    from jinja2 import FileSystemBytecodeCache

    try:
        folder = cache_folder()
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except (OSError, RuntimeError):  # a folder that is read-only, or a user without a home
        return None
    ours = not hasattr(os, "getuid") or found.st_uid == os.getuid()
    if not stat.S_ISDIR(found.st_mode) or not ours or found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        return None
    return FileSystemBytecodeCache(str(folder))


__all__ = ["cache_folder", "compiled_templates", "environment"]
