"""What is known of files and shots while an ingest runs, and which shot a name belongs to."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from catchpot.ingest.batch import Batch, Candidate
from catchpot.ingest.reader import LogRefused
from catchpot.store import intake

if TYPE_CHECKING:
    import polars as pl

    from catchpot.ingest.scan import Found
    from catchpot.store.reading import Reading

# The same name with a start further away is another shot (contract of the plain log).
SAME_START = timedelta(minutes=10)
# A file whose time stamp was younger than this when seen may be written again within the stamp's resolution.
_FRESH_NS = 3_000_000_000


class SeenFile(NamedTuple):
    """A file as it was last seen; a row of the book of files seen."""

    source_file: str
    digest: str
    size: int
    modified_ns: int
    seen_ns: int
    how: str
    settings: str
    state: str


class KnownShot(NamedTuple):
    """Who holds a shot's name."""

    mould: str | None
    started_at: datetime | None
    source_file: str
    digest: str
    revision: int


@dataclass
class Resolved:
    """What becomes of a batch. stored: shots to write, with their revision; refused: clashes of names; unchanged: how
    many; superseded: files that lost to a newer one; withdrawn: shots whose file now names them otherwise."""

    stored: list[tuple[Candidate, int]] = field(default_factory=list)
    refused: list[tuple[Candidate, LogRefused]] = field(default_factory=list)
    unchanged: int = 0
    superseded: list[str] = field(default_factory=list)
    withdrawn: list[str] = field(default_factory=list)


SameLog = Callable[[str, "Candidate", Batch], bool]


def _never(shot: str, candidate: Candidate, batch: Batch) -> bool:
    return False


