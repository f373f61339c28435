"""Takes logs into the store: idempotent by content, one transaction a batch, nothing dropped in silence."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from catchpot.channels import BY_NAME
from catchpot.core_tables import LOG_NOTE, QUARANTINE, SHOT
from catchpot.errors import Stopped
from catchpot.ingest.asking import in_order, settings_of_all
from catchpot.ingest.batch import Batch, Candidate, read_batch
from catchpot.ingest.edge import refuse_odd_starts
from catchpot.ingest.outcome import IngestOutcome, SetAside
from catchpot.ingest.reader import LogRefused, Source
from catchpot.ingest.register import Register, Resolved, SeenFile, as_frame
from catchpot.ingest.same_log import same_log_in
from catchpot.ingest.scan import Found, Read, find_logs, read_ahead
from catchpot.ingest.thin import read_and_compare
from catchpot.store import intake
from catchpot.store.store import Store
from catchpot.tables import polars_schema
from catchpot.workshop.problems import Problem, WorkshopError, did_you_mean

if TYPE_CHECKING:
    from catchpot.ingest.reader import Reader
    from catchpot.plugins import Registry
    from catchpot.workshop import Workshop

BATCH_FILES = 500
BATCH_BYTES = 160_000_000

Progress = Callable[[str, int, int], None]


def ingest(
    workshop: Workshop,
    registry: Registry,
    *,
    profile: str | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
    verify: bool = False,
) -> IngestOutcome:
    """Take all new and changed logs of a workshop into its store.

    profile: the log profile for files that neither a profile's pattern nor the plain log's header claims; a file once
    read with it is read with it ever after. progress: called with files done, files to do, and a word. now: when files
    are said to have been set aside. verify: look at the content of every file, whatever its size and time stamp say.

    A log that can't be read is set aside with its reason, and the rest is taken. Run again, it does nothing.
    """
    unread: list[str] = []
    patterns = [p for s in workshop.settings.profiles.values() for p in s.files]
    follow = workshop.settings.workshop.follow_links
    files = find_logs(workshop.home, patterns, unread, follow_links=follow)
    outcome = ingest_files(
        workshop,
        registry.guarded_readers,
        files,
        profile=profile,
        progress=progress,
        now=now,
        whole=True,
        verify=verify,
    )
    outcome.unread = unread
    return outcome


def ingest_files(
    workshop: Workshop,
    readers: Sequence[Reader],
    files: Sequence[Found],
    *,
    profile: str | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
    whole: bool = False,
    verify: bool = False,
) -> IngestOutcome:
    """Take the given log files. whole: they are all there are, so quarantine rows of files that are gone go too.

    verify: look at the content of every file.
    """
    now = now or datetime.now(UTC)
    if profile is not None and profile not in workshop.settings.profiles:
        near = did_you_mean(profile, workshop.settings.profiles)
        path = str(workshop.home / "catchpot.toml")
        raise WorkshopError([Problem(path, 0, "profiles", f"there is no log profile {profile!r}{near}")])
    store = Store(workshop.store_path)
    with store.reading() as r:
        register = Register(r, files, same_log_in(store))
        aside = dict(r.table("quarantine", ["source_file", "digest"]).rows())
    readers = in_order(readers)
    settings = _settings(workshop, readers)
    outcome = IngestOutcome(files=len(files))
    todo = []
    for found in files:
        seen = None if verify else register.settled(found, settings)
        if seen is None:
            todo.append(found)
        else:
            _count_seen(outcome, seen, register)
    done = 0
    for reads in read_ahead(_batches(todo), workshop.settings.workshop.largest_log_mb):
        try:
            _take(workshop, readers, store, register, reads, settings, aside, now, outcome, profile)
        except KeyboardInterrupt:
            _say(workshop, outcome)
            rest = f"stopped after {done} of {len(todo)} files to read; what was read is stored, the rest waits"
            raise Stopped([*outcome.sentences(), rest]) from None
        done += len(reads)
        if progress:
            progress("reading logs", done, len(todo))
    if whole and (gone := sorted(aside.keys() - {f.name for f in files})):
        with store.writing() as w:
            w.release(gone)
            intake.forget_files(w, gone)
    _say(workshop, outcome)
    return outcome


def list_quarantine(workshop: Workshop) -> list[dict[str, Any]]:
    """Files set aside: source_file, reason, line, seen_at."""
    with Store(workshop.store_path).reading() as r:
        return r.table("quarantine", ["source_file", "reason", "line", "seen_at"]).to_dicts()


def _settings(workshop: Workshop, readers: Sequence[Reader]) -> str:
    """Hash of what changes how any file is read: then a file is looked at again though it did not change."""
    blank = Source(workshop.home, "", b"")
    profiles = {n: p.model_dump(mode="json") for n, p in workshop.settings.profiles.items()}
    content = [
        str(workshop.zone),
        profiles,
        [f"{name} {said}" for name, said in settings_of_all(readers, blank, workshop).items()],
    ]
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()[:16]


def _batches(files: Sequence[Found]) -> Iterator[list[Found]]:
    batch: list[Found] = []
    size = 0
    for f in files:
        if batch and (len(batch) >= BATCH_FILES or size + f.size > BATCH_BYTES):
            yield batch
            batch, size = [], 0
        batch.append(f)
        size += f.size
    if batch:
        yield batch


def _count_seen(outcome: IngestOutcome, seen: SeenFile, register: Register) -> None:
    if seen.state == "stored":
        outcome.unchanged += register.shots_of(seen.source_file)
    else:
        outcome.superseded += 1


def _take(
    workshop: Workshop,
    readers: Sequence[Reader],
    store: Store,
    register: Register,
    given: Sequence[Read],
    settings: str,
    aside: dict[str, str],
    now: datetime,
    outcome: IngestOutcome,
    profile: str | None,
) -> None:
    """Check and store one batch in one transaction."""
    now_ns = int(now.timestamp() * 1e9)
    reads, same = [], []
    for read in given:
        seen_before = register.same_content(read.found.name, read.digest, settings)
        if seen_before is None:
            how = register.files[read.found.name].how if read.found.name in register.files else ""
            before = how.rpartition(" ")[2] if how.startswith("profile ") else None
            reads.append(replace(read, profile=profile or before))
        else:
            _count_seen(outcome, seen_before, register)
            size, modified_ns = read.found.size, read.found.modified_ns
            same.append(seen_before._replace(size=size, modified_ns=modified_ns, seen_ns=now_ns))
    batch = read_and_compare(reads, lambda some: read_batch(some, readers, workshop))
    for name, files in batch.asked.failures.items():
        outcome.readers.failures.setdefault(name, []).extend(files)
    refuse_odd_starts(batch, reads, now)
    busy = {r.found.name for r in reads if _changed_meanwhile(r.found)}
    outcome.busy += len(busy)
    batch.candidates = [c for c in batch.candidates if c.found.name not in busy]
    refused = {r.found.name: (r, why) for r, why in batch.refused if r.found.name not in busy}
    result = register.resolve(batch)
    by_name = {r.found.name: r for r in reads}
    refused |= {c.found.name: (by_name[c.found.name], why) for c, why in result.refused}
    seen = [
        SeenFile(
            name, r.digest, r.found.size, r.found.modified_ns, now_ns, batch.how.get(name, ""), settings,
            "aside" if name in refused else "stored",
        )
        for name, r in by_name.items()
        if name not in busy
    ]  # fmt: skip
    rows = register.note([*seen, *same], result.superseded)
    samples, counts = _samples(batch, result)
    with store.writing() as w:
        if result.withdrawn:
            w.remove_shots(sorted(result.withdrawn))
        if result.stored:
            w.put_shots(_shot_rows(result, counts), samples, _note_rows(result), in_order=True)
        w.release([name for name in by_name if name not in refused and name not in busy])
        if refused:
            w.put_quarantine(_quarantine_rows(list(refused.values()), now))
        if rows:
            intake.note_files(w, as_frame(rows))
    _count(outcome, batch, result, counts, refused, aside)


def _changed_meanwhile(found: Found) -> bool:
    try:
        stat = found.path.stat()
    except OSError:
        return True
    return (stat.st_size, stat.st_mtime_ns) != (found.size, found.modified_ns)


def _samples(batch: Batch, result: Resolved) -> tuple[pl.DataFrame, dict[str, int]]:
    """Samples of the shots to be stored, with each one's place among them, and the number of rows of each shot."""
    frame = batch.frame
    file_no = frame["file_no"].to_numpy()
    order = [c.index for c, _ in result.stored]
    n = np.bincount(file_no, minlength=max(order, default=0) + 1)
    counts = {c.meta.shot: int(n[c.index]) for c, _ in result.stored}
    if order == list(range(len(n))):
        return frame.rename({"file_no": "place"}), counts
    places = np.full(len(n), -1, np.int32)
    places[order] = np.arange(len(order), dtype=np.int32)
    frame = frame.select(pl.Series("place", places[file_no]), pl.exclude("file_no"))
    return frame.filter(pl.col("place") >= 0), counts


