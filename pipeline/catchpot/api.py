"""A workshop from Python, and for plugin commands: its tables, and any analysis computed by hand without storing it.

>>> session = open_session("my-workshop")                          # doctest: +SKIP
>>> session.tables(); session.failures()                           # doctest: +SKIP
>>> session.table("fill", moulds=["hatch-3"])                      # doctest: +SKIP
>>> session.compute("seal_life", ["hatch-3"], until=last_month)    # doctest: +SKIP
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.reads import Over, in_stored_order, of_units

if TYPE_CHECKING:
    import polars as pl

    from catchpot.analysis import Job, Result
    from catchpot.plugins import Registry
    from catchpot.reads import Reads
    from catchpot.run.graph import Plan
    from catchpot.store import Store
    from catchpot.tables import Table
    from catchpot.workshop import Workshop


class Session:
    """An open workshop with its plugins. Only `close` writes to the store."""

    def __init__(self, workshop: Workshop, registry: Registry) -> None:
        self.workshop = workshop
        self.registry = registry

    def __repr__(self) -> str:
        moulds = len(self.workshop.book.moulds)
        shots = self.table("shot", columns=["shot"]).height
        failed = self.failures().select("analysis").n_unique()
        more = f", {failed} of its analyses failed" if failed else ""
        of = f"{shots} {'shot' if shots == 1 else 'shots'} of {moulds} {'mould' if moulds == 1 else 'moulds'}"
        name = self.workshop.settings.workshop.name
        return f"<{name}: {of}, {len(self.plan.steps)} analyses{more}; tables() lists what there is>"

    @property
    def moulds(self) -> list[str]:
        """Moulds of the mould book, by name."""
        return sorted(self.workshop.book.moulds)

    def tables(self) -> pl.DataFrame:
        """What there is: table, its rows now, key, columns (with units), the analyses that give it, what it is."""
        import polars as pl

        by: dict[str, list[str]] = {}
        for step in self.plan.steps:
            for table in step.analysis.yields:
                by.setdefault(table.name, []).append(step.name)
        with self.store.reading() as r:
            rows = [
                (
                    t.name,
                    r.count(t.name),
                    ", ".join(t.key),
                    ", ".join(f"{c.name} [{c.unit}]" if c.unit else c.name for c in t.columns),
                    ", ".join(by.get(t.name, ["the core"])),
                    t.doc,
                )
                for t in sorted(self.declared.values(), key=lambda t: t.name)
            ]
        return pl.DataFrame(rows, schema=["table", "rows", "key", "columns", "analyses", "doc"], orient="row")

    def failures(self) -> pl.DataFrame:
        """What failed when it was last computed: analysis, part (shot, mould or workshop), error in a line, trace."""
        import polars as pl

        with self.store.reading() as r:
            failed = r.ledger().filter(pl.col("status") == "failed")
        last = pl.col("reason").str.strip_chars().str.split("\n").list.last()
        return failed.select("analysis", "part", last.alias("error"), pl.col("reason").alias("trace")).sort(
            "analysis", "part"
        )

    @cached_property
    def plan(self) -> Plan:
        """The analyses in order, with what each reads."""
        from catchpot.run.execute import make_plan

        return make_plan(self.registry)

    @cached_property
    def store(self) -> Store:
        """The workshop's store, knowing every declared table."""
        from catchpot.store import Store

        return Store(self.workshop.store_path, list(self.plan.declared.values()))

    @property
    def declared(self) -> Mapping[str, Table]:
        """Every declared table by name."""
        return self.plan.declared

    def table(
        self,
        name: str,
        moulds: Sequence[str] | None = None,
        *,
        shots: Sequence[str] | None = None,
        columns: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Stored rows of a table, of these moulds or shots only where given; empty where nothing was computed yet."""
        with self.store.reading() as r:
            return r.table(name, columns, shots=shots, moulds=moulds)

    def job(
        self,
        analysis: str,
        moulds: Sequence[str] | None = None,
        until: datetime | None = None,
        params: Mapping[str, Any] | None = None,
        *,
        shots: Sequence[str] | None = None,
    ) -> Job:
        """The job of an analysis over some moulds (None for all), from what is stored.

        until: only what was known at that time. params: settings that override those of the workshop.
        shots: for a shot analysis, just these.
        Raises KeyError for an unknown analysis or mould, pydantic's ValidationError for wrong params.
        """
        from catchpot.run import job
        from catchpot.run.staleness import WHOLE

        step = self.plan.step(analysis)
        known = sorted(self.workshop.book.moulds)
        chosen = list(moulds) if moulds is not None else known
        for m in chosen:
            if m not in self.workshop.book.moulds:
                raise KeyError(f"no mould {m!r} in the mould book; there are {', '.join(known)}")
        given = {**self.workshop.settings.analyses.get(analysis, {}), **(params or {})}
        validated = step.analysis.params.model_validate(given)
        with self.store.reading() as r:
            if step.analysis.part == "shot":
                names = shots if shots is not None else r.table("shot", ["shot"], moulds=chosen)["shot"].to_list()
                units: Sequence[str] = names
            else:
                units = chosen if step.analysis.part == "mould" else [WHOLE]
            reads = _WithLedgers(r, {"event": self.workshop.events, "part": self.workshop.parts})
            return job.build(reads, step, units, self.declared, self.workshop.book, validated, until)

    def compute(
        self,
        analysis: str,
        moulds: Sequence[str] | None = None,
        until: datetime | None = None,
        params: Mapping[str, Any] | None = None,
        *,
        shots: Sequence[str] | None = None,
    ) -> Result:
        """Compute an analysis on the job of these arguments and check what it delivers; nothing is stored."""
        from catchpot.run import deliver

        step = self.plan.step(analysis)
        the_job = self.job(analysis, moulds, until, params, shots=shots)
        result = step.analysis.compute(the_job)
        deliver.check(step.analysis, step.plugin, the_job, result)
        return result

    def close(self, what: str, period: str, closed_at: datetime, content: str) -> bool:
        """Fix a period's numbers for good (table `closed`); False, and nothing written, where that was done before.

        what: the analysis. period: as its owner names it ("2026-10"). content: JSON text. A section reads them back
        from `closed`.
        """
        with self.store.writing() as w:
            return w.close(what, period, closed_at, content)


class _WithLedgers(Over):
    """What is stored, with events and parts as the ledgers hold them now: a note counts before the next run."""

    def __init__(self, under: Reads, ledgers: Mapping[str, pl.DataFrame]) -> None:
        super().__init__(under)
        self._ledgers = ledgers

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        shots: Sequence[str] | None = None,
        moulds: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Rows of a table, as `Reads.table` gives them."""
        if name not in self._ledgers:
            return self.under.table(name, columns, shots, moulds)
        table = self.tables()[name]
        frame = in_stored_order(of_units(self._ledgers[name], table, shots, moulds, self.under), table)
        return frame if columns is None else frame.select(list(columns))


def open_session(home: Path | str | None = None, *, trust_plugins: bool = False) -> Session:
    """Open a workshop folder; without one the folder of CATCHPOT_HOME, else the current one."""
    from catchpot.plugins import load
    from catchpot.workshop import open_workshop

    workshop = open_workshop(Path(home if home is not None else os.environ.get("CATCHPOT_HOME") or "."))
    return Session(workshop, load(workshop, trust=trust_plugins))


__all__ = ["Session", "open_session"]
