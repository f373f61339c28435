"""Takes shots out of the store again, as if their logs had never been read; closed months keep their numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.errors import CatchpotError
from catchpot.store import intake
from catchpot.store.store import Store
from catchpot.workshop.problems import did_you_mean

if TYPE_CHECKING:
    from catchpot.workshop import Workshop


class NothingToForget(CatchpotError):  # noqa: N818 - the command line named something that isn't there
    """No stored shot and no file of that name."""

    status = 2


@dataclass(frozen=True)
class Forgetting:
    """What would go. files: books kept of these files go too; there: of these, the ones that still stand in logs/;
    closed: months fixed for good, which stay."""

    shots: tuple[str, ...]
    samples: int
    files: tuple[str, ...]
    there: tuple[str, ...]
    closed: tuple[str, ...]
    set_aside: bool = False

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "shots": list(self.shots),
            "samples": self.samples,
            "files": list(self.files),
            "still_there": list(self.there),
            "closed_months_kept": list(self.closed),
        }

    def sentences(self) -> list[str]:
        """What goes and what stays, for the question and for the answer."""
        said = []
        if self.shots:
            named = f"{_counted(len(self.shots), 'shot')} ({_some(self.shots)})"
            said.append(f"{named} with {_counted(self.samples, 'sample')} and all that was computed from them.")
        if self.set_aside:
            said.append(f"The entry among the files set aside: {_some(self.files)}.")
        if self.there:
            one = len(self.there) == 1
            verb, it = ("stands", "it") if one else ("stand", "them")
            said.append(
                f"{_some(self.there)} still {verb} in the workshop and will be read anew at the next ingest; "
                f"mend {it} or move {it} away before."
            )
        if self.closed:
            said.append(f"Closed months keep their numbers: {_some(self.closed, 12)}.")
        return said


def _counted(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _some(names: Sequence[str], most: int = 5) -> str:
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown


def find(workshop: Workshop, name: str) -> Forgetting:
    """What forgetting a shot, or a log file (relative to the workshop, or its path), would take out.

    NothingToForget where neither is known.
    """
    with Store(workshop.store_path).reading() as r:
        known = r.table("shot", ["shot", "source_file", "samples"])
        aside = r.table("quarantine", ["source_file"])["source_file"].to_list()
        seen = intake.seen_files(r)["source_file"].to_list()
        closed = r.table("closed", ["period"])["period"].unique().sort().to_list()
    hit = known.filter(pl.col("shot") == name)
    file = _relative(workshop, name)
    if hit.is_empty():
        hit = known.filter(pl.col("source_file") == file)
    files = hit["source_file"].unique().sort().to_list() or [f for f in dict.fromkeys([*seen, *aside]) if f == file]
    if not files:
        near = did_you_mean(name, [*known["shot"], *known["source_file"], *aside])
        raise NothingToForget(f"neither a stored shot nor a log file is called {name!r}{near}")
    there = tuple(f for f in files if (workshop.home / f).exists())
    return Forgetting(
        tuple(hit["shot"].to_list()), int(hit["samples"].sum()), tuple(files), there, tuple(closed), file in aside
    )


def forget(workshop: Workshop, going: Forgetting) -> None:
    """Take it out: shots with samples and notes, and what is remembered of their files, in one transaction.

    What was computed from them goes with the next run of the analyses.
    """
    with Store(workshop.store_path).writing() as w:
        w.remove_shots(going.shots)
        w.release(going.files)
        intake.forget_files(w, going.files)


def _relative(workshop: Workshop, name: str) -> str:
    path = Path(name)
    try:
        return path.resolve().relative_to(workshop.home.resolve()).as_posix() if path.is_absolute() else path.as_posix()
    except (ValueError, OSError):
        return name


__all__ = ["Forgetting", "NothingToForget", "find", "forget"]
