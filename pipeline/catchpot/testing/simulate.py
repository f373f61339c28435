"""Simulate a whole made-up workshop in memory: core tables, truth tables, mould book."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, is_dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from catchpot.tables import polars_schema
from catchpot.testing.book import book_data, book_text
from catchpot.testing.faults import _pad_lanes
from catchpot.testing.geometry import Array, five_geometries
from catchpot.testing.march import Record, Shots, march, rows
from catchpot.testing.paperwork import events_frame, parts_frame
from catchpot.testing.plan import MouldPlan, Plan, plan_workshop
from catchpot.testing.scenario import Mould, Scenario
from catchpot.testing.sensors import LogTruth, running_volume, sample_log
from catchpot.testing.truth import (
    FAULT_TRUTH,
    FROM_THE_START,
    change_truth,
    fault_truth,
    meter_truth,
    seal_truth,
    shot_truth,
)

if TYPE_CHECKING:
    import polars as pl

    from catchpot.workshop import MouldBook

T = TypeVar("T")
CHUNK = 192


@dataclass(frozen=True, repr=False)
class MadeUp:
    """A simulated workshop. shot, sample, event, part: core tables. truth_*: what is true. logs: columns as logged."""

    scenario: Scenario
    seed: int
    shot: pl.DataFrame
    sample: pl.DataFrame
    event: pl.DataFrame
    part: pl.DataFrame
    truth_shot: pl.DataFrame
    truth_fault: pl.DataFrame
    truth_change: pl.DataFrame
    truth_seal: pl.DataFrame
    truth_meter: pl.DataFrame
    logs: dict[str, dict[str, Array]]
    plan: Plan

    def book_data(self) -> dict[str, Any]:
        """The mould book in the structure of moulds.toml."""
        return book_data(self.plan)

    def book_text(self) -> str:
        """moulds.toml as text."""
        return book_text(self.plan)

    def book(self) -> MouldBook:
        """The mould book, validated."""
        from catchpot.workshop import MouldBook

        return MouldBook.model_validate(self.book_data())

    def tables(self) -> dict[str, pl.DataFrame]:
        """Core tables: shot, sample, log_note, event, part, and by the core's own reduction phase, quality, curve."""
        from catchpot.testing.jobs import core_tables

        return core_tables(self)


def _stack(parts: list[T]) -> T:
    first = parts[0]
    if not is_dataclass(first) or isinstance(first, type):
        raise TypeError("dataclasses of arrays are expected")
    made: dict[str, Any] = {}
    for f in fields(first):
        values = [getattr(p, f.name) for p in parts]
        made[f.name] = _stack(values) if is_dataclass(values[0]) else np.concatenate(values)
    return type(first)(**made)


def _all_shots(plan: Plan) -> Shots:
    lanes = max(m.shots.bed.lane_share.shape[1] for m in plan.moulds)
    for m in plan.moulds:
        _pad_lanes(m.shots.bed, lanes)
    return _stack([m.shots for m in plan.moulds])


def _length_s(shots: Shots, i: int) -> float:
    """A rough length of the log, to march alike ones together."""
    ends = shots.gas.segment_end_s[i]
    slow = np.isfinite(shots.troubles.gel_s[i]) or shots.troubles.blocked[i] > 0
    return float(np.max(ends[np.isfinite(ends)])) + float(shots.machine.longest_s[i]) * (1.0 if slow else 0.3)


def simulate(scenario: Scenario, seed: int, dt_s: float = 0.25) -> MadeUp:
    """Simulate all logs of a scenario.

    seed: the same seed gives the same workshop, to the last digit. dt_s: time step of the march.
    """
    import polars as pl

    rng = np.random.default_rng(seed)
    plan_rng, sensor_rng = rng.spawn(2)
    plan = plan_workshop(scenario, plan_rng)
    shots = _all_shots(plan)
    owner = [(m, i) for m in plan.moulds for i in range(len(m.names))]
    streams = sensor_rng.spawn(len(owner))
    order = sorted(range(len(owner)), key=lambda k: _length_s(shots, k))
    facts: list[dict[str, float]] = [{} for _ in owner]
    logs: list[dict[str, Array]] = [{} for _ in owner]
    faults: list[dict[str, Any]] = []
    for begin in range(0, len(order), CHUNK):
        chunk = order[begin : begin + CHUNK]
        record = march(plan.paths, rows(shots, np.array(chunk)), dt_s)
        for row, k in enumerate(chunk):
            mould_plan, i = owner[k]
            facts[k] = record_facts(record, row)
            mine = [(n, f) for n, f in enumerate(mould_plan.faults) if f.shot == mould_plan.number[i]]
            if mould_plan.is_check[i]:
                mine = [(n, f) for n, f in mine if f.kind in FROM_THE_START]
            about = log_truth(plan, mould_plan, i)
            logs[k] = sample_log(
                record, row, mould_plan.mould, scenario.nuisances, about, [f for _, f in mine], streams[k]
            )
            faults += [fault_truth(record, row, mould_plan, i, n, f, about) for n, f in mine]
    names = [m.names[i] for m, i in owner]
    shot = _shot_frame(plan, owner, logs)
    ordered = shot.sort("started_at", "shot")
    truth_shot = shot_truth(plan, owner, facts)
    paper_rng = rng.spawn(1)[0]
    return MadeUp(
        scenario=scenario,
        seed=seed,
        shot=ordered,
        sample=_sample_frame(plan, owner, logs),
        event=events_frame(plan),
        part=parts_frame(plan, truth_shot, paper_rng),
        truth_shot=truth_shot.sort("started_at", "shot"),
        truth_fault=pl.DataFrame(faults, schema=polars_schema(FAULT_TRUTH)).sort("shot", "kind"),
        truth_change=change_truth(plan),
        truth_seal=seal_truth(plan),
        truth_meter=meter_truth(plan),
        logs=dict(zip(names, logs, strict=True)),
        plan=plan,
    )


