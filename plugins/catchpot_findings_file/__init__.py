"""All findings as JSON lines, for another program: written anew when a run is finished, where the settings name a file.

[settings.findings_file]
path = "findings.jsonl"       # relative to the workshop
"""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, field_validator

from catchpot import RunOutcome, hookimpl
from catchpot.whole import write_whole


class FindingsFileSettings(BaseModel):
    """path: the file, relative to the workshop; nothing is written without one. Its name must end in .jsonl."""

    model_config = ConfigDict(extra="forbid")

    path: str = ""

    @field_validator("path")
    @classmethod
    def _ending(cls, value: str) -> str:
        # None of the workshop's own files is called so: none can be written over.
        if value and not value.endswith(".jsonl"):
            raise ValueError("the file's name must end in .jsonl")
        return value


@hookimpl
def register_settings() -> type[BaseModel]:
    """`[settings.findings_file]`."""
    return FindingsFileSettings


@hookimpl
def run_finished(outcome: RunOutcome) -> None:
    """Write the file: one finding a line, a column of the table `finding` a key, times in ISO 8601 (UTC)."""
    settings = outcome.settings
    if not isinstance(settings, FindingsFileSettings) or not settings.path:
        return
    rows = outcome.session().table("finding").iter_rows(named=True)
    lines = "".join(json.dumps(row, default=_plain, ensure_ascii=False, allow_nan=False) + "\n" for row in rows)
    write_whole(outcome.home / settings.path, lines)


def _plain(value: Any) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} can't be written as JSON")
