"""A made-up plant of any size in seconds: for measuring speed and growth, not for what is true.

A few shots of each of five geometries are simulated; every shot of the plant is one of these with a stretch, a level
of resistance and gauge noise of its own, at any number of rows. Its shots look like shots to every analysis; there is
no truth beside them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.testing.book import toml_text
from catchpot.testing.scenario import Scenario
from catchpot.testing.simulate import five_moulds, simulate

Floats = NDArray[np.float64]

TEMPLATES = 8
"""Simulated shots of each geometry."""
CHANNELS = {
    "flow_l_min": 4, "line_pressure_bar": 4, "cavity_pressure_mbar": 1, "clamp_pressure_mbar": 2, "resin_temp_c": 2,
    "mould_temp_c": 2, "vacuum_isolated": 0,
}  # fmt: skip
"""Channels of the logs, and their decimals."""
NOISE = {
    "flow_l_min": 0.003, "line_pressure_bar": 0.0015, "cavity_pressure_mbar": 0.5, "clamp_pressure_mbar": 0.1,
    "resin_temp_c": 0.03, "mould_temp_c": 0.03,
}  # fmt: skip
"""S.d. of each gauge, in its unit; of the flow relative."""
STRETCH_SD, LEVEL_SD, LEVEL_KEPT = 0.004, 0.02, 0.9
"""S.d. of log volume and, from shot to shot, of log resistance; and what of its level the next shot keeps."""
CHUNK_ROWS = 2_000_000
SHOT_EVERY = timedelta(minutes=95)
BEGIN = datetime(2024, 1, 8, 6, tzinfo=UTC)


@dataclass(frozen=True)
class Plant:
    """moulds x shots logs of so many rows. A mould makes a shot every 95 minutes, day and night."""

    moulds: int = 4
    shots: int = 500
    rows: int = 200
    seed: int = 1

    def mould_names(self) -> list[str]:
        """mould-001 and so on; geometries take turns."""
        return [f"mould-{k + 1:03d}" for k in range(self.moulds)]

    def start(self, mould: int, shot: int) -> datetime:
        """When a shot began; moulds begin some seconds apart."""
        return BEGIN + shot * SHOT_EVERY + timedelta(seconds=13 * mould)


def write_plant(folder: Path, plant: Plant) -> None:
    """Write settings, mould book and all logs; any shots that are there already are written over."""
    folder.mkdir(parents=True, exist_ok=True)
    about = "Invented plant, made by catchpot.testing for measuring speed."
    settings = {"workshop": {"name": "Invented plant", "time_zone": "Europe/Lisbon"}}
    (folder / "catchpot.toml").write_text(toml_text(settings, about), encoding="utf-8")
    made = simulate(Scenario(moulds=five_moulds(1)), 0)
    book = made.book_data()
    kinds = list(book["moulds"].values())
    book["moulds"] = {name: kinds[k % len(kinds)] for k, name in enumerate(plant.mould_names())}
    (folder / "moulds.toml").write_text(toml_text(book, about), encoding="utf-8")
    write_shots(folder, plant, 0, plant.shots)


def write_shots(folder: Path, plant: Plant, first: int, last: int, moulds: int | None = None) -> list[Path]:
    """Write the logs of shots first to last - 1 of each mould (of the first `moulds` only); their paths."""
    templates = _templates(plant.rows)
    written = []
    for m, name in enumerate(plant.mould_names()[:moulds]):
        of_mould = folder / "logs" / name
        of_mould.mkdir(parents=True, exist_ok=True)
        for numbers, text in _texts(plant, templates[m % len(templates)], m, first, last):
            for n, body in zip(numbers, text, strict=True):
                shot = f"{name}-{n + 1:05d}"
                head = f"# shot = {shot}\n# mould = {name}\n# started_at = {plant.start(m, n).isoformat()}\n"
                head += f"# injector = injector-{m // 10 + 1}\nt_s,{','.join(CHANNELS)}\n"
                path = of_mould / f"{shot}.csv"
                path.write_bytes(head.encode() + body)
                written.append(path)
    return written


def _templates(rows: int) -> list[dict[str, Floats]]:
    """For each geometry time and channels of the simulated shots at `rows` even times, (TEMPLATES, rows)."""
    made = simulate(Scenario(moulds=five_moulds(TEMPLATES)), 7, dt_s=0.5)
    found = []
    for mould in made.shot["mould"].unique(maintain_order=True):
        shots = made.shot.filter(pl.col("mould") == mould)["shot"]
        of_mould: dict[str, list[Floats]] = {c: [] for c in ("t_s", *CHANNELS)}
        for shot in shots:
            log = made.logs[shot]
            t = np.linspace(log["t_s"][0], log["t_s"][-1], rows)
            nearest = np.clip(np.searchsorted(log["t_s"], t), 0, len(log["t_s"]) - 1)
            of_mould["t_s"].append(t)
            for c in CHANNELS:
                own = log.get(c)
                of_mould[c].append(np.zeros(rows) if own is None else np.asarray(own, dtype=float)[nearest])
        found.append({c: np.array(v) for c, v in of_mould.items()})
    return found


def _texts(
    plant: Plant, template: dict[str, Floats], mould: int, first: int, last: int
) -> Iterator[tuple[range, list[bytes]]]:
    """Bodies of the logs, some shots at a time; what a shot looks like doesn't depend on which others are written."""
    rng = np.random.default_rng([plant.seed, mould, 0])
    pick, stretch, jolt = rng.random(last), rng.standard_normal(last), rng.standard_normal(last)
    level = np.zeros(last)
    for i in range(1, last):
        level[i] = LEVEL_KEPT * level[i - 1] + LEVEL_SD * jolt[i]
    size = max(1, CHUNK_ROWS // plant.rows)
    for begin in range(first, last, size):
        numbers = range(begin, min(begin + size, last))
        which = (pick[numbers.start : numbers.stop] * TEMPLATES).astype(int)
        noise = np.array([np.random.default_rng([plant.seed, mould, 1, n]).standard_normal((len(NOISE), plant.rows))
                          for n in numbers])  # fmt: skip
        columns = {"t_s": template["t_s"][which] * np.exp(STRETCH_SD * stretch[numbers.start : numbers.stop])[:, None]}
        for k, (c, decimals) in enumerate(CHANNELS.items()):
            value = template[c][which]
            if c == "line_pressure_bar":
                value = value * np.exp(level[numbers.start : numbers.stop])[:, None]
            if c in NOISE:
                value = value + NOISE[c] * noise[:, k] * (value if c == "flow_l_min" else 1.0)
            columns[c] = np.round(value, decimals) + 0.0
        columns["t_s"] = np.round(columns["t_s"], 3)
        frame = pl.DataFrame({c: v.ravel() for c, v in columns.items()})
        text = frame.write_csv(include_header=False, float_scientific=False).encode()
        ends = np.flatnonzero(np.frombuffer(text, dtype=np.uint8) == ord("\n"))[plant.rows - 1 :: plant.rows] + 1
        yield numbers, [text[a:b] for a, b in zip([0, *ends[:-1]], ends, strict=True)]


__all__ = ["Plant", "write_plant", "write_shots"]
