"""Made-up workshops with known truth: one call simulates, one writes a workshop folder, one gives tables in memory.

    from catchpot.testing import made_up as mu

    scenario = mu.Scenario(moulds=(mu.Mould("hatch-1", mu.five_geometries()["strip"], shots=30),))
    made = mu.simulate(scenario, seed=1)          # MadeUp: frames below
    made.shot, made.sample, made.event, made.part # core tables (catchpot.core_tables), types and order as declared
    made.truth_shot                               # one row a log: what is true; see TRUTH in this module
    made.truth_fault, made.truth_change, made.truth_seal, made.truth_meter
    made.book_text()                              # moulds.toml as text; made.book() a MouldBook
    mu.write_workshop(folder, scenario, seed=1)   # catchpot.toml, moulds.toml, events.csv, parts.csv, logs/, truth/

`mu.five_moulds(shots, **settings)` gives a healthy mould of each of five geometries (strip, wedge, all-round, disc from
a port, disc from its rim); `settings` are fields of `Mould`. Simulating costs about 8 ms a shot in batches of 192, most
of it independent of how many there are: simulate many shots at once rather than few often. `dt_s=0.5` halves it.

Less of everything: `scenario.with_nuisances(mu.Nuisances.off())` leaves straight fronts, known viscosity and sensor
noise only; switch nuisances on one by one with `dataclasses.replace(mu.Nuisances.off(), lane_sd=0.17, lanes=8)`.
A mould has hoses, strokes, packing and so on only where its fields say so, and only while the nuisance is on.

Where to look for what is true, by what is estimated (columns of `truth_shot` unless said):
- arrival volume: `arrival_volume_l`, as the meter counts, null where resin never came to the vent; `stop_s < arrival_s`
  where it came after the stop, pushed by the cover. `full_volume_l`: last corner. `overflow_l`: injected - arrival.
- mobility: `mobility_m2_pa_s` (what a perfect analysis with the book's thickness and this meter would see);
  `permeability_seen_m2` = that x true viscosity; `permeability_m2` = the pack itself. `line_resistance_per_m3`.
- leaks: `outer_leak_mbar_l_s`, `inner_...`, `cavity_...`, `clamp_...` at the reference states; `*_clean_*` without the
  shot's noise. `truth_seal`: each life with its limit and `crossing_age_shots` (shots since replacement).
- changes over weeks: `Change(mould, cause, amount, at_shot, over_shots)`; `truth_change` says since when.
  A cause of the volume shows its litres best by simulating the same seed without the change and subtracting.
- faults: `Fault(mould, kind, shot, severity)`; shot numbers count from 0, names from 1 (`hatch-1-0001` is shot 0).
  `truth_fault`: where it begins, and `happened` = False where the shot ended before.
- meters: `Scenario(meter_gain=(("injector-1", 1.02),))` and `Change(..., "flow_meter", ...)`; `truth_meter`.
- `filled_share` 1 means no dry corner. `kind` is "shot" or "hold_check".

Tables for an analysis in memory: `made.tables()` gives shot, sample, log_note, event, part and, by the core's own
reduction, phase, quality, curve. `mu.compute(analysis, made.tables(), made.book())` runs an analysis over all its units
in batches of 500 shots and gives a Result; add other analyses' tables to the mapping and their declarations as
`declared={t.name: t for t in analysis.yields}`. `mu.job(...)` builds a single Job (`until` for look-ahead tests).
`mu.filled(tables, book)` runs the chain of `injection` and `fill`.

    result = mu.filled(made.tables(), made.book())
    wrong = result.tables["fill"].join(made.truth_shot, on="shot", suffix="_true")
"""

from __future__ import annotations

from catchpot.testing.geometry import Geometry, five_geometries
from catchpot.testing.jobs import compute, filled, job
from catchpot.testing.nuisances import Nuisances
from catchpot.testing.scenario import Change, Fault, Mould, Resin, Scenario, Seal
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
    "filled",
    "five_geometries",
    "five_moulds",
    "job",
    "simulate",
    "write_workshop",
]
