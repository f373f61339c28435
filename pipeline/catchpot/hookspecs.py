"""The hooks. All but `run_finished` only register; the runner orders and runs.

A plugin is a module (entry point in group `catchpot.plugins.v1`, or one `.py` file in a workshop's `plugins/`) with
functions of these names marked `@catchpot.hookimpl`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pluggy

if TYPE_CHECKING:
    from cyclopts import App
    from pydantic import BaseModel

    from catchpot.analysis import Analysis
    from catchpot.ingest.reader import Reader
    from catchpot.note_forms import NoteForm
    from catchpot.outcome import RunOutcome
    from catchpot.report.section import Section

PROJECT = "catchpot"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def register_readers() -> Sequence[Reader]:
    """Readers of log files. Called once a run; the first reader that claims a file reads it."""
    raise NotImplementedError


@hookspec
def register_analyses(settings: Mapping[str, Any]) -> Sequence[Analysis]:
    """Analyses.

    settings: the workshop's catchpot.toml as a mapping, for a plugin whose set of analyses depends on it.
    An analysis's own settings stand in `[analyses.NAME]`, are validated with its `params` model and arrive in the Job.
    """
    raise NotImplementedError


@hookspec
def register_sections() -> Sequence[Section]:
    """Sections of the report; they read stored tables only."""
    raise NotImplementedError


@hookspec
def register_commands(app: App) -> None:
    """Commands of the plugin: add them to the cyclopts app. A command works through `catchpot.api.open_session()`."""
    raise NotImplementedError


@hookspec
def register_notes() -> Sequence[NoteForm]:
    """Forms of `catchpot note`, also where notes are served. The core checks and writes what they come to."""
    raise NotImplementedError


@hookspec
def register_settings() -> type[BaseModel]:
    """The model of the plugin's own settings, `[settings.NAME]` in catchpot.toml (NAME: the plugin's).

    An analysis's settings are its own (`[analyses.NAME]`); these are for what else a plugin does.
    """
    raise NotImplementedError


@hookspec
def run_finished(outcome: RunOutcome) -> None:
    """Called when a run (also a round of `watch`) is finished, its pages written and nothing left to compute.

    What it raises is said and costs nothing else. It may take `time_limit_s` of `[plugins]`.
    """
    raise NotImplementedError
