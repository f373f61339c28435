"""Logs made for the tests of this room: plain ones as text, and random ones whose phases are known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from catchpot.ingest.load import ingest_files
from catchpot.ingest.outcome import IngestOutcome
from catchpot.ingest.scan import find_logs
from catchpot.store.store import Store
from catchpot.workshop import init_workshop, open_workshop

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Made:
    """A log and the truth of it. holds: (start, end) in s; inject: (start, end) or None; volume as integrated."""

    columns: dict[str, Array]
    holds: list[tuple[float, float]]
    inject: tuple[float, float] | None
    pack_until: float | None
    volume_l: float
    how: dict[str, Any]


def make_log(rng: np.random.Generator, **fixed: Any) -> Made:
    """A random shot in the words of nobody's physics: shapes a log may have, not a model of a mould."""
    h: dict[str, Any] = {
        "hz": float(rng.choice([1.0, 2.0, 4.0, 10.0, 20.0])),
        "noise": float(rng.choice([0.0, 0.01, 0.02, 0.03])),
        "evacuate_s": float(rng.choice([0.0, 20.0, 60.0, 240.0])),
        "holds": int(rng.integers(0, 3)),
        "flagged": bool(rng.random() < 0.6),
        "settle_s": float(rng.choice([0.0, 15.0, 120.0])),
        "slow_start_s": float(rng.choice([0.0, 2.0, 8.0])),
        "trickle": bool(rng.random() < 0.3),
        "pulsation": float(rng.choice([0.0, 0.15, 0.35])),
        "offset": float(rng.choice([0.0, 0.0, 0.02, -0.02])),
        "pause": bool(rng.random() < 0.3),
        "pack_s": float(rng.choice([0.0, 0.0, 40.0])),
        "vent": bool(rng.random() < 0.5),
        "inject": True,
        "top": float(np.exp(rng.uniform(np.log(0.4), np.log(5.0)))),
        "seconds": float(rng.uniform(60.0, 400.0)),
    }
    h |= fixed
    if h["holds"] or not h["inject"]:
        h["evacuate_s"] = max(h["evacuate_s"], 60.0)
    dt = 1.0 / h["hz"]
    at = h["evacuate_s"]
    holds = []
    for _ in range(h["holds"]):
        holds.append((at, at + 45.0))
        at += 45.0 + 20.0
    begin = at
    end = begin + (h["seconds"] if h["inject"] else 0.0)
    pack = end + (h["pack_s"] if h["inject"] and h["vent"] else 0.0)
    stop = pack + h["settle_s"]
    t = np.arange(0.0, max(stop, begin + 10.0), dt)
    t = np.round(t + (rng.uniform(-0.05, 0.05, len(t)) * dt if h["noise"] else 0.0) - t[0], 4)
    t = np.sort(np.maximum(t, 0.0))
    inside = (t >= begin) & (t < end) & h["inject"]
    u = np.clip((t - begin) / max(end - begin, 1.0), 0, 1)
    shape = 0.02 + 0.98 * np.exp(-4.0 * u) if h["trickle"] else 1.0 / (1.0 + 1.5 * u)
    flow = np.where(inside, h["top"] * shape, 0.0)
    if h["slow_start_s"]:
        flow = flow * np.clip((t - begin) / h["slow_start_s"], 0.05, 1.0)
    if h["pause"] and h["inject"]:
        flow = np.where((u > 0.45) & (u < 0.45 + 25.0 / max(end - begin, 60.0)), 0.0, flow)
    packing = (t >= end) & (t < pack)
    flow = flow + np.where(packing, 0.01 * h["top"], 0.0)
    true = flow.copy()
    flow = flow * (1.0 + h["pulsation"] * np.sin(2 * np.pi * 0.9 * t))
    flow = flow + h["offset"] + h["noise"] * (0.4 * flow + 0.05 * h["top"]) * rng.standard_normal(len(t))
    line = np.where(inside | packing, 0.4 - 0.3 * np.exp(-8 * u), 0.0)
    line = line + 0.02 * np.exp(-np.maximum(t - pack, 0) / 5.0) * (t >= pack) + 0.004 * rng.standard_normal(len(t))
    clamp, cavity = np.full(len(t), 1013.0), np.full(len(t), 1013.0)
    clamp_now = cavity_now = 1013.0
    for i, now in enumerate(t):
        isolated = any(a <= now < b for a, b in holds)
        pumped_cavity = not (h["holds"] == 2 and now < holds[0][1])
        if isolated:
            clamp_now += 0.4 * dt
            cavity_now += 0.15 * dt if pumped_cavity else 0.0
        else:
            clamp_now += (50.0 - clamp_now) * min(dt / 8.0, 1.0)
            cavity_now += (550.0 - cavity_now) * min(dt / 10.0, 1.0) if pumped_cavity else 0.0
        clamp[i], cavity[i] = clamp_now, cavity_now
    columns = {
        "t_s": t,
        "flow_l_min": np.round(flow, 4),
        "line_pressure_bar": np.round(line, 4),
        "cavity_pressure_mbar": np.round(cavity + 100 * h["noise"] * rng.standard_normal(len(t)), 2),
        "clamp_pressure_mbar": np.round(clamp + 30 * h["noise"] * rng.standard_normal(len(t)), 2),
    }
    if h["flagged"]:
        columns["vacuum_isolated"] = np.array([float(any(a <= x < b for a, b in holds)) for x in t])
    if h["vent"]:
        columns["vent_open"] = np.where(t < end, 1.0, 0.0) if h["pack_s"] else np.ones(len(t))
    volume = float(np.sum(0.5 * (true[1:] + true[:-1]) * np.diff(t) * (t[1:] <= end + dt)) / 60.0)
    inject = (begin, end) if h["inject"] else None
    packs = h["inject"] and h["vent"] and h["pack_s"]
    return Made(columns, holds, inject, pack if packs else None, volume, h)


