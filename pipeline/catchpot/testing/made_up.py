"""Made-up workshops with known truth: one call simulates, one writes a workshop folder, one gives tables in memory.

    from catchpot.testing import made_up as mu

    scenario = mu.Scenario(moulds=(mu.Mould("hatch-1", mu.five_geometries()["strip"], shots=30),))
    made = mu.simulate(scenario, seed=1)          # MadeUp: frames below
    made.shot, made.sample, made.event, made.part # core tables (catchpot.core_tables), types and order as declared
    made.truth_shot                               # one row a log: what is true; see TRUTH in this module
    made.truth_fault, made.truth_change, made.truth_seal, made.truth_meter
    made.book_text()                              # moulds.toml as text; made.book() a MouldBook
    mu.write_workshop(folder, scenario, seed=1)   # catchpot.toml, moulds.toml, events.csv, parts.csv, logs/, truth/

Less of everything: `scenario.with_nuisances(mu.Nuisances.off())` leaves straight fronts, known viscosity and sensor
noise only; switch nuisances on one by one with `dataclasses.replace(mu.Nuisances.off(), lane_sd=0.17, lanes=8)`.
A mould has hoses, strokes, packing and so on only where its fields say so. `straight(name, ...)` and `five_moulds()`
give ready moulds. Changes over weeks: `Change`; faults in a shot: `Fault`; wear: `Seal`. All in `scenario`.

Tables for an analysis in memory: `made.tables()` gives shot, sample, log_note, event, part and, by the core's own
reduction, phase, quality, curve. `mu.job(analysis, made.tables(), made.book(), units)` builds a Job; `mu.compute`
runs it over all units.
"""

from __future__ import annotations

from catchpot.testing.geometry import Geometry, five_geometries
from catchpot.testing.jobs import compute, job
from catchpot.testing.scenario import Change, Fault, Mould, Nuisances, Resin, Scenario, Seal
from catchpot.testing.simulate import MadeUp, five_moulds, simulate
from catchpot.testing.write import write_workshop

__all__ = [
    "Change",
    "Fault",
    "Geometry",
    "MadeUp",
    "Mould",
    "Nuisances",
    "Resin",
    "Scenario",
    "Seal",
    "compute",
    "five_geometries",
    "five_moulds",
    "job",
    "simulate",
    "write_workshop",
]
