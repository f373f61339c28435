"""Made-up moulds in two dimensions as the tables the analyses take, in memory, with their truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from catchpot.core_tables import EVENT, LOG_NOTE, PART, SAMPLE, SHOT
from catchpot.ingest.reduce import LogAnalysis
from catchpot.ingest.strokes import from_strokes
from catchpot.tables import empty, shape
from catchpot.testing.jobs import compute
from catchpot.testing.plates import Disturbances, PlateShots, draw_plate, plate_shots
from catchpot.workshop import MouldBook
from catchpot_fill.analysis import FillAnalysis
from catchpot_fill.injection_analysis import InjectionAnalysis

RESIN = {"viscosity_pa_s": 0.2, "viscosity_temp_c": 23.0, "viscosity_activation_k": 4200, "density_kg_m3": 1100}


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
    tables = _tables(made, name)
    book = MouldBook.model_validate({"resins": {"r": RESIN}, "moulds": {name: {**made.book, "resin": "r"}}})
    tables |= dict(compute(LogAnalysis(), tables, book).tables)
    tables |= dict(compute(InjectionAnalysis(), tables, book).tables)
    pot = np.asarray(made.truth["pot_kg"]) + 0.005 * rng.standard_normal(shots)
    names = tables["shot"]["shot"].to_list()
    tables["part"] = shape(PART, {"shot": [names[i] for i in weigh], "overflow_kg": [max(0.0, pot[i]) for i in weigh]})
    tables["event"] = empty(EVENT)
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


def _tables(made: PlateShots, name: str) -> dict[str, pl.DataFrame]:
    stroke = made.practice.stroke_ml
    rows: list[dict[str, Any]] = []
    frames = []
    for i, log in enumerate(made.logs):
        shot, columns = f"{name}-{i:03d}", dict(log)
        if "flow_l_min" in columns:
            q = columns["flow_l_min"] / 60.0
            volume = np.concatenate([[0.0], np.cumsum(0.5 * (q[1:] + q[:-1]) * np.diff(columns["t_s"]))])
        else:
            assert stroke is not None
            flow, volume, _ = from_strokes(columns["t_s"], columns["pump_strokes"], float(stroke))
            columns["flow_l_min"] = flow
        frames.append(pl.DataFrame({"shot": [shot] * len(volume), "vol_l": volume.round(4), **columns}))
        rows.append({"shot": shot, "mould": name, "started_at": made.started_at[i], "injector": "injector-1",
                     "programmed_volume_l": float(made.truth["programmed_l"][i]), "stroke_volume_ml": stroke,
                     "fabric_batch": made.fabric_batch[i], "channels": " ".join(log)})  # fmt: skip
    sample = pl.concat(frames, how="diagonal")
    return {
        "shot": shape(SHOT, {c: [r[c] for r in rows] for c in rows[0]}),
        "sample": shape(SAMPLE, {c: sample[c] for c in sample.columns}),
        "log_note": empty(LOG_NOTE),
    }
