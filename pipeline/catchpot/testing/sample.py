"""The small committed workshop in `sample_runs/`: `python -m catchpot.testing.sample FOLDER` writes it anew.

Invented like the demonstration, but small enough to read by eye: three moulds, a month, some forty logs.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.testing.geometry import Geometry
from catchpot.testing.nuisances import Nuisances
from catchpot.testing.scenario import Change, Fault, Mould, Resin, Scenario, Seal

if TYPE_CHECKING:
    from catchpot.testing.simulate import MadeUp

SEED = 7


def sample_scenario() -> Scenario:
    """Three invented moulds on one injector, with one wearing seal, one meter step and three faulty shots."""
    common: dict[str, Any] = {"sampling_hz": 2.0, "evacuate_s": 20.0, "settle_s": 8.0, "fill_s": 70.0, "hold_s": 30.0}
    moulds = (
        Mould(
            "door-1", Geometry("linear", 0.6, 0.8, 0.48, 4.0), shots=14, clamp_area_m2=0.32,
            shots_per_week=4.0, holds=1, programme="fixed", resin="pe-b",
            outer=Seal(0.04, 0.03, 0.02, noise=0.12), limits=(("injected_volume_l", 1.6, 2.0),), **common,
        ),
        Mould(
            "hatch-2", Geometry("peripheral", 3.2, 0.35, 0.66, 3.0), shots=13, clamp_area_m2=0.42,
            shots_per_week=4.0, holds=2,
            resin="pe-b", hold_checks=6, vent_hose_m=1.0, **common,
        ),
        Mould(
            "seat-4", Geometry("linear", 0.5, 0.6, 0.36, 3.5), shots=12, clamp_area_m2=0.25,
            shots_per_week=4.0, stroke_ml=30.0,
            resin="pe-b", runner_volume_l=0.1, **common,
        ),
    )  # fmt: skip
    return Scenario(
        moulds=moulds,
        resins=(Resin("pe-b", viscosity_pa_s=0.18),),
        nuisances=replace(Nuisances(), lane_sd=0.1, batch_viscosity_known=1.0),
        changes=(Change("door-1", "flow_meter", 0.03, 8, event=("meter_checked", "injector-1 1.03")),),
        faults=(
            Fault("door-1", "race_tracking", 5, 0.35),
            Fault("hatch-2", "flow_restriction", 9, 5.0),
            Fault("seat-4", "short_fill", 7, 0.08),
        ),
        name="Sample workshop (invented)",
        start=datetime(2026, 9, 1, tzinfo=UTC),
    )


def write_sample(folder: Path) -> MadeUp:
    """Write the sample workshop; the same on every call."""
    from catchpot.testing.write import write_workshop

    made = write_workshop(folder, sample_scenario(), SEED)
    (folder / "README.md").write_text(READ_ME, encoding="utf-8")
    return made


READ_ME = f"""# A small invented workshop

Every mould, shot and number here is made up by `python -m catchpot.testing.sample sample_runs` (seed {SEED}); nothing
was measured. A test holds that it comes out the same again.

- `catchpot.toml`, `moulds.toml`, `events.csv`, `parts.csv`, `logs/`: as a workshop keeps them.
- `truth/`: what is so. `shot.csv`: arrival volume, permeability, leaks and more of every shot; `fault.csv`,
  `change.csv`, `seal.csv`, `meter.csv`: what was put in, where it begins; `seed.txt`.

Try it on a copy, so that the store and the report don't land here: `cp -r sample_runs /tmp/sample`, then
`catchpot --home /tmp/sample run`.
"""

if __name__ == "__main__":
    write_sample(Path(sys.argv[1]))
