"""Write a workshop of made-up plates to a folder, its truth beside it."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator

from catchpot.testing.book import toml_text
from catchpot.testing.plates.faults import FaultTruth
from catchpot.testing.plates.plate import draw_plate
from catchpot.testing.plates.practice import AMBIENT_MBAR, RESIN_KG_M3, RESIN_PA_S, RESIN_TEMP_C, Disturbances
from catchpot.testing.plates.shots import METER_STEP, START, PlateShots, Resin, plate_shots, shot_times
from catchpot.testing.write import log_text

INVENTED = "Invented workshop, made by catchpot.testing."
TRUTH = ("shot", "mould", "meter_gain", "injected_l", "arrival_l", "arrived", "taken_l", "full_l")
MORE = (
    "past_l", "pot_kg", "cavity_factor", "size_factor", "ease", "viscosity_pa_s", "injection_s", "stopped_short",
    "variant",
)  # fmt: skip
SCALES_KG = 0.010
ACTIVATION_K = 4200.0


@dataclass(frozen=True)
class Injector:
    """A machine whose meter steps on one day and may be set right on another (None: never)."""

    name: str
    gain: float
    stepped: datetime | None
    calibrated: datetime | None

    def at(self, when: Sequence[datetime]) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Gain by time."""
        return np.array([
            self.gain if self.stepped and t >= self.stepped and not (self.calibrated and t >= self.calibrated) else 1.0
            for t in when
        ])  # fmt: skip


def _injectors(rng: Generator, moulds: int, shots: int, dials: Disturbances) -> list[Injector]:
    made = []
    days = shots * 0.7
    for k in range(max(1, round(moulds / 3))):
        gain, stepped, calibrated = 1.0, None, None
        if rng.random() < dials.meter_step:
            gain += float(rng.choice([-1, 1])) * float(rng.uniform(*METER_STEP))
            stepped = START + timedelta(days=days * float(rng.uniform(0.35, 0.7)))
            if rng.random() < 0.4:
                calibrated = stepped + timedelta(days=days * float(rng.uniform(0.15, 0.3)))
        made.append(Injector(f"injector-{k + 1}", gain, stepped, calibrated))
    return made


