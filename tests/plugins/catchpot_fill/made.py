"""Made-up shots with known truth for the tests of the fill plugin: straight channels and plates in two dimensions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl

from catchpot.analysis import Result
from catchpot.core_tables import EVENT, PART
from catchpot.tables import shape, violations
from catchpot.testing import made_up as mu
from catchpot.testing.plates import (
    Disturbances,
    PlateShots,
    draw_plate,
    draw_practice,
    plate_book,
    plate_shots,
    plate_tables,
)
from catchpot.workshop import MouldBook
from catchpot_fill.tables import FILL, INJECTION, OWN_CURVE, PERMEABILITY

OFF = mu.Nuisances.off()
Tables = Mapping[str, pl.DataFrame]


@lru_cache(maxsize=8)
def made(name: str = "all-round", shots: int = 6, nuisances: mu.Nuisances = OFF, seed: int = 5,
         settings: tuple[tuple[str, Any], ...] = ()) -> tuple[mu.MadeUp, Tables]:  # fmt: skip
    """Made-up shots of one mould `m` and their core tables; nothing is weighed unless the settings say so."""
    chosen = {"weigh_part": False} | dict(settings)
    mould = mu.Mould("m", mu.five_geometries()[name], shots=shots, **chosen)
    shots_made = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=nuisances), seed, dt_s=0.5)
    return shots_made, shots_made.tables()


@lru_cache(maxsize=8)
def plates(family: str = "window", shots: int = 14, seed: int = 3, strokes: bool = False, by_eye: float = 0.0,
           short: float = 0.0) -> tuple[PlateShots, Tables, MouldBook]:  # fmt: skip
    """Shots of one plate `p` with the usual disturbances, 6 % past the vent, and their core tables.

    strokes: counted instead of a flow meter. short: chance that a shot is stopped before the vent.
    """
    rng = np.random.default_rng([seed, 41])
    plate = draw_plate(rng, family)
    dials = replace(Disturbances(), strokes=float(strokes), gauge_floor=0.0, meter_step=0.0, cavity_step=0.0,
                    over_run=0.06)  # fmt: skip
    ways = replace(draw_practice(rng, plate, dials), stop="eye" if by_eye else "set", eye_s=by_eye, short_chance=short,
                   tweak_chance=0.0, hz=4.0)  # fmt: skip
    shots_made = plate_shots(rng, plate, shots, dials, variants=3, practice=ways, gains=np.ones(shots))
    return shots_made, plate_tables({"p": shots_made}), plate_book({"p": shots_made})


def run(tables: Tables, book: MouldBook, **more: Any) -> Result:
    """`injection` and `fill`, their tables as promised."""
    result = mu.filled(tables, book, **more)
    for table in (INJECTION, FILL, PERMEABILITY, OWN_CURVE):
        assert violations(table, result.tables[table.name]) == []
    return result


def with_truth(result: Result, shots: mu.MadeUp) -> pl.DataFrame:
    """`fill` with the columns of truth_shot, `_true` where both have a name."""
    return result.tables["fill"].join(shots.truth_shot, on="shot", suffix="_true", maintain_order="left")


def without(book: MouldBook, *keys: str, **changed: Any) -> MouldBook:
    """The book with keys of its only mould taken out or changed."""
    data = book.model_dump(exclude_none=True)
    (mould,) = data["moulds"].values()
    for key in keys:
        mould.pop(key, None)
    mould.update(changed)
    return MouldBook.model_validate(data)


def weighed(tables: Tables, pots: Mapping[str, float]) -> Tables:
    """The tables with catch pots weighed, kg by shot."""
    return {**tables, "part": shape(PART, {"shot": list(pots), "overflow_kg": list(pots.values())})}


def noted(tables: Tables, events: list[tuple[Any, str | None, str, str]]) -> Tables:
    """The tables with events: time, mould, kind, detail."""
    times, moulds, kinds, details = zip(*events, strict=True)
    rows = {"row": list(range(2, len(events) + 2)), "time": list(times), "mould": pl.Series(moulds, dtype=pl.String),
            "kind": list(kinds), "detail": list(details)}  # fmt: skip
    return {**tables, "event": shape(EVENT, rows)}


def first(tables: Tables, n: int) -> Tables:
    """The first n shots."""
    names = tables["shot"].sort("started_at", "shot")["shot"].head(n).to_list()
    return {t: f.filter(pl.col("shot").is_in(names)) if "shot" in f.columns else f for t, f in tables.items()}


def reasons(result: Result, what: str) -> set[str]:
    """Why a value was refused."""
    return {r.reason for r in result.refused if r.what == what}
