"""Made-up workshops in which something changes, and what the cards say of it beside the truth.

Each workshop has three moulds on two injectors, one change a mould or none, an event with it or another event that has
nothing to do with it. Truth is the generator's own.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from tests.studies.harness import analysed

from catchpot.events import KINDS
from catchpot.testing import made_up as mu
from catchpot.testing.nuisances import Nuisances

SHOTS = 56
# A cause of the generator -> what the card may call it.
NAMES: dict[str, tuple[str, ...]] = {
    "flow_meter": ("flow_meter",), "clamp_pressure": ("vacuum_supply",), "outer_leak": ("outer_seal", "clamp_seals"),
    "inner_leak": ("inner_seal", "clamp_seals"), "fabric_pack": ("fabric_pack",), "gel_coat": ("gel_coat",),
    "core": ("core",), "cavity_thickness": ("cavity_thickness",), "runner_or_hose": ("runner_or_hose",),
    "cavity_pressure": ("cavity_supply",), "cavity_leak": ("cavity_fittings",), "resin_past_seal": ("resin_past_seal",),
    "permeability": ("laying",),
}  # fmt: skip
RIGHT_EVENTS = {
    "flow_meter": ("meter_calibrated", "injector-1"), "clamp_pressure": ("pump_serviced", ""),
    "fabric_pack": ("fabric_batch", "a new lot"), "gel_coat": ("gel_coat_changed", ""), "core": ("core_changed", ""),
    "cavity_thickness": ("mould_serviced", ""), "runner_or_hose": ("hose_changed", ""),
    "cavity_pressure": ("sensor_calibrated", ""), "cavity_leak": ("vent_changed", ""),
}  # fmt: skip
IDENTIFIABLE = ("flow_meter", "clamp_pressure", "outer_leak", "inner_leak", "fabric_pack", "gel_coat",
                "cavity_thickness", "cavity_pressure", "cavity_leak")  # fmt: skip
"""Causes that a witness of these workshops shows: other moulds on the meter, holds, weights, thickness, gauges."""
NEAR, BESIDE = 8, 5


@dataclass(frozen=True)
class Seen:
    """What the cards of a workshop say: tables matter, matter_line, clamp_change, fill and event; truth beside them."""

    matter: pl.DataFrame
    line: pl.DataFrame
    clamp: pl.DataFrame
    fill: pl.DataFrame
    event: pl.DataFrame
    scenario: mu.Scenario


def _amount(cause: str, rng: np.random.Generator) -> tuple[float, int]:
    sign = float(rng.choice([-1, 1]))
    sizes = {
        "flow_meter": (sign * rng.uniform(0.025, 0.04), 0), "clamp_pressure": (rng.uniform(80, 150), 12),
        "outer_leak": (rng.uniform(0.35, 0.6), 10), "inner_leak": (rng.uniform(0.1, 0.2), 8),
        "fabric_pack": (sign * rng.uniform(0.07, 0.10), 0), "gel_coat": (sign * rng.uniform(0.12, 0.2), 0),
        "core": (sign * rng.uniform(0.06, 0.1), 0), "cavity_thickness": (sign * rng.uniform(0.03, 0.05), 0),
        "runner_or_hose": (sign * rng.uniform(0.06, 0.1), 0), "cavity_pressure": (sign * rng.uniform(40, 80), 0),
        "cavity_leak": (rng.uniform(0.2, 0.4), 0), "permeability": (sign * rng.uniform(0.2, 0.35), 0),
    }  # fmt: skip
    value, over = sizes[cause]
    return float(value), over


def scenario(seed: int) -> mu.Scenario:
    """Three moulds and what happens to them."""
    rng = np.random.default_rng([7, seed])
    shapes = list(mu.five_geometries().items())
    moulds: list[mu.Mould] = []
    changes: list[mu.Change] = []
    causes = list(rng.permutation([*list(NAMES)[:-2], "nothing", "nothing", "flow_meter", "clamp_pressure"]))
    for i in range(3):
        name, geometry = shapes[int(rng.integers(len(shapes)))]
        mould = mu.Mould(
            f"{name}-{i + 1}", geometry, injector="injector-1" if i < 2 else "injector-2", shots=SHOTS,
            shots_per_week=6.0, clamp_area_m2=0.4, machine_limit_bar=0.42, holds=2,
            programme=str(rng.choice(["follow", "fixed"])),  # type: ignore[arg-type]  # one of the literals
            overflow_share=0.07, core_volume_l=0.25, opening_per_100_mbar=float(rng.choice([0.0, 0.02])),
            weigh_fabric=True, weigh_gel_coat=True, measure_thickness=True, fabric_batch_shots=22, sampling_hz=2.0,
        )  # fmt: skip
        moulds.append(mould)
        cause = str(causes[i])
        if cause != "nothing":
            amount, over = _amount(cause, rng)
            at = int(rng.integers(24, 38))
            event = RIGHT_EVENTS.get(cause) if rng.random() < 0.5 else None
            if event and cause == "flow_meter":
                event = (event[0], mould.injector)
            changes.append(mu.Change(mould.name, cause, amount, at, over, event=event))  # type: ignore[arg-type]  # a cause
    made = mu.Scenario(
        moulds=tuple(moulds), changes=tuple(changes), nuisances=replace(Nuisances(), batch_viscosity_known=0.5),
        name="matters (invented)",
    )  # fmt: skip
    return replace(made, notes=_decoys(made, rng))


def _decoys(made: mu.Scenario, rng: np.random.Generator) -> tuple[tuple[Any, str, str, str], ...]:
    """Events with nothing behind them, some right beside a change."""
    kinds = ("mould_cleaned", "seal_reseated", "pump_serviced", "hose_changed", "gel_coat_changed", "note")
    notes = []
    for m in made.moulds:
        own = next((c for c in made.changes if c.mould == m.name), None)
        for k in range(2):
            kind = str(rng.choice(kinds))
            shot = own.at_shot + int(rng.integers(-2, 1)) if own and k == 0 else int(rng.integers(10, SHOTS - 5))
            when = made.start + timedelta(days=7.0 * shot / m.shots_per_week, hours=6)
            notes.append((when, m.name, kind, "both" if kind.startswith("seal") else "made-up"))
    return tuple(sorted(notes, key=lambda n: n[0]))


def seen(seed: int, folder: Path) -> Seen:
    """A workshop run through the whole way, by the command line."""
    from catchpot.api import open_session

    made_of = scenario(seed)
    mu.write_workshop(folder, made_of, seed=seed)
    analysed(folder, f"seed {seed}")
    session = open_session(folder)
    matter, line, clamp, fill, event, shot = (
        session.table(n) for n in ("matter", "matter_line", "clamp_change", "fill", "event", "shot")
    )
    timed = fill.drop("started_at", strict=False).join(shot.select("shot", "started_at"), on="shot")
    return Seen(matter, line, clamp, timed, event, made_of)


def judged(s: Seen) -> list[dict[str, Any]]:
    """One row a change of the truth (a meter's on each of its moulds), and one a mould for cards without a change."""
    rows: list[dict[str, Any]] = []
    for mould in s.scenario.moulds:
        starts = s.fill.filter(pl.col("mould") == mould.name).sort("started_at")["started_at"].to_list()
        cards = [
            {
                **r,
                **{k: _place(starts, r[c]) for k, c in (("low", "since_low"), ("at", "since"), ("high", "since_high"))},
            }
            for r in s.matter.filter(pl.col("mould") == mould.name).sort("rank").iter_rows(named=True)
        ]
        cards = [c for c in cards if c["cause"] not in SINGLE_KINDS]
        taken: set[str] = set()
        for c in _changes_of(s.scenario, mould):
            first, last = _span(s, c, mould, starts)
            mine = [k for k in cards if first - NEAR <= k["at"] <= last + NEAR or (k["low"] <= first <= k["high"])]
            # A card that names another change of this mould is that one's.
            of_others = [n for o in _changes_of(s.scenario, mould) if o is not c for n in NAMES[o.cause]]
            mine = [k for k in mine if not set(k["cause"].split(" or ")) & set(of_others) - set(NAMES[c.cause])]
            taken |= {k["matter"] for k in mine}
            right = [k for k in mine if set(k["cause"].split(" or ")) & set(NAMES[c.cause])]
            rows.append({
                "mould": mould.name, "cause": c.cause, "own": c.mould == mould.name,
                "cards": sum(k["severity"] != "note" for k in mine),
                "found": bool(mine), "first_right": bool(mine) and mine[0] in right, "any_right": bool(right),
                "by_event": bool(mine) and _nearest_event_right(s, mould, starts, mine[0], c),
                "in_time": _in_time(s, mould, starts, c) if c.cause == "clamp_pressure" else None,
                "chances": [[k["chance"], float(k in right)] for k in mine if _tells(k)],
                "said": "; ".join(_card(k) for k in mine),
                **_blamed(s, mine, c),
            })  # fmt: skip
        others = [k for k in cards if k["matter"] not in taken and k["severity"] != "note"]
        rows.append({"mould": mould.name, "cause": "none", "own": True, "cards": len(others), "found": bool(others),
                     "first_right": not others, "any_right": not others, "by_event": not others, "in_time": None,
                     "chances": [[k["chance"], 0.0] for k in others if _tells(k)],
                     "said": "; ".join(f"{_card(k)} @{k['at']}" for k in others),
                     **_blamed(s, others, None)})  # fmt: skip
    return rows


def _tells(card: dict[str, Any]) -> bool:
    """Whether a card is shown with a cause and its chance."""
    return card["severity"] != "note" and card["chance"] is not None


def _nearest_event_right(
    s: Seen, mould: mu.Mould, starts: Sequence[Any], card: dict[str, Any], c: mu.Change
) -> bool:  # fmt: skip
    """The plain peer: whether the event nearest to the card's date, BESIDE shots away at most, could have done it."""
    own = s.event.filter(pl.col("mould").is_null() | (pl.col("mould") == mould.name))
    near = sorted(
        (abs(_place(starts, e["time"]) - card["at"]), e["kind"])
        for e in own.iter_rows(named=True) if abs(_place(starts, e["time"]) - card["at"]) <= BESIDE
    )  # fmt: skip
    return bool(near) and near[0][1] in KINDS and bool(set(KINDS[near[0][1]].brings) & set(NAMES[c.cause]))


def _in_time(s: Seen, mould: mu.Mould, starts: Sequence[Any], c: mu.Change) -> bool:
    """Whether a clamp's ramp was told before the blocked-vent margin had halved (or at all, where it never did)."""
    told = s.clamp.filter((pl.col("mould") == mould.name) & (pl.col("after_mbar") > pl.col("before_mbar")))
    seen_at = [_place(starts, t) for t in told["seen_at"] if _place(starts, t) >= c.at_shot]
    own = s.fill.filter(pl.col("mould") == mould.name).sort("started_at")["blocked_vent_margin_n"]
    force = own.cast(pl.Float64).to_numpy()
    usual = float(np.nanmedian(force[: c.at_shot]))
    below = [i for i in range(c.at_shot, len(force)) if force[i] < 0.5 * usual]
    return bool(seen_at) and (not below or min(seen_at) <= below[0])


def _place(starts: Sequence[Any], at: Any) -> int:
    return sum(t < at for t in starts)


def _card(k: dict[str, Any]) -> str:
    return f"{k['cause']} {k['chance'] or 0:.2f} {k['severity']}"


SINGLE_KINDS = frozenset((
    "race_tracking", "flow_restriction", "early_gel", "air_in_line", "short_fill", "overfill", "ratio_off",
    "catalyst_starved", "clamp_margin_low", "cover_lifting", "sensor_stuck", "sensor_offset", "vent_blocked",
    "vacuum_lost", "stopped_before_vent", "unusual_shape",
))  # fmt: skip


def _changes_of(scenario: mu.Scenario, mould: mu.Mould) -> list[mu.Change]:
    own = [c for c in scenario.changes if c.mould == mould.name]
    injector = {m.name: m.injector for m in scenario.moulds}
    shared = [c for c in scenario.changes if c.cause == "flow_meter" and c.mould != mould.name
              and injector[c.mould] == mould.injector]  # fmt: skip
    return [*own, *shared]


def _span(s: Seen, c: mu.Change, mould: mu.Mould, starts: Sequence[Any]) -> tuple[int, int]:
    if c.mould == mould.name:
        return c.at_shot, c.at_shot + c.over_shots
    other = s.fill.filter(pl.col("mould") == c.mould).sort("started_at")["started_at"].to_list()
    at = _place(starts, other[c.at_shot])
    return at, at


def _blamed(s: Seen, cards: Sequence[dict[str, Any]], c: mu.Change | None) -> dict[str, Any]:
    """Events named as the cause, and how many of them did it."""
    named = s.line.filter(
        pl.col("matter").is_in([k["matter"] for k in cards]) & pl.col("sentence").str.starts_with("It began after")
    )["sentence"].to_list()
    named = [n for n in named if "volume set" not in n and "resin batch" not in n]  # true by the log itself
    right = False  # of several named for one change one did it at most
    if c is not None and c.event is not None:
        right = any(c.event[0].replace("_", " ") in n for n in named)
    if c is not None and c.cause == "fabric_pack":
        right = right or any("fabric batch" in n for n in named)
    return {"blamed": len(named), "blamed_right": int(right), "blamed_said": "; ".join(named)}


def run(seed: int) -> list[dict[str, Any]]:
    """Rows of one seed."""
    with tempfile.TemporaryDirectory() as d:
        made = seen(seed, Path(d) / "w")
        return [{"seed": seed, **r} for r in judged(made)]
