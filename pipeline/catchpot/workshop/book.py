"""The mould book: what every shot's mould was like on its day."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, tzinfo
from typing import TYPE_CHECKING, Any, Self

from pydantic import Field, PrivateAttr, model_validator
from pydantic_core import PydanticCustomError

from catchpot.workshop.mould import Mould, MouldKeys, Resin, ResinBatch, Strict
from catchpot.workshop.problems import did_you_mean

if TYPE_CHECKING:
    import polars as pl


def _columns() -> dict[str, Any]:
    """Columns of `for_shots` beside shot and mould, with their types."""
    import polars as pl

    found: dict[str, Any] = {}
    for name, info in MouldKeys.model_fields.items():
        if name == "line_pressure_range_bar":
            found["line_pressure_range_low_bar"] = found["line_pressure_range_high_bar"] = pl.Float64()
        elif name in ("resin", "fill"):
            found[name] = pl.String()
        else:
            found[name] = pl.Boolean() if info.annotation is bool else pl.Float64()
    found |= {name: pl.Float64() for name in Resin.model_fields}
    found["batch_viscosity_pa_s"] = pl.Float64()
    return found


class MouldBook(Strict):
    """moulds.toml: resins, resin batches and moulds by name.

    >>> book = MouldBook.model_validate({"moulds": {"hatch-3": {"thickness_mm": 3.0}}})
    >>> book.moulds["hatch-3"].thickness_mm
    3.0
    """

    resins: dict[str, Resin] = Field(default_factory=dict)
    resin_batches: dict[str, ResinBatch] = Field(default_factory=dict)
    moulds: dict[str, Mould] = Field(default_factory=dict)
    _zone: tzinfo = PrivateAttr(default=UTC)

    @model_validator(mode="after")
    def _resins_exist(self) -> Self:
        # one error a validator: the first unknown resin is named, the caller's own pass names the rest
        for _, _, message in self.unknown_resins():
            raise PydanticCustomError("workshop", "{message}", {"message": message})
        return self

    def unknown_resins(self) -> list[tuple[str, tuple[str | int, ...], str]]:
        """Resins that moulds name and the book doesn't have: name, key path, sentence."""
        return unknown_resins(
            {
                n: [((), m.resin), *((("changes", i), getattr(c, "resin", None)) for i, c in enumerate(m.changes))]
                for n, m in self.moulds.items()
            },
            self.resins,
        )

    def in_zone(self, zone: tzinfo) -> MouldBook:
        """The same book whose dated changes begin with the day in that zone (UTC without)."""
        book = self.model_copy()
        book._zone = zone
        return book

    @property
    def zone(self) -> tzinfo:
        """The workshop's time zone (UTC where none was set): days begin in it."""
        return self._zone

    def at(self, mould: str, when: datetime | date | None = None) -> Mould:
        """The mould's entry with the changes in force at that time; KeyError for an unknown mould."""
        entry = self.moulds[mould]
        if isinstance(when, datetime):
            when = (when if when.tzinfo else when.replace(tzinfo=UTC)).astimezone(self._zone).date()
        return entry.on(when)

    def resin_of(self, mould: str, when: datetime | date | None = None) -> Resin | None:
        """The mould's resin system, None where it names none."""
        name = self.at(mould, when).resin
        return self.resins[name] if name is not None else None

    def digest(self, mould: str) -> str:
        """Hash of all the book says that can touch this mould's results: its entry, its resins, the batches, the zone.

        An unknown mould has a digest too, so that adding it to the book makes its results stale.
        """
        entry = self.moulds.get(mould)
        names = {entry.resin, *(getattr(c, "resin", None) for c in entry.in_order())} - {None} if entry else set()
        content = {
            "mould": entry.model_dump(mode="json") if entry else None,
            "changes": [c.model_dump(mode="json", exclude_unset=True) for c in entry.in_order()] if entry else [],
            "resins": {n: self.resins[n].model_dump(mode="json") for n in sorted(map(str, names))},
            "batches": {n: b.viscosity_pa_s for n, b in sorted(self.resin_batches.items())},
            "zone": str(self._zone),
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()

    def _row(self, entry: Mould) -> dict[str, Any]:
        row: dict[str, Any] = {n: getattr(entry, n) for n in MouldKeys.model_fields}
        low_high = row.pop("line_pressure_range_bar")
        row["line_pressure_range_low_bar"], row["line_pressure_range_high_bar"] = low_high or (None, None)
        if row["clamp_leak_limit_mbar_l_s"] is None and None not in (
            outer := row["outer_leak_limit_mbar_l_s"],
            inner := row["inner_leak_limit_mbar_l_s"],
        ):
            row["clamp_leak_limit_mbar_l_s"] = outer + inner
        resin = self.resins.get(entry.resin) if entry.resin else None
        return row | {n: getattr(resin, n) if resin else None for n in Resin.model_fields}

    def for_shots(self, shots: pl.DataFrame) -> pl.DataFrame:
        """The book's values for each shot.

        shots: columns shot, mould, started_at (UTC or null), resin_batch. Returns one row a shot in the same order:
        shot, mould, every mould key, the resin's keys, batch_viscosity_pa_s; null where absent, all null for a mould
        that the book doesn't have. A change holds from the start of its day in the workshop's zone; a shot whose start
        is unknown gets the entry as first written.
        """
        import polars as pl

        columns = _columns()
        rows: list[dict[str, Any]] = []
        for name in shots["mould"].drop_nulls().unique().to_list():
            entry = self.moulds.get(name)
            if entry is None:
                continue
            for day in [None, *(c.valid_from for c in entry.in_order())]:
                since = datetime.combine(day, time(), self._zone) if day else datetime(1, 1, 1, tzinfo=UTC)
                rows.append({"mould": name, "_since": since.astimezone(UTC), **self._row(entry.on(day))})
        schema = {"mould": pl.String(), "_since": pl.Datetime("us", "UTC"), **columns}
        del schema["batch_viscosity_pa_s"]
        book = pl.DataFrame(rows, schema=schema).sort("_since")
        batches = pl.DataFrame(
            {"resin_batch": list(self.resin_batches),
             "batch_viscosity_pa_s": [b.viscosity_pa_s for b in self.resin_batches.values()]},
            schema={"resin_batch": pl.String(), "batch_viscosity_pa_s": pl.Float64()},
        )  # fmt: skip
        first = datetime(1, 1, 1, tzinfo=UTC)
        left = (
            shots.select("shot", "mould", "started_at", "resin_batch")
            .with_row_index("_n")
            .with_columns(_at=pl.col("started_at").cast(pl.Datetime("us", "UTC")).fill_null(first))
            .sort("_at")
        )
        return (
            left.join_asof(
                book, left_on="_at", right_on="_since", by="mould", strategy="backward", check_sortedness=False
            )
            .join(batches, on="resin_batch", how="left")
            .sort("_n")
            .select("shot", "mould", *columns)
        )


def unknown_resins(
    named: Mapping[str, list[tuple[tuple[str | int, ...], Any]]], resins: Mapping[str, Any]
) -> list[tuple[str, tuple[str | int, ...], str]]:
    """Resins that moulds name and the book doesn't have.

    named: mould -> (path within the mould's table, resin name or None).
    """
    return [
        (name, ("moulds", mould, *path, "resin"), f"no resin {name!r} in [resins]{did_you_mean(str(name), resins)}")
        for mould, mentions in named.items()
        for path, name in mentions
        if isinstance(name, str) and name not in resins
    ]