def as_samples(logs: dict[str, dict[str, Array]]) -> pl.DataFrame:
    """Sample rows of some logs, with the running volume."""
    frames = []
    for shot, columns in sorted(logs.items()):
        t, flow = columns["t_s"], columns["flow_l_min"]
        volume = np.concatenate(([0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * np.diff(t) / 60.0)))
        frames.append(pl.DataFrame({"shot": [shot] * len(t), "t_s": t, "vol_l": volume.round(4), **_rest(columns)}))
    return pl.concat(frames, how="diagonal")


def _rest(columns: dict[str, Array]) -> dict[str, Array]:
    return {k: v for k, v in columns.items() if k != "t_s"}


@pytest.fixture
def making() -> Callable[..., Made]:
    """`make_log`, handed out so that test modules need not import one another."""
    return make_log


@pytest.fixture
def sampling() -> Callable[[dict[str, dict[str, Array]]], pl.DataFrame]:
    """`as_samples`, the same way."""
    return as_samples


class Bench:
    """A workshop folder for tests: put logs in, ingest, look into the store."""

    def __init__(self, home: Path) -> None:
        self.home = home
        init_workshop(home)
        (home / "moulds.toml").write_text("[moulds.m1]\n[moulds.m2]\n")

    def put(self, name: str, content: str | bytes) -> Path:
        """Write a file under logs/."""
        path = self.home / "logs" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def ingest(self) -> IngestOutcome:
        """Ingest with our own readers."""
        from catchpot_logs import register_readers

        workshop = open_workshop(self.home)
        files = find_logs(self.home, [p for s in workshop.settings.profiles.values() for p in s.files])
        return ingest_files(workshop, list(register_readers()), files, whole=True)

    def table(self, name: str) -> pl.DataFrame:
        """A table of the store."""
        with Store(self.home / "shots.duckdb").reading() as r:
            return r.table(name)

    def reason(self, name: str) -> str:
        """Why a file was set aside, with its line."""
        rows = self.table("quarantine").filter(pl.col("source_file") == f"logs/{name}")
        assert rows.height == 1, f"{name} is not in quarantine: {self.table('shot')['shot'].to_list()}"
        return f"{rows['line'][0]}: {rows['reason'][0]}"

    def notes(self, shot: str) -> dict[str, tuple[int, int, str]]:
        """What the reader said of a shot: kind -> line, count, sentence."""
        rows = self.table("log_note").filter(pl.col("shot") == shot)
        return {r["kind"]: (r["line"], r["count"], r["detail"]) for r in rows.iter_rows(named=True)}


HEADER = "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar"


def plain_text(rows: int = 400, header: str = HEADER, **preamble: object) -> str:
    """A plain log of a made-up shot: 1 l/min for the middle half."""
    entries = {"shot": "s1", "mould": "m1", "started_at": "2026-03-02T08:15:00+00:00"} | preamble
    text = "".join(f"# {k} = {v}\n" for k, v in entries.items() if v is not None) + header + "\n"
    names = header.split(",")
    for i in range(rows):
        flowing = rows // 4 <= i < 3 * rows // 4
        values = {
            "t_s": f"{i * 0.25:g}",
            "flow_l_min": "1.0" if flowing else "0.0",
            "line_pressure_bar": f"{0.3 + 0.001 * (i % 7):.3f}",
            "cavity_pressure_mbar": f"{550 + i % 5}",
            "pump_strokes": str(max(0, min(i, 3 * rows // 4) - rows // 4) // 8),
        }
        text += ",".join(values.get(n.strip(), "1") for n in names) + "\n"
    return text


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A fresh workshop."""
    return Bench(tmp_path)


@pytest.fixture
def plain() -> Callable[..., str]:
    """`plain_text`, handed out so that test modules need not import one another."""
    return plain_text