def _write(path: Path, head: Sequence[str], lines: Iterable[Sequence[Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(lines)


def _logs(folder: Path, name: str, made: PlateShots, injector: str) -> list[str]:
    (folder / "logs" / name).mkdir(parents=True, exist_ok=True)
    shots = [f"{name}-{i:03d}" for i in range(len(made.logs))]
    for i, (shot, log) in enumerate(zip(shots, made.logs, strict=True)):
        preamble = {
            "shot": shot, "mould": name, "started_at": made.started_at[i].isoformat(), "injector": injector,
            "programmed_volume_l": round(float(made.truth["programmed_l"][i]), 3),
            "fabric_batch": f"{name}-{made.fabric_batch[i]}", "resin_batch": f"R{i // 12 + 1:02d}",
            "stroke_volume_ml": made.practice.stroke_ml,
        }  # fmt: skip
        (folder / "logs" / name / f"{shot}.csv").write_text(log_text(preamble, log), encoding="utf-8")
    return shots


def _events(rng: Generator, name: str, made: PlateShots) -> list[tuple[datetime, str, str, str]]:
    """Fabric batches some moulds note, and half of the steps of a cavity as a service."""
    events = []
    if rng.random() < 0.5:
        events += [
            (made.started_at[i] - timedelta(minutes=20), name, "fabric_batch", f"{name}-{made.fabric_batch[i]}")
            for i in range(1, len(made.logs)) if made.fabric_batch[i] != made.fabric_batch[i - 1]
        ]  # fmt: skip
    step = made.cavity_step_at
    if step is not None and rng.random() < 0.5:
        events.append((made.started_at[step] - timedelta(minutes=40), name, "mould_serviced", ""))
    return events


def write_plates(
    folder: Path,
    seed: int,
    moulds: int = 8,
    shots: int = 40,
    dials: Disturbances | None = None,
    *,
    variants: int = 6,
    fault_chance: float = 0.0,
    fault_kinds: Sequence[str] | None = None,
    families: Sequence[str] | None = None,
    say: Callable[[str], None] | None = None,
) -> None:
    """Write catchpot.toml, moulds.toml, logs/, parts.csv, events.csv, truth.csv and, with faults, truth_faults.csv.

    truth.csv is in metered litres. families: outline families to draw from (default: all, each about as often).
    """
    from catchpot.testing.plates.outline import FAMILIES

    dials = dials or Disturbances()
    rng = np.random.default_rng(seed)
    resin, machines = Resin.drawn(rng, dials), _injectors(rng, moulds, shots, dials)
    names = list(families or FAMILIES)
    order = np.concatenate([rng.permutation(len(names)) for _ in range(moulds // len(names) + 1)])[:moulds]
    book: dict[str, Any] = {
        "resins": {"ve-p": {
            "viscosity_pa_s": RESIN_PA_S, "viscosity_temp_c": RESIN_TEMP_C, "viscosity_activation_k": ACTIVATION_K,
            "density_kg_m3": RESIN_KG_M3,
        }},
        "moulds": {},
    }  # fmt: skip
    truth: list[Sequence[Any]] = []
    parts: list[Sequence[Any]] = []
    events: list[tuple[datetime, str, str, str]] = []
    ill: list[FaultTruth] = []
    folder.mkdir(parents=True, exist_ok=True)
    for j, stream in enumerate(rng.spawn(moulds)):
        plate = draw_plate(stream, names[order[j]])
        name = f"p{j + 1:02d}-{plate.family}"
        machine = machines[j % len(machines)]
        when = shot_times(stream, shots)
        made = plate_shots(
            stream, plate, shots, dials, variants=variants, resin=resin, when=when, gains=machine.at(when),
            fault_chance=fault_chance, fault_kinds=fault_kinds,
        )  # fmt: skip
        book["moulds"][name] = made.book
        ids = _logs(folder, name, made, machine.name)
        t = made.truth
        for i, shot in enumerate(ids):
            row = [round(float(t[k][i]), 6) for k in (*TRUTH[2:], *MORE)]
            row[3] = int(row[3])
            truth.append([shot, name, *row])
        every = made.practice.weigh_every
        if every:
            first = int(stream.integers(every))
            parts += [
                (ids[i], round(max(0.0, float(t["pot_kg"][i] + SCALES_KG * stream.normal())), 3))
                for i in range(first, shots, every)
            ]
        events += _events(stream, name, made)
        ill += [FaultTruth(ids[f.number], name, f.kind, f.severity, f.begins) for f in made.faults]
        if say:
            say(
                f"{name}: arrival {np.median(t['arrival_l']):.3f} l, full {np.median(t['full_l']):.3f} l,"
                f" arrived {np.mean(t['arrived']):.0%}"
            )
    for m in machines:
        if m.calibrated:
            events.append((m.calibrated - timedelta(minutes=50), "", "meter_calibrated", f"{m.name} {m.gain:.3f}"))
    events.sort(key=lambda e: (e[0], e[1]))
    settings = {"workshop": {
        "name": "Plates (made up)", "time_zone": "Europe/Lisbon", "ambient_pressure_mbar": AMBIENT_MBAR,
    }}  # fmt: skip
    (folder / "catchpot.toml").write_text(toml_text(settings, INVENTED), encoding="utf-8")
    (folder / "moulds.toml").write_text(toml_text(book, INVENTED), encoding="utf-8")
    _write(folder / "truth.csv", (*TRUTH, *MORE), truth)
    _write(folder / "parts.csv", ("shot", "overflow_kg"), parts)
    _write(
        folder / "events.csv",
        ("time", "mould", "kind", "detail"),
        [(t.strftime("%Y-%m-%dT%H:%M:%S+00:00"), *rest) for t, *rest in events],
    )
    if fault_chance > 0:
        _write(
            folder / "truth_faults.csv",
            ("shot", "mould", "kind", "severity", "begins"),
            [(f.shot, f.mould, f.kind, round(f.severity, 4), round(f.begins, 4)) for f in ill],
        )
