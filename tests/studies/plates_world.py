"""Made-up moulds in two dimensions as the tables the analyses take, in memory, with their truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from catchpot.core_tables import PART
from catchpot.tables import shape
from catchpot.testing.jobs import compute
from catchpot.testing.plates import Disturbances, draw_plate, plate_book, plate_shots, plate_tables
from catchpot.workshop import MouldBook
from catchpot_fill.analysis import FillAnalysis
from catchpot_fill.injection_analysis import InjectionAnalysis


@dataclass(frozen=True)
class PlateMould:
    """One mould: core tables with `injection`, book, and truth (one row a shot, metered litres)."""

    name: str
    family: str
    tables: dict[str, pl.DataFrame]
    book: MouldBook
    truth: pl.DataFrame

    def filled(self) -> dict[str, pl.DataFrame]:
        """The tables with those of the fill analysis beside them."""
        return self.tables | dict(compute(FillAnalysis(), self.tables, self.book, declared=_DECLARED).tables)


_DECLARED = {t.name: t for t in InjectionAnalysis.yields}


def moulds(seed: int, count: int, shots: int, dials: Disturbances | None = None, *, variants: int = 5,
           weigh: tuple[int, ...] = (), fault_chance: float = 0.0) -> list[PlateMould]:  # fmt: skip
    """Moulds drawn by a seed. weigh: numbers of the shots whose catch pot is weighed, to 10 g. fault_chance: of each
    shot from the eleventh on; truth then says its kind and severity."""
    return [_mould(seed, k, shots, dials, variants, weigh, fault_chance) for k in range(count)]


def _mould(seed: int, k: int, shots: int, dials: Disturbances | None, variants: int, weigh: tuple[int, ...],
           fault_chance: float) -> PlateMould:  # fmt: skip
    rng = np.random.default_rng([seed, k])
    plate = draw_plate(rng)
    made = plate_shots(rng, plate, shots, dials, variants=variants, fault_chance=fault_chance)
    name = f"plate-{seed}-{k}"
    tables, book = plate_tables({name: made}), plate_book({name: made})
    tables |= dict(compute(InjectionAnalysis(), tables, book).tables)
    pot = np.asarray(made.truth["pot_kg"]) + 0.005 * rng.standard_normal(shots)
    names = [f"{name}-{i:03d}" for i in range(shots)]
    tables["part"] = shape(PART, {"shot": [names[i] for i in weigh], "overflow_kg": [max(0.0, pot[i]) for i in weigh]})
    columns = ("arrival_l", "arrived", "injected_l", "taken_l", "full_l", "pot_kg", "meter_gain", "cavity_factor",
               "stopped_short")  # fmt: skip
    truth = pl.DataFrame({"shot": names} | {c: np.asarray(made.truth[c], dtype=float) for c in columns})
    if fault_chance:
        ill = {f.number: f for f in made.faults}
        truth = truth.with_columns(
            kind=pl.Series([ill[i].kind if i in ill else "" for i in range(shots)]),
            severity=pl.Series([ill[i].severity if i in ill else 0.0 for i in range(shots)]),
        )
    return PlateMould(name, plate.family, tables, book, truth)