class Register:
    """Files seen and shots known. present: files there in this run.

    same_log: whether a stored shot's samples are those of a candidate of the batch. It is asked only where a file was
    changed and now names its shot, its mould or its start otherwise.
    """

    def __init__(self, reading: Reading, present: Sequence[Found], same_log: SameLog = _never) -> None:
        # tens of thousands of either, of which a new log touches one or two
        self.files = {seen[0]: seen for seen in map(SeenFile._make, intake.seen_files(reading).rows())}
        stored = reading.table("shot", ["shot", "mould", "started_at", "source_file", "source_digest", "revision"])
        self.shots = dict(zip(stored["shot"], map(KnownShot._make, stored.drop("shot").rows()), strict=True))
        self._present = {f.name: f for f in present}
        self._same_log = same_log
        self._held = {s.source_file for s in self.shots.values()} | {s.digest for s in self.shots.values()}
        counts = Counter(s.source_file for s in self.shots.values())
        self._many = {f for f, n in counts.items() if n > 1}

    def shots_of(self, file: str) -> int:
        """How many shots a file holds (1 for a copy, whose shot another file holds)."""
        return max(sum(s.source_file == file for s in self.shots.values()), 1) if file in self._many else 1

    def _lost(self, seen: SeenFile) -> bool:
        """Whether a file's shot went out of the store by another hand than ours: then it is read again."""
        return seen.state == "stored" and seen.source_file not in self._held and seen.digest not in self._held

    def same_content(self, name: str, digest: str, settings: str) -> SeenFile | None:
        """The file as seen before, where its bytes and the settings are the same."""
        seen = self.files.get(name)
        if seen is None or seen.state == "aside" or (seen.digest, seen.settings) != (digest, settings):
            return None
        if self._lost(seen):
            return None
        return seen

    def settled(self, found: Found, settings: str) -> SeenFile | None:
        """The file as seen before, where size, time stamp and settings say that nothing has changed."""
        seen = self.files.get(found.name)
        if seen is None or seen.state == "aside" or seen.settings != settings or self._lost(seen):
            return None
        if (seen.size, seen.modified_ns) != (found.size, found.modified_ns):
            return None
        return seen if seen.seen_ns - seen.modified_ns > _FRESH_NS else None

    def resolve(self, batch: Batch) -> Resolved:
        """Revisions, copies and name clashes by the contract's rule; the register then knows the new state."""
        result = Resolved()
        taken: dict[str, int] = {}
        for c in batch.candidates:
            name, before = c.meta.shot, self.shots.get(c.meta.shot)
            now = KnownShot(c.meta.mould, c.meta.started_at, c.found.name, c.digest, 1)
            if before is not None:
                same_content = before.digest == c.digest
                other = before.source_file != c.found.name and before.source_file in self._present
                if same_content and (other or self._read_the_same_way(before.source_file, c)):
                    result.unchanged += 1
                    continue
                clash = None if same_content else _clash(before, c)
                if clash and not self._corrects(before, c, batch):
                    result.refused.append((c, clash))
                    continue
                if other and self._present[before.source_file].modified_ns > c.found.modified_ns:
                    result.superseded.append(c.found.name)
                    continue
                if other:
                    result.superseded.append(before.source_file)
                if name in taken:  # both came in this batch: only the later one is written
                    result.stored[taken[name]] = (c, before.revision)
                    self.shots[name] = now._replace(revision=before.revision)
                    continue
                now = now._replace(revision=before.revision + 1)
            taken[name] = len(result.stored)
            result.stored.append((c, now.revision))
            self.shots[name] = now
        result.withdrawn = self._withdrawn(batch, result)
        return result

    def _corrects(self, before: KnownShot, c: Candidate, batch: Batch) -> bool:
        """Whether this is the file that holds the shot, with the same samples and something else said about them."""
        return before.source_file == c.found.name and self._same_log(c.meta.shot, c, batch)

    def _read_the_same_way(self, file: str, c: Candidate) -> bool:
        seen = self.files.get(file)
        return seen is None or seen.how == c.how

    def _withdrawn(self, batch: Batch, result: Resolved) -> list[str]:
        """Shots under a former name: their file was read again and now calls a shot of that time otherwise.

        A file that was overwritten with another shot (another start) leaves the former shot where it is.
        """
        clashed = {c.found.name for c, _ in result.refused}
        named: dict[str, list[Candidate]] = {}
        for c in batch.candidates:
            if c.found.name not in clashed and c.found.name in self.files:
                named.setdefault(c.found.name, []).append(c)
        gone = []
        for name, known in self.shots.items() if named else ():
            now = named.get(known.source_file, [])
            if now and all(c.meta.shot != name for c in now) and any(_near(known.started_at, c) for c in now):
                gone.append(name)
        for name in gone:
            del self.shots[name]
        return gone

    def note(self, rows: Sequence[SeenFile], superseded: Sequence[str]) -> list[SeenFile]:
        """Remember files; returns the rows to store, those of former files that lost their shot among them."""
        changed = {r.source_file: r for r in rows}
        for name in superseded:
            row = changed.get(name) or self.files.get(name)
            if row is not None:
                changed[name] = row._replace(state="superseded")
        self.files |= changed
        return list(changed.values())


def _near(start: datetime | None, c: Candidate) -> bool:
    return start is not None and c.meta.started_at is not None and abs(start - c.meta.started_at) <= SAME_START


def _clash(before: KnownShot, c: Candidate) -> LogRefused | None:
    held = f"name already used: shot {c.meta.shot!r} is held by {before.source_file}"
    way_out = "give this log's shot another name"
    if before.source_file == c.found.name:
        held = f"name already used: this file told of another shot {c.meta.shot!r} before, with other samples"
        way_out += f", or take the former one out with `catchpot forget {c.meta.shot}`"
    if before.mould != c.meta.mould:
        return LogRefused(f"{held} for mould {before.mould!r}, this log names {c.meta.mould!r}; {way_out}")
    if before.started_at and c.meta.started_at and abs(before.started_at - c.meta.started_at) > SAME_START:
        apart = abs(before.started_at - c.meta.started_at)
        days, hours = apart.days, apart.seconds / 3600
        words = f"{days} days" if days > 1 else f"{days * 24 + hours:.1f} hours" if apart.seconds > 5400 or days else (
            f"{apart.seconds / 60:.0f} minutes")  # fmt: skip
        return LogRefused(f"{held}, which started {words} apart from this one; {way_out}")
    return None


def as_frame(rows: Sequence[SeenFile]) -> pl.DataFrame:
    """Rows for the book of files seen."""
    import polars as pl

    table: list[Mapping[str, object]] = [r._asdict() for r in rows]
    return pl.DataFrame(table, schema=intake.SEEN_SCHEMA)
