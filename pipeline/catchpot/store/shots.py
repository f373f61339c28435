"""Writing shots: numbers, samples contiguous per shot, revisions that take the place of what was there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl

from catchpot.core_tables import LOG_NOTE, QUARANTINE, SAMPLE, SHOT
from catchpot.store.schema import lent, quote
from catchpot.tables import Table, violations

if TYPE_CHECKING:
    import duckdb

# 0.1 ml: unrounded volumes take several times the space and no meter resolves them.
VOLUME_DECIMALS = 4


def put(
    con: duckdb.DuckDBPyConnection,
    shots: pl.DataFrame,
    samples: pl.DataFrame | str,
    notes: pl.DataFrame | None = None,
    *,
    in_order: bool = False,
) -> None:
    """Store shots with their samples; a shot already there is replaced whole.

    shots: rows of SHOT. notes: rows of LOG_NOTE.
    samples: rows of SAMPLE, or the name of a relation of this connection; of its columns only `shot`, `t_s`, `vol_l`
        and the channels are read, channels that are not there stay null. A frame may have, for `shot`, the integer
        column `place`: the shot's place in the rows of `shots`, which spares a join on text over all samples.
    in_order: the caller vouches that rows come contiguous per shot and by t_s.
    """
    _checked(SHOT, shots)
    remove(con, shots["shot"].to_list())
    numbers = _numbered(con, shots)
    con.register("put_shots", shots.join(numbers, on="shot", how="left", maintain_order="left").to_arrow())
    con.register("put_numbers", numbers.to_arrow())
    by_place = isinstance(samples, pl.DataFrame) and "place" in samples.columns
    relation = samples if isinstance(samples, str) else "put_samples"
    if not isinstance(samples, str):
        con.register(relation, (_by_number(samples, numbers) if by_place else samples).to_arrow())
    try:
        names = ", ".join(quote(n) for n in SHOT.names)
        con.execute(f"INSERT INTO shot ({names}, shot_no, mould_no) SELECT {names}, shot_no, mould_no FROM put_shots")
        given = con.sql(f"SELECT * FROM {quote(relation)} LIMIT 0").columns
        columns = [c for c in SAMPLE.names if c in given and c not in ("shot", "vol_l")]
        into = ", ".join(["mould_no", "shot_no", "vol_l", *(quote(c) for c in columns)])
        picked = ", ".join(f"s.{quote(c)}" for c in columns)
        source = f"{quote(relation)} s" + ("" if by_place else " JOIN put_numbers n ON s.shot = n.shot")
        order = "" if in_order else "ORDER BY shot_no, s.t_s"
        con.execute(
            f"INSERT INTO sample ({into}) SELECT mould_no, shot_no, round(s.vol_l, {VOLUME_DECIMALS}), {picked} "
            f"FROM {source} {order}"
        )
    finally:
        con.unregister("put_shots")
        con.unregister("put_numbers")
        if not isinstance(samples, str):
            con.unregister(relation)
    if notes is not None and notes.height:
        _checked(LOG_NOTE, notes)
        insert(con, LOG_NOTE, notes)


def _by_number(samples: pl.DataFrame, numbers: pl.DataFrame) -> pl.DataFrame:
    """Samples with shot_no and mould_no for their shot's place."""
    place = samples["place"]
    return samples.select(*(numbers[n].gather(place).alias(n) for n in ("mould_no", "shot_no")), pl.exclude("place"))


def remove(con: duckdb.DuckDBPyConnection, shots: Sequence[str]) -> None:
    """Take shots out, with samples and notes. Their derived rows go with the next run of the analyses."""
    if not shots:
        return
    with lent(con, "gone_shots", pl.DataFrame({"shot": list(shots)}, schema={"shot": pl.String()})):
        # Nearly always all are new, and then the samples of the whole store need not be looked through.
        if not con.execute("SELECT EXISTS (SELECT 1 FROM shot SEMI JOIN gone_shots USING (shot))").fetchall()[0][0]:
            return
        con.execute("DELETE FROM sample WHERE shot_no IN (SELECT shot_no FROM shot SEMI JOIN gone_shots USING (shot))")
        con.execute("DELETE FROM log_note WHERE shot IN (SELECT shot FROM gone_shots)")
        con.execute("DELETE FROM shot WHERE shot IN (SELECT shot FROM gone_shots)")


def quarantine(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> None:
    """Record files set aside; a file already recorded is recorded anew."""
    _checked(QUARANTINE, rows)
    release(con, rows["source_file"].to_list())
    insert(con, QUARANTINE, rows)


def release(con: duckdb.DuckDBPyConnection, files: Sequence[str]) -> None:
    """Forget that these files were set aside."""
    if files:
        con.execute("DELETE FROM quarantine WHERE source_file IN (SELECT unnest(?))", [list(files)])


def insert(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    """Append rows of a table, by column name."""
    if frame.is_empty():
        return
    names = ", ".join(quote(n) for n in frame.columns)
    with lent(con, "insert_rows", frame):
        con.execute(f"INSERT INTO {quote(table.name)} ({names}) SELECT {names} FROM insert_rows")


def _checked(table: Table, frame: pl.DataFrame) -> None:
    wrong = violations(table, frame)
    if wrong:
        raise ValueError(f"rows for table {table.name} are not as declared: {'; '.join(wrong)}")


def _numbered(con: duckdb.DuckDBPyConnection, shots: pl.DataFrame) -> pl.DataFrame:
    """A new shot_no for each shot, in the frame's order, and its mould_no (0 without a mould)."""
    known = dict(con.execute("SELECT mould, mould_no FROM mould_number").fetchall())
    fresh = sorted({m for m in shots["mould"] if m is not None} - known.keys())
    for number, mould in enumerate(fresh, max(known.values(), default=0) + 1):
        con.execute("INSERT INTO mould_number VALUES (?, ?)", [mould, number])
        known[mould] = number
    sql = "SELECT greatest((SELECT max(shot_no) FROM sample), (SELECT max(shot_no) FROM shot), 0)"
    start = int(con.execute(sql).fetchall()[0][0]) + 1
    return pl.DataFrame(
        {
            "shot": shots["shot"],
            "shot_no": pl.int_range(start, start + shots.height, dtype=pl.Int32, eager=True),
            "mould_no": [0 if m is None else known[m] for m in shots["mould"]],
        },
        schema={"shot": pl.String(), "shot_no": pl.Int32(), "mould_no": pl.Int32()},
    )
