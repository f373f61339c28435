"""Any table out of the store, as CSV, Parquet, JSON or a spreadsheet; a shot also as the plain log it came from."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import polars as pl

from catchpot.channels import CHANNELS
from catchpot.core_tables import SAMPLE
from catchpot.errors import CatchpotError
from catchpot.plain_text import defused, shown
from catchpot.store.reading import Reading, UnknownTableError
from catchpot.store.store import Store
from catchpot.whole import refused, whole, write_whole

if TYPE_CHECKING:
    from catchpot.workshop import Workshop

Form = Literal["csv", "parquet", "json", "xlsx"]
Decimal = Literal[".", ","]
BATCH = 500
TIME = "%Y-%m-%dT%H:%M:%S%.fZ"
_PREAMBLE = ("shot", "mould", "started_at", "injector", "programmed_volume_l", "fabric_batch", "resin_batch")


class ExportError(CatchpotError):
    """What was asked for can't be written out."""

    status = 2


# Files of a workshop that no export is written over, and folders that it is not written into.
_OWN_FILES = ("catchpot.toml", "moulds.toml", "events.csv", "parts.csv")
_OWN_FOLDERS = ("logs", "plugins", "closed")
_OWN_STORE = "shots.duckdb"


def export_table(
    workshop: Workshop,
    table: str,
    *,
    to: Path | None = None,
    form: Form = "csv",
    shot: str | None = None,
    overwrite: bool = False,
    decimal: Decimal = ".",
) -> str | None:
    """Write a table to a file, or return it as text where no file is named.

    table: a table's name, or "log" for one shot as a plain log. shot: only this shot's rows. overwrite: a file that is
    there may be replaced; the workshop's own files never are.
    decimal: of numbers in CSV; with a comma the separator is a semicolon.
    Times are UTC, in ISO 8601. An array column stands in CSV as a JSON list.
    """
    if to is not None:
        _may_write(workshop.home, to, overwrite)
    if form in ("parquet", "xlsx") and to is None:
        raise ExportError(f"{'Parquet' if form == 'parquet' else 'A spreadsheet'} is no text: name a file with --to")
    if decimal == "," and form != "csv":
        raise ExportError(f"--decimal is of CSV; {form} holds numbers as numbers")
    raw = workshop.settings.export.raw_text
    with Store(workshop.store_path).reading() as r:
        names = [shot] if shot is not None else None
        if shot is not None and r.table("shot", ["shot"], shots=[shot]).is_empty():
            raise ExportError(f"there is no shot {shot!r} in the store")
        if table == "log":
            if shot is None:
                raise ExportError("a log is one shot's: name it with --shot")
            text = plain_log(r.table("shot", shots=[shot]), r.samples([shot]))
        else:
            try:
                declared = r.declaration(table)
            except UnknownTableError as error:
                raise ExportError(str(error)) from error
            if names is not None and "shot" not in declared.names:
                raise ExportError(f"table {table} has no shots; leave --shot out")
            if table == "sample" and to is not None and form in ("csv", "parquet"):
                _samples_to_file(r, names, to, form, raw, decimal)
                return None
            frame = r.table(table, shots=names)
            if form == "parquet" and to is not None:
                _to_file(to, frame)
                return None
            if form == "xlsx" and to is not None:
                from catchpot.store.spreadsheet import write_spreadsheet

                with whole(to) as fresh:
                    write_spreadsheet(fresh, table, frame if raw else defused(frame))
                return None
            text = as_csv(frame, raw=raw, decimal=decimal) if form == "csv" else as_json(frame)
    if to is None:
        return text
    _to_file(to, text)
    return None


