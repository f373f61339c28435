"""Weeks in a made-up workshop: when shots are made, how seals wear, batches, weather, meters and operators' habits."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
from numpy.random import Generator

from catchpot.testing.geometry import Array
from catchpot.testing.scenario import Change, Mould, Scenario, Seal

DAY_START_H, DAY_H, DAYS = 6.5, 8.0, 5  # UTC, Monday to Friday


def working_times(mould: Mould, start: datetime, count: int, rng: Generator) -> list[datetime]:
    """Start of each log: working hours of weekdays, gaps around the mould's rate, never under 40 minutes."""
    mean_h = DAYS * DAY_H / mould.shots_per_week
    gaps = np.maximum(rng.gamma(4.0, mean_h / 4.0, count), 0.67)
    clock = np.cumsum(gaps) - gaps[0] + rng.uniform(0.0, 0.5)
    day = (clock // DAY_H).astype(int)
    first = start + timedelta(days=mould.first_day)
    made = []
    for d, within in zip(day, clock % DAY_H, strict=True):
        weekday = first.weekday() + int(d)
        calendar = (weekday // DAYS) * 7 + weekday % DAYS - first.weekday()
        at = first + timedelta(days=calendar, hours=DAY_START_H + float(within))
        made.append(at.replace(microsecond=0))
    return made


def slow_noise(days: Array, sd: float, rng: Generator, periods: tuple[float, float] = (2.5, 20.0)) -> Array:
    """A smooth random course over days with that s.d.: a sum of waves."""
    frequency = 1 / np.exp(rng.uniform(np.log(periods[0]), np.log(periods[1]), 12))
    phase = rng.uniform(0, 2 * np.pi, 12)
    return np.asarray(sd * np.sqrt(2 / 12) * np.sum(np.sin(2 * np.pi * days[:, None] * frequency + phase), axis=1))


def seal_leaks(seal: Seal, shots: int, rng: Generator) -> tuple[Array, Array, Array]:
    """Leak of each shot with and without noise (mbar l/s at the reference state), and shots since replacement."""
    age = np.arange(shots, dtype=float)
    for at in seal.all_replaced:
        age[at:] = np.arange(shots - at)
    wear = seal.start + seal.growth * age if seal.law == "linear" else seal.start * np.exp(seal.growth * age)
    clean = seal.floor + wear
    noise, rho = np.zeros(shots), seal.autocorrelation
    draws = rng.standard_normal(shots)
    for i in range(shots):
        noise[i] = draws[i] if i == 0 else rho * noise[i - 1] + np.sqrt(1 - rho**2) * draws[i]
    return clean * np.exp(seal.noise * noise - seal.noise**2 / 2), clean, age


def crossing(seal: Seal, limit: float, last_age: float = 10_000.0) -> float:
    """Shots since replacement at which the noise-free leak meets the limit; inf where it never does."""
    room = limit - seal.floor
    if seal.growth <= 0:
        return 0.0 if room <= seal.start else float("inf")
    if seal.law == "linear":
        at = (room - seal.start) / seal.growth
    else:
        at = np.log(room / seal.start) / seal.growth if room > 0 and seal.start > 0 else 0.0
    return float(max(at, 0.0)) if at < last_age else float("inf")


def course(change: Change, shots: int) -> Array:
    """How far a change has come in each shot, 0 to 1."""
    since = np.arange(shots) - change.at_shot
    if change.over_shots <= 0:
        return (since >= 0).astype(float)
    return np.clip((since + 1) / change.over_shots, 0.0, 1.0)


def total(scenario: Scenario, mould: Mould, cause: str) -> Array:
    """Sum of a mould's changes of one cause, shot by shot."""
    made = np.zeros(mould.shots)
    for c in scenario.changes:
        if c.mould == mould.name and c.cause == cause:
            made += c.amount * course(c, mould.shots)
    return made


def meter_gains(scenario: Scenario, mould: Mould, times: list[datetime], when: dict[str, list[datetime]]) -> Array:
    """Gain of the mould's injector at each of its shots; changes begin with a shot of the mould that names them."""
    gain = np.full(len(times), dict(scenario.meter_gain).get(mould.injector, 1.0))
    by_name = {m.name: m for m in scenario.moulds}
    stamps = np.array([t.timestamp() for t in times])
    for c in scenario.changes:
        if c.cause == "flow_meter" and by_name[c.mould].injector == mould.injector:
            theirs = when[c.mould]
            begin = theirs[min(c.at_shot, len(theirs) - 1)].timestamp()
            finish = theirs[min(c.at_shot + max(c.over_shots, 0), len(theirs) - 1)].timestamp()
            part = (stamps >= begin - 1) if finish <= begin else np.clip((stamps - begin) / (finish - begin), 0, 1)
            gain = gain * (1 + c.amount * part)
    return gain


def programmed_volumes(mould: Mould, arrival: Array, gain: Array, extra: Array, rng: Generator) -> Array:
    """Metered volume set on the machine for each shot (l).

    arrival: true volume at which resin would reach the vent, l. extra: what somebody adds on purpose, metered l.
    "follow": after a shot whose overflow (as the catch pot shows it) is off the wanted one by more than 2 % of the
    part, the operator corrects half of it, to 0.01 l.
    """
    wanted = mould.overflow_share * arrival
    if mould.programme == "each":
        return np.asarray((arrival + wanted) * gain + extra)
    first = float(np.mean(arrival[:5] + wanted[:5]) * gain[0])
    if mould.programme == "fixed":
        return np.asarray(np.round(first, 2) + extra)
    made, current = np.zeros_like(arrival), first
    for i in range(len(arrival)):
        made[i] = round(current, 2)
        seen = (made[i] + extra[i]) / gain[i] - arrival[i] + rng.normal(0.0, 0.005)
        if abs(seen - wanted[i]) > 0.02 * arrival[i]:
            current += 0.5 * (wanted[i] - seen)
    return made + extra
