"""What an ingest did, in counts and in words."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

from catchpot.ingest.asking import Asked


@dataclass(frozen=True)
class SetAside:
    """A file in quarantine: which, why, where."""

    source_file: str
    reason: str
    line: int

    def __str__(self) -> str:
        where = f"{self.source_file}:{self.line}" if self.line else self.source_file
        return f"{where}: {self.reason}"


@dataclass
class IngestOutcome:
    """Counts of one ingest.

    files: log files found. new, revised, unchanged: shots. superseded: files whose shot a newer file tells better.
    quarantined: newly set aside; still_quarantined: as before, unchanged. withdrawn: shots whose log no longer names
    them. rows_read = rows_stored + rows_dropped + rows_refused + rows_between (of files set aside or
    superseded; of continuous logs, outside any shot).
    unknown_moulds: mould -> shots, for moulds the book doesn't have; nearest: a known name like it, as an addition to a
    sentence. unread: folders that can't be read, a sentence each. busy: files still being written, left for later.
    """

    files: int = 0
    new: int = 0
    revised: int = 0
    unchanged: int = 0
    superseded: int = 0
    withdrawn: int = 0
    busy: int = 0
    quarantined: list[SetAside] = field(default_factory=list)
    still_quarantined: int = 0
    unknown_moulds: dict[str, int] = field(default_factory=dict)
    nearest: dict[str, str] = field(default_factory=dict)
    without_mould: list[str] = field(default_factory=list)
    without_start: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)
    rows_read: int = 0
    rows_stored: int = 0
    rows_dropped: int = 0
    rows_refused: int = 0
    rows_between: int = 0
    shots: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    readers: Asked = field(default_factory=Asked)

    @property
    def shots_known(self) -> bool:
        """Whether the store must hold shots now."""
        return bool(self.new or self.revised or self.unchanged)

    @property
    def changed(self) -> bool:
        """Whether the store holds other shots than before."""
        return bool(self.new or self.revised or self.withdrawn)

    def complaints(self) -> list[str]:
        """The files newly set aside, one line each: file, line, reason."""
        return [*(str(q) for q in self.quarantined), *self.unread, *self.readers.complaints()]

    def as_dict(self) -> dict[str, Any]:
        """All counts and names, for JSON."""
        given = dataclasses.asdict(self)
        return given | {"readers": self.readers.complaints()}

    def sentences(self) -> list[str]:
        """What a shift leader should read, one sentence each."""

        def some(names: list[str]) -> str:
            return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")

        counts = (
            f"{self.new} new {'shot' if self.new == 1 else 'shots'}, {self.revised} revised, {self.unchanged} unchanged"
        )
        aside = f"{len(self.quarantined)} set aside now, {self.still_quarantined} set aside before"
        said = [f"{self.files} log {'file' if self.files == 1 else 'files'}: {counts}, {aside}."]
        if self.rows_dropped:
            said.append(f"{self.rows_dropped} of {self.rows_read} rows were left out; the quality table says which.")
        for mould, n in sorted(self.unknown_moulds.items()):
            known = self.nearest.get(mould, "")
            said.append(
                f"Mould {mould!r} is not in moulds.toml{known}: {n} shots stored, what needs the book left out."
            )
        if self.without_mould:
            said.append(f"No mould named in {some(self.without_mould)}: stored, what needs the mould book left out.")
        if self.without_start:
            said.append(f"No start time in {some(self.without_start)}: stored, left out of what goes by date.")
        if self.assumed:
            said.append(f"{len(self.assumed)} logs left something open; assumed: {some(self.assumed)}.")
        if self.superseded:
            tell = "file tells" if self.superseded == 1 else "files tell"
            said.append(f"{self.superseded} {tell} of a shot that a newer file tells too; the newer one counts.")
        if self.withdrawn:
            said.append(f"{self.withdrawn} shots were withdrawn: their log no longer names them.")
        if self.busy:
            said.append(f"{self.busy} files were still being written and are left for the next run.")
        return said


__all__ = ["IngestOutcome", "SetAside"]
