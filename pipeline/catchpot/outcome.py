"""What came of a run, as plugins are told of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pydantic import BaseModel

    from catchpot.api import Session


@dataclass(frozen=True)
class RunOutcome:
    """A run that is finished: logs read, analyses computed, report written.

    home: the workshop's folder. as_of: the newest datum. ingest, analyse, report: as `catchpot run --json` gives them.
    complaints: sentences about what failed. settings: this plugin's own, validated; None where it registered none.
    """

    home: Path
    as_of: datetime | None
    ingest: Mapping[str, Any]
    analyse: Mapping[str, Any]
    report: Mapping[str, Any]
    complaints: tuple[str, ...] = ()
    settings: BaseModel | None = None

    def session(self) -> Session:
        """The workshop, to read its tables."""
        from catchpot.api import open_session

        return open_session(self.home)


__all__ = ["RunOutcome"]
