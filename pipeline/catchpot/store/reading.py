"""What an open store gives: any table as a frame, samples in order, the ledger."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import polars as pl

from catchpot.core_tables import CORE_TABLES, SAMPLE
from catchpot.store import kept, ledger, schema
from catchpot.store.kept import State
from catchpot.store.ledger import Groups
from catchpot.store.schema import quote
from catchpot.tables import Table, empty, polars_schema

if TYPE_CHECKING:
    import duckdb

CORE = {t.name: t for t in CORE_TABLES}


class UnknownTableError(KeyError):
    """No table of that name is declared or stored."""

    def __str__(self) -> str:
        return str(self.args[0])


class Reading:
    """An open store, to read. con: for the store's own room only; None where there is no store yet."""

    def __init__(self, con: duckdb.DuckDBPyConnection | None, declared: Mapping[str, Table]) -> None:
        self.con = con
        self._given = {**CORE, **declared}
        self._look()

    def _look(self) -> None:
        """Forget what was seen of the tables; it is looked up where it is asked for."""
        for seen in ("_columns", "_stored"):
            self.__dict__.pop(seen, None)

    @cached_property
    def _columns(self) -> dict[str, set[str]]:
        """The tables that are there, and their columns."""
        return schema.columns_of_all(self.con) if self.con is not None else {}

    @cached_property
    def _stored(self) -> dict[str, Table]:
        return schema.stored_declarations(self.con) if self.con is not None else {}

    def tables(self) -> dict[str, Table]:
        """Declarations of all tables: the core's, the given plugins', and those only the store knows."""
        return {**self._stored, **self._given}

    def declaration(self, name: str) -> Table:
        """The declaration of a table; UnknownTableError where there is none."""
        if name in self._given:
            return self._given[name]
        try:
            return self._stored[name]
        except KeyError:
            raise UnknownTableError(
                f"there is no table {name!r}; there are {', '.join(sorted(self.tables()))}"
            ) from None

    def stored(self, tables: Sequence[Table]) -> bool:
        """Whether these derived tables are there, as declared."""
        return all(t.name in self._columns and self._stored.get(t.name) == t for t in tables)

    def owned(self, analysis: str) -> list[str]:
        """Tables that this analysis alone has written; shared ones left out."""
        from catchpot.store.results import owned

        return owned(self.con, analysis) if self.con is not None else []

    def ledger(self, status: str | None = None) -> pl.DataFrame:
        """What was computed: analysis, part, key, status, reason, seconds. status: only what ended so."""
        return ledger.read(self.con, status) if self.con is not None else ledger.nothing()

    def standing(self) -> dict[str, str]:
        """For each mould (and what belongs to none) a text that changes with anything computed for it or its shots."""
        return ledger.standing(self.con) if self.con is not None and "ledger_group" in self._columns else {}

    def ledger_counts(self) -> dict[str, int]:
        """How many parts of each analysis were computed."""
        return ledger.counts(self.con) if self.con is not None else {}

    def ledger_costs(self) -> dict[str, tuple[int, float]]:
        """How many parts of each analysis were computed, and the seconds that one of them took in the mean."""
        return ledger.costs(self.con) if self.con is not None else {}

    def ledger_groups(self) -> dict[str, Groups]:
        """For each analysis the groups (moulds, the workshop) whose parts all ended well, with key and parts."""
        if self.con is None or "ledger_group" not in self._columns:
            return {}
        return ledger.groups(self.con)

    def ledger_of(self, analysis: str, parts: Sequence[str] | None) -> dict[str, tuple[str, str]]:
        """Key and status of parts of an analysis, all where None."""
        return ledger.of_parts(self.con, analysis, parts) if self.con is not None else {}

    def kept(self, analysis: str, parts: Sequence[str]) -> dict[str, State]:
        """What an analysis keeps of these parts: key, shots behind it, state."""
        if self.con is None or "kept" not in self._columns or not parts:
            return {}
        return kept.read(self.con, analysis, parts)

    def state(self) -> list[str]:
        """What tells one state of the store from another: keys of groups, failures, files set aside, what is closed.

        It reads no results: where these change, so does a key.
        """
        if self.con is None:
            return []
        asked = {
            "ledger_group": 'SELECT bit_xor(hash(analysis, "group", key)), count(*) FROM ledger_group',
            "ledger": "SELECT bit_xor(hash(analysis, part, key, status)), count(*) FROM ledger WHERE status = 'failed'",
            "quarantine": "SELECT bit_xor(hash(q)), count(*) FROM quarantine q",
            "closed": "SELECT bit_xor(hash(c)), count(*) FROM closed c",
            "shot": "SELECT bit_xor(hash(shot, source_digest, revision)), count(*) FROM shot",
        }
        return [f"{t} {self.con.execute(sql).fetchall()}" for t, sql in asked.items() if t in self._columns]

    def timing(self) -> pl.DataFrame:
        """What each analysis's last computing took; see `ledger.TIMING`."""
        if self.con is None or "ledger_timing" not in self._columns:
            return pl.DataFrame(schema=ledger.TIMING)
        return self.fetch(f"SELECT {', '.join(ledger.TIMING)} FROM ledger_timing ORDER BY analysis")

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        shots: Sequence[str] | None = None,
        moulds: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Rows of a table, ordered by shot (else by key) and, within, as they were delivered.

        columns: names asked for, in that order; None for all. shots, moulds: only rows of these; None for all.
        A table with `shot` but no `mould` is narrowed by the moulds of its shots. A table nobody wrote yet comes empty.
        """
        table = self.declaration(name)
        if name == "sample":
            if moulds is not None:
                wanted = set(self.table("shot", ["shot"], shots, moulds)["shot"])
                shots = sorted(wanted)
            return self.samples(shots, columns)
        asked = list(columns) if columns is not None else list(table.names)
        types = polars_schema(table)
        for c in asked:
            if c not in types:
                raise UnknownTableError(f"table {name} has no column {c!r}; it has {', '.join(table.names)}")
        if self.con is None or name not in self._columns:
            return empty(table).select(asked)
        there = self._columns[name]
        picked = ", ".join(f"t.{quote(c)}" if c in there else f"NULL AS {quote(c)}" for c in asked)
        where, units = self._narrowed(table, shots, moulds)
        order = ["shot"] if "shot" in table.names else list(table.key)
        by = ", ".join([*(f"t.{quote(c)}" for c in order if c in there), "t.rowid"])
        frame = self.fetch(f"SELECT {picked} FROM {quote(name)} t {where} ORDER BY {by}", units)
        return frame.cast({c: types[c] for c in asked})

    def count(self, name: str) -> int:
        """Number of rows of a table; 0 for one that nobody wrote yet."""
        self.declaration(name)
        if self.con is None or name not in self._columns:
            return 0
        return int(self.fetch(f"SELECT count(*) AS n FROM {quote(name)}")["n"][0])

    def samples(self, shots: Sequence[str] | None, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Samples of the given shots (None for all), ordered by shot, then t_s; `shot` and the columns asked for."""
        asked = [c for c in (columns if columns is not None else SAMPLE.names) if c != "shot"]
        types = polars_schema(SAMPLE)
        for c in asked:
            if c not in types:
                raise UnknownTableError(f"table sample has no column {c!r}; it has {', '.join(SAMPLE.names)}")
        out = ["shot", *asked] if columns is None or "shot" in columns else asked
        if self.con is None or "sample" not in self._columns:
            return empty(SAMPLE).select(out)
        where, units = self._narrowed(CORE["shot"], shots, None)
        numbers = self.fetch(f"SELECT t.shot, t.shot_no FROM shot t {where}", units).sort("shot")
        numbers = numbers.with_row_index("_rank")
        read = dict.fromkeys(["t_s", *asked])
        there = self._columns["sample"]
        picked = ", ".join(f"s.{quote(c)}" if c in there else f"NULL AS {quote(c)}" for c in read)
        # Rows lie contiguous and ordered within a shot; whether the shots come in order is seen, and seldom not so.
        frame = self.fetch(
            f"SELECT u._rank, {picked} FROM sample s JOIN units u ON s.shot_no = u.shot_no",
            numbers.select("_rank", "shot_no"),
        )
        if not _in_order(frame):
            frame = frame.sort("_rank", "t_s", maintain_order=True)
        frame = frame.with_columns(numbers["shot"].gather(frame["_rank"]).alias("shot"))
        return frame.select(out).cast({c: types[c] for c in out})

    def thinned(self, shots: Sequence[str], columns: Sequence[str], buckets: int) -> pl.DataFrame:
        """Samples of the given shots as the lowest and highest value of each of so many equal stretches of time.

        Returns shot, t_s (first of the stretch) and COLUMN_low, COLUMN_high, ordered by shot, then t_s; null where a
        channel has no value in the stretch.
        """
        asked = [c for c in columns if c not in ("shot", "t_s")]
        if self.con is None or "sample" not in self._columns:
            ends = {f"{c}_{end}": pl.Float64() for c in asked for end in ("low", "high")}
            return pl.DataFrame(schema={"shot": pl.String(), "t_s": pl.Float64(), **ends})
        where, units = self._narrowed(CORE["shot"], shots, None)
        numbers = self.fetch(f"SELECT t.shot, t.shot_no FROM shot t {where}", units)
        there = self._columns["sample"]
        picked = "".join(
            f", min(s.{quote(c)}) AS {quote(c + '_low')}, max(s.{quote(c)}) AS {quote(c + '_high')}"
            if c in there
            else f", NULL::DOUBLE AS {quote(c + '_low')}, NULL::DOUBLE AS {quote(c + '_high')}"
            for c in asked
        )
        return self.fetch(
            f"""WITH span AS (
                SELECT u.shot, u.shot_no, max(s.t_s) / {int(buckets)} AS step
                FROM sample s JOIN units u ON s.shot_no = u.shot_no GROUP BY ALL
            )
            SELECT u.shot, min(s.t_s) AS t_s{picked}
            FROM sample s JOIN span u ON s.shot_no = u.shot_no
            GROUP BY u.shot, CASE WHEN u.step > 0 THEN least(floor(s.t_s / u.step), {int(buckets) - 1}) ELSE 0 END
            ORDER BY u.shot, t_s""",
            numbers,
        )

    def fetch(self, sql: str, units: pl.DataFrame | None = None) -> pl.DataFrame:
        """The rows of a query; `units` is there as a relation of that name."""
        assert self.con is not None
        if units is not None:
            self.con.register("units", units.to_arrow())
        try:
            got = pl.from_arrow(self.con.sql(sql).to_arrow_table())
        finally:
            if units is not None:
                self.con.unregister("units")
        assert isinstance(got, pl.DataFrame)
        return got

    def _narrowed(
        self, table: Table, shots: Sequence[str] | None, moulds: Sequence[str] | None
    ) -> tuple[str, pl.DataFrame | None]:
        if shots is not None and moulds is not None:
            both = self.table("shot", ["shot", "mould"], shots=shots)
            shots, moulds = both.filter(pl.col("mould").is_in(list(moulds)))["shot"].to_list(), None
        if shots is not None and "shot" in table.names:
            unit = pl.DataFrame({"unit": list(shots)}, schema={"unit": pl.String()})
            return "SEMI JOIN units u ON t.shot = u.unit", unit
        if moulds is not None:
            unit = pl.DataFrame({"unit": list(moulds)}, schema={"unit": pl.String()})
            if "mould" in table.names:
                return "SEMI JOIN units u ON t.mould = u.unit", unit
            if "shot" in table.names:
                of = "(SELECT s.shot FROM shot s SEMI JOIN units u ON s.mould = u.unit)"
                return f"SEMI JOIN {of} o ON t.shot = o.shot", unit
        return "", None


def _in_order(frame: pl.DataFrame) -> bool:
    """Whether rows come by rank, then by time."""
    if frame.height < 2:
        return True
    rank, t = pl.col("_rank"), pl.col("t_s")
    later = (rank > rank.shift(1)) | ((rank == rank.shift(1)) & (t >= t.shift(1)))
    return bool(frame.select(later.slice(1).all()).item())
