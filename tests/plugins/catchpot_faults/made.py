"""A made-up mould with faults known by shot, and what the analyses say of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from catchpot.analysis import Refused
from catchpot.testing import made_up as mu
from catchpot.workshop import MouldBook
from catchpot_faults.analysis import Faults
from catchpot_faults.signs import FaultSigns
from catchpot_faults.tables import FAULT_SIGN
from catchpot_fill.analysis import FillAnalysis
from catchpot_fill.injection_analysis import InjectionAnalysis
from catchpot_fill.tables import FILL, INJECTION

DECLARED = {t.name: t for t in (FILL, INJECTION, FAULT_SIGN)}
PUT: Mapping[int, tuple[str, dict[str, object]]] = {
    14: ("flow_restriction", {"severity": 5.0, "begins": 0.5}),
    17: ("early_gel", {"severity": 60.0, "begins": 0.5}),
    20: ("air_in_line", {"severity": 4.0, "lasts_s": 2.0}),
    22: ("ratio_off", {"severity": -0.25, "begins": 0.4, "span": 0.3}),
    24: ("catalyst_starved", {"severity": 0.95, "begins": 0.6}),
    26: ("sensor_offset", {"severity": 0.06, "channel": "line_pressure_bar"}),
    28: ("sensor_stuck", {"severity": 25.0, "channel": "cavity_pressure_mbar"}),
    30: ("vacuum_lost", {"severity": 200.0, "begins": 0.4}),
    32: ("vent_blocked", {"severity": 0.97, "begins": 0.4}),
    34: ("cover_lifting", {"severity": 0.6, "begins": 0.4}),
    36: ("race_tracking", {"severity": 0.4}),
    38: ("short_fill", {"severity": 0.2}),
    40: ("unusual_shape", {"severity": 0.65, "begins": 0.35}),
    42: ("sensor_offset", {"severity": -35.0, "channel": "cavity_pressure_mbar"}),
}
"""Shot number -> fault and its dial."""


@dataclass(frozen=True)
class Judged:
    """Tables in and out of the analyses for the made-up mould."""

    made: mu.MadeUp
    tables: dict[str, pl.DataFrame]
    book: MouldBook
    result: Mapping[str, pl.DataFrame]
    refused: list[Refused]

    def kinds(self, number: int) -> list[str]:
        """Kinds found in a shot by its number."""
        return sorted(self.result["finding"].filter(pl.col("shot") == f"bow-{number + 1:04d}")["kind"])

    def message(self, number: int, kind: str) -> str:
        """The sentence of a finding."""
        rows = self.result["finding"].filter((pl.col("shot") == f"bow-{number + 1:04d}") & (pl.col("kind") == kind))
        return str(rows["message"][0])


def judge_made(made: mu.MadeUp) -> Judged:
    """Everything up to `faults` over a simulated workshop."""
    tables, book = made.tables(), made.book()
    for analysis in (InjectionAnalysis(), FillAnalysis(), FaultSigns()):
        tables |= dict(mu.compute(analysis, tables, book, declared=DECLARED).tables)
    result = mu.compute(Faults(), tables, book, declared=DECLARED)
    return Judged(made, tables, book, result.tables, list(result.refused))


def bow() -> Judged:
    """The mould `bow`: 46 shots and hold checks, a fault in each shot of PUT."""
    mould = mu.Mould("bow", mu.five_geometries()["strip"], shots=46, hold_checks=15, holds=1)
    faults = tuple(mu.Fault("bow", kind, at, **dial) for at, (kind, dial) in PUT.items())  # type: ignore[arg-type]  # dials by name
    return judge_made(mu.simulate(mu.Scenario(moulds=(mould,), faults=faults), seed=4))
