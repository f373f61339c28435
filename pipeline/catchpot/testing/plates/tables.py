"""Shots of made-up plates as the core's tables in memory, with the owner's mould book."""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from catchpot.testing.plates.practice import RESIN_KG_M3, RESIN_PA_S, RESIN_TEMP_C
from catchpot.testing.plates.shots import PlateShots
from catchpot.testing.plates.write import ACTIVATION_K

if TYPE_CHECKING:
    import polars as pl

    from catchpot.workshop import MouldBook


def plate_book(moulds: Mapping[str, PlateShots]) -> MouldBook:
    """The mould book as the owners of the plates keep it."""
    from catchpot.workshop import MouldBook

    resin = {"viscosity_pa_s": RESIN_PA_S, "viscosity_temp_c": RESIN_TEMP_C, "viscosity_activation_k": ACTIVATION_K,
             "density_kg_m3": RESIN_KG_M3}  # fmt: skip
    entries = {name: made.book | {"resin": "ve-p"} for name, made in moulds.items()}
    return MouldBook.model_validate({"resins": {"ve-p": resin}, "moulds": entries})


def plate_tables(moulds: Mapping[str, PlateShots]) -> dict[str, pl.DataFrame]:
    """All core tables of plates by mould; shots are named MOULD-000, MOULD-001, ... Nothing is weighed or noted."""
    import polars as pl

    from catchpot.core_tables import EVENT, PART, SAMPLE, SHOT
    from catchpot.tables import empty, shape
    from catchpot.testing.jobs import reduced
    from catchpot.testing.sensors import running_volume

    shots, samples = [], []
    for name, made in moulds.items():
        n, strokes = len(made.logs), made.practice.stroke_ml
        names = [f"{name}-{i:03d}" for i in range(n)]
        shots.append(shape(SHOT, {
            "shot": names, "mould": [name] * n, "started_at": made.started_at, "injector": ["injector-1"] * n,
            "programmed_volume_l": made.truth["programmed_l"], "fabric_batch": made.fabric_batch,
            "resin_batch": [f"R{i // 12 + 1:02d}" for i in range(n)],
            "source_file": [f"logs/{name}/{s}.csv" for s in names],
            "source_digest": [sha256(f"{s} in memory".encode()).hexdigest() for s in names], "revision": [1] * n,
            "samples": [len(log["t_s"]) for log in made.logs],
            "stroke_volume_ml": pl.Series([strokes] * n, dtype=pl.Float64),
            "channels": [" ".join(c for c in log if c != "t_s") for log in made.logs], "notes": [json.dumps({})] * n,
        }))  # fmt: skip
        for s, log in zip(names, made.logs, strict=True):
            columns = {**log, "vol_l": running_volume(log, strokes), "shot": np.repeat(s, len(log["t_s"]))}
            samples.append(shape(SAMPLE, columns))
    shot = pl.concat(shots).sort("started_at", "shot")
    return reduced(shot, pl.concat(samples).sort("shot", "t_s"), empty(EVENT), empty(PART), plate_book(moulds))
