"""Shots put together by hand, so that the march can be held against answers from outside."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from catchpot.testing.front import Bed
from catchpot.testing.geometry import Geometry, Paths, path
from catchpot.testing.machine import Machine
from catchpot.testing.march import Record, Shots, Troubles, march
from catchpot.testing.vacuum import EVACUATE, INJECT, SEGMENTS, Gas

AMBIENT = 1013.25


def one(value: float) -> Any:
    return np.array([value], dtype=float)


def still_gas(**changes: float) -> Gas:
    """Both volumes at ambient with nothing leaking, straight to injection."""
    values: dict[str, Any] = {
        name: one(0.0)
        for name in (
            "outer", "inner", "cavity", "outer_choked", "inner_choked", "cavity_choked", "squeeze", "clamp_receiver",
            "pump_l_s", "outgas", "warming_k_s",
        )
    }  # fmt: skip
    values |= {
        "ambient": one(AMBIENT), "clamp_volume": one(0.8), "cavity_volume": one(5.0), "wetted": one(1.0),
        "clamp_set": one(50.0), "clamp_band": one(15.0), "cavity_set": one(AMBIENT), "cavity_pump_l_s": one(1.0),
        "outgas_s": one(60.0), "segment": np.full((1, SEGMENTS), INJECT),
        "segment_end_s": np.full((1, SEGMENTS), np.inf),
    }  # fmt: skip
    values["segment"][0, 0] = EVACUATE
    values["segment_end_s"][0, 0] = 0.0
    return Gas(**(values | {k: one(v) for k, v in changes.items()}))


@pytest.fixture
def gas() -> Callable[..., Gas]:
    return still_gas


@pytest.fixture
def fill() -> Callable[..., Record]:
    """March one straight front: SI arguments, pressures gauge with the cavity at ambient."""

    def run(
        geometry: Geometry,
        *,
        permeability: float = 1e-9,
        porosity: float = 0.8,
        viscosity: float = 0.2,
        flow: float = 1.0,
        pressure: float = 1e5,
        line_resistance: float = 0.0,
        gel_s: float = np.inf,
        dt_s: float = 0.5,
        longest_s: float = 3000.0,
        extra_share: float = 0.01,
        bed: dict[str, Any] | None = None,
        machine: dict[str, Any] | None = None,
        gas: dict[str, float] | None = None,
        troubles: dict[str, Any] | None = None,
    ) -> Record:
        volume = geometry.part_area_m2 * geometry.thickness_mm * 1e-3 * porosity
        zero = one(0.0)
        made_bed = Bed(
            np.zeros(1, np.intp), one(volume), one(permeability), np.ones((1, 1)), np.ones((1, 1)), one(viscosity),
            one(viscosity), one(line_resistance), zero, zero, zero, zero, zero, zero, one(1.0),
        )  # fmt: skip
        for name, value in (bed or {}).items():
            setattr(made_bed, name, np.atleast_1d(np.asarray(value, dtype=float)))
        made_machine = Machine(
            one(1.0), one(flow), one(pressure), zero, one(volume * (1 + extra_share)), one(2.0), zero, zero, zero,
            one(1.0), one(longest_s),
        )  # fmt: skip
        for name, value in (machine or {}).items():
            setattr(made_machine, name, one(value))
        trouble = Troubles.none(1)
        if np.isfinite(gel_s):
            trouble.gel_s, trouble.gel_from = one(gel_s), one(0.0)
        for name, value in (troubles or {}).items():
            setattr(trouble, name, np.atleast_1d(np.asarray(value, dtype=float)))
        shots = Shots(
            made_bed,
            made_machine,
            still_gas(**(gas or {})),
            trouble,
            one(geometry.thickness_mm),
            one(porosity),
            one(5.0),
        )
        return march(Paths.of([path(geometry)]), shots, dt_s)

    return run