def record_facts(record: Record, row: int) -> dict[str, float]:
    """The one-number facts of a march for a shot."""
    skip = {"t_s", "dt_s"}
    made = {}
    for f in fields(record):
        value = getattr(record, f.name)
        if f.name not in skip and value.ndim == 1:
            made[f.name] = float(value[row])
    return made


def log_truth(plan: Plan, mould_plan: MouldPlan, i: int) -> LogTruth:
    """What the sensors need of a shot."""
    mould, truth, machine = mould_plan.mould, mould_plan.truth, mould_plan.shots.machine
    resin = next(r for r in plan.scenario.resins if r.name == mould.resin)
    nominal = mould.geometry.thickness_mm
    return LogTruth(
        float(truth["resin_temp_c"][i]), float(truth["mould_temp_c"][i]), float(truth["ambient_pressure_mbar"][i]),
        resin.catalyst_ratio_pct_by_volume, float(machine.ripple[i]), float(machine.ripple_hz[i]),
        float(mould_plan.expected_arrival_l[i] * machine.meter_gain[i]),
        float(truth["thickness_mm"][i] + truth["gel_coat_mm"][i] - nominal),
    )  # fmt: skip


def _shot_frame(plan: Plan, owner: list[tuple[MouldPlan, int]], logs: list[dict[str, Array]]) -> pl.DataFrame:
    import polars as pl

    from catchpot.core_tables import SHOT
    from catchpot.tables import shape

    data: dict[str, list[Any]] = {c: [] for c in SHOT.names}
    for (m, i), log in zip(owner, logs, strict=True):
        name, check = m.names[i], bool(m.is_check[i])
        strokes = m.mould.stroke_ml if plan.scenario.nuisances.strokes else None
        values = {
            "shot": name, "mould": m.mould.name, "started_at": m.started_at[i], "injector": m.mould.injector,
            "programmed_volume_l": None if check else round(float(m.shots.machine.programmed_m3[i]) * 1e3, 2),
            "fabric_batch": None if check else m.fabric_batch[i],
            "resin_batch": None if check else m.resin_batch[i], "source_file": f"logs/{m.mould.name}/{name}.csv",
            "source_digest": sha256(f"{name} in memory".encode()).hexdigest(), "revision": 1,
            "samples": len(log["t_s"]), "stroke_volume_ml": strokes,
            "channels": " ".join(c for c in log if c != "t_s"), "notes": json.dumps({}),
        }  # fmt: skip
        for c, v in values.items():
            data[c].append(v)
    frame = pl.DataFrame(data, schema_overrides={"started_at": pl.Datetime("us", "UTC")}, strict=False)
    return shape(SHOT, {c: frame[c] for c in frame.columns})


def _sample_frame(plan: Plan, owner: list[tuple[MouldPlan, int]], logs: list[dict[str, Array]]) -> pl.DataFrame:
    import polars as pl

    from catchpot.core_tables import SAMPLE
    from catchpot.tables import shape

    frames = []
    for m in plan.moulds:
        mine = [(i, log) for (o, i), log in zip(owner, logs, strict=True) if o is m]
        strokes = m.mould.stroke_ml if plan.scenario.nuisances.strokes else None
        columns: dict[str, Any] = {c: np.concatenate([log[c] for _, log in mine]) for c in mine[0][1]}
        columns["vol_l"] = np.concatenate([running_volume(log, strokes) for _, log in mine])
        count = np.repeat(np.arange(len(mine)), [len(log["t_s"]) for _, log in mine])
        columns["shot"] = pl.Series([m.names[i] for i, _ in mine]).gather(count)
        frames.append(shape(SAMPLE, columns))
    return pl.concat(frames).sort("shot", "t_s", maintain_order=True)


def five_moulds(shots: int = 20, **settings: Any) -> tuple[Mould, ...]:
    """A healthy mould of each of the five geometries; settings go to every one (see `Mould`)."""
    return tuple(
        Mould(name, g, **{"shots": shots, "lane_scale": 0.5 if g.fill == "radial" else 1.0, **settings})
        for name, g in five_geometries().items()
    )