def as_csv(frame: pl.DataFrame, *, header: bool = True, raw: bool = False, decimal: Decimal = ".") -> str:
    """A frame as CSV: header, UTC times in ISO 8601, arrays as JSON lists, nothing for null.

    raw: texts as they are, though a spreadsheet may take one for a formula. decimal: as `export_table`.
    """
    frame = frame if raw else defused(frame)
    columns = []
    for name, dtype in frame.schema.items():
        if isinstance(dtype, pl.Array):
            lists = [json.dumps(v) if v is not None else None for v in frame[name].to_list()]
            columns.append(pl.Series(name, lists, dtype=pl.String))
        else:
            columns.append(frame[name])
    return pl.DataFrame(columns).write_csv(
        datetime_format=TIME,
        include_header=header,
        decimal_comma=decimal == ",",
        separator=";" if decimal == "," else ",",
    )


def as_json(frame: pl.DataFrame) -> str:
    """A frame as a JSON list of rows."""
    times = [c for c, t in frame.schema.items() if isinstance(t, pl.Datetime)]
    plain = frame.with_columns(pl.col(c).dt.strftime(TIME) for c in times)
    plain = plain.with_columns(pl.col(c).cast(pl.String) for c, t in frame.schema.items() if t == pl.Date())
    return json.dumps(plain.to_dicts(), ensure_ascii=False, indent=1) + "\n"


def plain_log(shots: pl.DataFrame, samples: pl.DataFrame) -> str:
    """One stored shot as a plain log: preamble, header, samples with the channels it has."""
    row: Mapping[str, Any] = shots.row(0, named=True)
    given = {k: row[k] for k in _PREAMBLE if row[k] is not None}
    if "started_at" in given:
        given["started_at"] = given["started_at"].isoformat()
    if row["stroke_volume_ml"] is not None:
        given["stroke_volume_ml"] = row["stroke_volume_ml"]
    given |= {k: v for k, v in json.loads(row["notes"] or "{}").items() if k not in given}
    preamble = "".join(f"# {shown(str(k))} = {shown(str(v))}\n" for k, v in given.items())
    channels = [c.name for c in CHANNELS if samples[c.name].null_count() < samples.height]
    known = [c for c in SAMPLE.names if c == "t_s" or c in channels]
    return preamble + samples.select(known).write_csv()


def _samples_to_file(
    store: Reading, names: Sequence[str] | None, to: Path, form: Form, raw: bool, decimal: Decimal
) -> None:
    """Write samples some hundred shots at a time: a year of them doesn't fit into memory."""
    import pyarrow.parquet as pq

    shots = list(names) if names is not None else store.table("shot", ["shot"])["shot"].to_list()
    pieces = (store.samples(shots[i : i + BATCH]) for i in range(0, max(1, len(shots)), BATCH))
    first = next(pieces)
    with whole(to) as fresh:
        if form == "parquet":
            with pq.ParquetWriter(fresh, first.to_arrow().schema) as writer:
                for piece in chain([first], pieces):
                    writer.write_table(piece.to_arrow())
        else:
            with fresh.open("w", encoding="utf-8", newline="") as out:
                out.write(as_csv(first, raw=raw, decimal=decimal))
                for piece in pieces:
                    out.write(as_csv(piece, header=False, raw=raw, decimal=decimal))


def _to_file(to: Path, content: str | pl.DataFrame) -> None:
    if isinstance(content, str):
        write_whole(to, content)
        return
    with whole(to) as fresh:
        content.write_parquet(fresh)


def _may_write(home: Path, to: Path, overwrite: bool) -> None:
    """ExportError where a file stands that may not be written over."""
    try:
        place, own = to.resolve(), home.resolve()
        inside = place.relative_to(own).parts if place.is_relative_to(own) else ()
        there, folder = to.exists() or to.is_symlink(), to.is_dir()
    except OSError as error:
        raise refused(to, error) from error
    name = inside[0].lower() if inside else ""
    if (len(inside) == 1 and (name in _OWN_FILES or name.startswith(_OWN_STORE))) or name in _OWN_FOLDERS:
        raise ExportError(f"{to}: this belongs to the workshop and is never written over; name another file with --to")
    if not to.parent.is_dir():
        raise ExportError(f"{to}: can't be written: No such file or directory")
    if folder:
        raise ExportError(f"{to}: this is a folder; name a file in it")
    if there and not overwrite:
        raise ExportError(f"{to}: there is a file of that name already; --overwrite replaces it")
