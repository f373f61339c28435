"""The checks every reader must pass: it claims honestly, reads the same alone and in company, and never guesses."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING

import polars as pl

from catchpot.ingest.asking import Asked, layout_of
from catchpot.ingest.batch import Batch, read_batch
from catchpot.ingest.reader import LogRefused, Source
from catchpot.ingest.scan import Found, Read
from catchpot.plugins.shapes import reader_faults

if TYPE_CHECKING:
    from catchpot.ingest.reader import Reader
    from catchpot.workshop import Workshop

# Shares of a file that are kept when it is cut off, as by a full disk or a copy that broke off.
CUTS = (0.02, 0.5, 0.97)


def check_reader(reader: Reader, logs: Mapping[str, bytes], others: Mapping[str, bytes], workshop: Workshop) -> None:
    """Raise AssertionError with all that is wrong with a reader.

    logs: name -> bytes of two or more files that it reads. others: files it must leave alone. Checked are its shape;
    that it claims its own files and no others; that a file gives the same whatever stands beside it in a batch; that a
    second reading gives the same; that damaged files (cut off, emptied, filled with zeros or other bytes) are either
    refused with a sentence or give no more than the whole file's rows, each of them one of its rows.
    """
    wrong = reader_faults(reader)
    if not wrong:
        wrong = [*_claims(reader, logs, others, workshop), *_company(reader, logs, workshop)]
        wrong += _damage(reader, logs, workshop)
    assert not wrong, "\n".join(wrong)


def _source(name: str, data: bytes, workshop: Workshop) -> Source:
    return Source(workshop.home / name, name, data)


def _read(name: str, data: bytes, workshop: Workshop) -> Read:
    found = Found(str(workshop.home / name), name, len(data), 0)
    # packed: the bytes count, not a file of that name
    return Read(found, data, hashlib.sha256(data).hexdigest(), packed=True)


def _claims(reader: Reader, logs: Mapping[str, bytes], others: Mapping[str, bytes], workshop: Workshop) -> list[str]:
    wrong = []
    for kind, files, expected in (("its own", logs, True), ("another's", others, False)):
        for name, data in files.items():
            asked = Asked()
            said = False
            try:
                layout_of(_source(name, data, workshop), [reader], workshop, asked)
                said = True
            except LogRefused as refused:
                said = str(refused) != "no reader takes a file of this kind"
                if expected and said:
                    wrong.append(f"{name} is refused: {refused}")
            wrong += asked.complaints()
            if said is not expected:
                wrong.append(f"{name} is {kind} file, and it {'claims' if said else 'does not claim'} it")
    return wrong


def _rows(batch: Batch, name: str) -> list[tuple[str, pl.DataFrame]]:
    found = []
    for c in batch.candidates:
        if c.found.name == name:
            frame = batch.frame.filter(pl.col("file_no") == c.index).drop("file_no")
            kept = [n for n in frame.columns if frame[n].null_count() < frame.height or n == "t_s"]
            found.append((f"{c.meta.shot} {c.meta.mould} {c.meta.started_at}", frame.select(kept)))
    return found


def _company(reader: Reader, logs: Mapping[str, bytes], workshop: Workshop) -> list[str]:
    wrong = []
    reads = [_read(name, data, workshop) for name, data in logs.items()]
    together, backwards = (read_batch(order, [reader], workshop) for order in (reads, reads[::-1]))
    for read in reads:
        name = read.found.name
        alone, again = (_rows(read_batch([read], [reader], workshop), name) for _ in range(2))
        if not alone:
            wrong.append(f"{name} gives no shot")
        for words, other in (("a second time", again), ("in company", _rows(together, name)),
                             ("in company in another order", _rows(backwards, name))):  # fmt: skip
            same = len(alone) == len(other) and all(
                a == c and b.equals(d) for (a, b), (c, d) in zip(alone, other, strict=True)
            )
            if not same:
                wrong.append(f"{name} gives something else when it is read {words}")
    return wrong


def _damage(reader: Reader, logs: Mapping[str, bytes], workshop: Workshop) -> list[str]:
    wrong = []
    for name, data in logs.items():
        whole = _rows(read_batch([_read(name, data, workshop)], [reader], workshop), name)
        times = {t for _, frame in whole for t in frame["t_s"].round(6)}
        damaged = {f"cut after {share:.0%}": data[: int(share * len(data))] for share in CUTS}
        damaged |= {"emptied": b"", "zeros": bytes(len(data)), "other bytes": bytes(range(1, 256)) * 20}
        for words, spoilt in damaged.items():
            batch = read_batch([_read(name, spoilt, workshop)], [reader], workshop)
            said = [why.reason for _, why in batch.refused]
            failed = [r for r in said if "failed on" in r]
            wrong += [f"{name}, {words}: it raised instead of refusing ({r})" for r in failed]
            made_up = [t for _, frame in _rows(batch, name) for t in frame["t_s"].round(6) if t not in times]
            if made_up:
                wrong.append(f"{name}, {words}: it gives rows that the whole file does not have (t_s = {made_up[0]:g})")
            if not said and not batch.candidates:
                wrong.append(f"{name}, {words}: it gives no shot and does not say why")
    return wrong


__all__ = ["check_reader"]