def _shot_rows(result: Resolved, counts: dict[str, int]) -> pl.DataFrame:
    rows = []
    for c, revision in result.stored:
        m = c.meta
        rows.append(
            {
                "shot": m.shot, "mould": m.mould, "started_at": m.started_at, "injector": m.injector,
                "programmed_volume_l": m.programmed_volume_l, "fabric_batch": m.fabric_batch,
                "resin_batch": m.resin_batch, "source_file": c.found.name, "source_digest": c.digest,
                "revision": revision, "samples": counts.get(m.shot, 0), "stroke_volume_ml": m.stroke_volume_ml,
                "channels": " ".join(n for n in BY_NAME if n in c.channels),
                "notes": json.dumps(m.notes, sort_keys=True, ensure_ascii=False) if m.notes else None,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=polars_schema(SHOT))


def _note_rows(result: Resolved) -> pl.DataFrame:
    merged: dict[tuple[str, str, str, int], list[object]] = {}
    for c, _ in result.stored:
        for r in c.meta.remarks:
            key = (c.meta.shot, r.kind, r.channel, r.line)
            if key in merged:
                count, detail = merged[key]
                merged[key] = [int(str(count)) + r.count, f"{detail}; {r.detail}"]
            else:
                merged[key] = [r.count, r.detail]
    rows = [[*key, *rest] for key, rest in merged.items()]
    return pl.DataFrame(rows, schema=polars_schema(LOG_NOTE), orient="row")


def _quarantine_rows(refused: Sequence[tuple[Read, LogRefused]], now: datetime) -> pl.DataFrame:
    rows = [[r.found.name, why.reason, why.line, now, r.digest] for r, why in refused]
    return pl.DataFrame(rows, schema=polars_schema(QUARANTINE), orient="row")


def _count(
    outcome: IngestOutcome,
    batch: Batch,
    result: Resolved,
    counts: dict[str, int],
    refused: dict[str, tuple[Read, LogRefused]],
    aside: dict[str, str],
) -> None:
    for name, (read, why) in refused.items():
        if aside.get(name) == read.digest:
            outcome.still_quarantined += 1
        else:
            outcome.quarantined.append(SetAside(name, why.reason, why.line))
    for c, revision in result.stored:
        outcome.new += revision == 1
        outcome.revised += revision > 1
        outcome.shots.append(c.meta.shot)
        left = c.state.dropped + c.state.repeated
        outcome.rows_dropped += left
        outcome.rows_stored += counts.get(c.meta.shot, 0)
        outcome.rows_read += c.state.rows
        if c.meta.mould is None:
            outcome.without_mould.append(c.meta.shot)
        if c.meta.started_at is None:
            outcome.without_start.append(c.meta.shot)
        if any(r.kind == "assumed" for r in c.meta.remarks):
            outcome.assumed.append(c.meta.shot)
        if c.meta.mould is not None:
            outcome.unknown_moulds[c.meta.mould] = outcome.unknown_moulds.get(c.meta.mould, 0) + 1
    lost = set(result.superseded) | {c.found.name for c, _ in result.refused}
    written = {id(c) for c, _ in result.stored}
    others = sum(c.state.rows for c in batch.candidates if c.found.name in lost and id(c) not in written)
    outcome.rows_refused += batch.rows_refused + others
    outcome.rows_between += batch.rows_between
    outcome.rows_read += batch.rows_refused + batch.rows_between + others
    outcome.unchanged += result.unchanged
    outcome.superseded += len(result.superseded)
    outcome.withdrawn += len(result.withdrawn)


def _say(workshop: Workshop, outcome: IngestOutcome) -> None:
    """Keep only the moulds that the book doesn't have, each with its nearest known name."""
    moulds = workshop.book.moulds
    outcome.unknown_moulds = {m: n for m, n in outcome.unknown_moulds.items() if m not in moulds}
    outcome.nearest = {m: did_you_mean(m, moulds) for m in outcome.unknown_moulds}


__all__ = ["Candidate", "IngestOutcome", "ingest", "ingest_files", "list_quarantine"]
