"""What the next shot of a mould will take and how long it will run, from its history or from the book alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.events import KINDS
from catchpot.physics import darcy
from catchpot.physics.volume import book_volume
from catchpot.stats.outlook import STEP_CHANCE, STEP_SD, Follower, Outlook
from catchpot_volume.gather import Floats, column, expansion, log_volume_sd, part_book

Step = tuple[float, float]
LEAST_HISTORY = 1
"""Shots laid on the mould's own curve that a history needs: how little they know is said by their intervals."""
USUAL_SCATTER = 0.012
"""First guess of the scatter from shot to shot (common practice, no source)."""
CLOTH_SD = 0.004
"""What a cloth's own pattern moves the first resin from shot to shot, beside the curve's stretch (as two-dimensional
moulds show it)."""
BOOK_SD = 0.07
"""What no book knows of a new mould: ribs, runners and corners that fill after resin shows at the vent; relative."""
CHECKED_SHOTS = 250
SHARES = np.linspace(0.05, 1.0, 20)
MOVES = {k.name: k.volume_sd for k in KINDS.values() if k.volume_sd}
"""What may have moved since the last shot, as s.d. of the log volume."""
MOVES_CHANCE = 0.5
"""Chance that such an event moved the volume at all: half of them move it by 1.4 times as much."""


@dataclass(frozen=True)
class Readings:
    """Log relative volumes in time order, their s.d. and the rows of the frame they stand in; (shots,) each.

    place, place_sd: log of the usual shot's arrival volume in litres as it was known at each of them, and its s.d. on
    the side above, which is what a volume to set has to cover.
    end: log of the volume at which it ended, for a shot of the usual size.
    """

    rows: NDArray[np.intp]
    value: Floats
    sd: Floats
    place: Floats
    place_sd: Floats
    end: Floats

    @property
    def found(self) -> int:
        """Readings."""
        return len(self.value)


def readings(frame: pl.DataFrame) -> Readings:
    """What to learn from: every shot that the mould's own curve places, whether or not resin arrived in it."""
    relative, place = column(frame, "arrival_relative"), column(frame, "arrival_place_l")
    sd, half = log_volume_sd(frame), column(frame, "arrival_place_above_pct") / 196.0
    rows = np.flatnonzero(np.isfinite(relative) & np.isfinite(place) & np.isfinite(sd))
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(relative) - np.nan_to_num(expansion(frame))
        usual = np.log(place / relative)
        end = np.log(column(frame, "injected_volume_l")) - value
    return Readings(rows, value[rows], sd[rows], usual[rows], half[rows], end[rows])


ENDS, USUAL_END = 20, 0.7
"""Shots whose ends say where a shot usually ends, and which share of them ended before that."""


@dataclass(frozen=True)
class Ahead:
    """What the coming shot will take: outlook of its log arrival volume. as_filled: of the log volume at which it would
    end as usual shots do; None where no shot is known."""

    arrival: Outlook
    as_filled: Outlook | None = None

    def moved(self, by: float, sd: float) -> Ahead:
        """For a shot that takes more by this log, with that s.d."""
        filled = None if self.as_filled is None else self.as_filled.moved(by).widened(sd)
        return Ahead(self.arrival.moved(by).widened(sd), filled)

    def to_set(self, chance: float) -> float:
        """Log of the volume to set so that resin arrives with this chance.

        Where the place of arrival is so poorly known that this would be more than what is set as a rule, and a rule
        that fills is likelier than not, it is what is set as a rule: nobody has to fill the pot for what is not known.
        """
        wanted = self.arrival.quantile(chance)
        if self.as_filled is None or self.arrival.chance_below(self.as_filled.quantile(0.5)) < 0.5:
            return wanted
        return min(wanted, self.as_filled.quantile(0.5))


def looked_ahead(r: Readings, step: Sequence[Step]) -> list[Ahead | None]:
    """The outlook before each reading and, last, after them all; None where nothing is known.

    step: what is known before each reading, and before the coming shot, of a step since the reading before it.
    """
    follower = Follower(USUAL_SCATTER)
    made: list[Ahead | None] = []
    first = len(r.value) - CHECKED_SHOTS
    for i, (value, sd) in enumerate(zip(r.value, r.sd, strict=True)):
        made.append(_ahead(follower, r, i, step[i]) if i >= max(LEAST_HISTORY, first) else None)
        follower.take(float(value), float(sd), *step[i])
    end = len(r.value)
    return [*made, _ahead(follower, r, end, step[end]) if end >= LEAST_HISTORY else None]


def _ahead(follower: Follower, r: Readings, before: int, step: Step) -> Ahead:
    known = before - 1
    relative = follower.outlook(*step)
    unsure = float(np.hypot(r.place_sd[known], CLOTH_SD))
    end = float(np.quantile(r.end[max(before - ENDS, 0) : before], USUAL_END))
    return Ahead(relative.moved(float(r.place[known])).widened(unsure), relative.moved(end))


def steps(at: Sequence[datetime], events: Sequence[dict[str, Any]]) -> list[Step]:
    """Chance and s.d. of a step of the log volume before each reading, and before the coming shot, by the events since
    the reading before it. at: times of the readings, in order."""
    placed = np.searchsorted(np.array([t.timestamp() for t in at]), [e["time"].timestamp() for e in events])
    since: dict[int, set[str]] = {}
    for e, i in zip(events, placed.tolist(), strict=True):
        if e["kind"] in MOVES:
            since.setdefault(i, set()).add(e["kind"])
    made = [(STEP_CHANCE, STEP_SD)] * (len(at) + 1)
    for i, kinds in since.items():
        sd = float(np.sqrt(sum(MOVES[k] ** 2 for k in kinds) / MOVES_CHANCE))
        made[i] = (MOVES_CHANCE, sd)
    return made


def fabric_shift(frame: pl.DataFrame, batch: str | None) -> tuple[float, float, str]:
    """Shift of the log volume with another fabric batch than the last shot's, its s.d., and words."""
    last = frame["fabric_batch"][-1]
    if batch is None or batch == last:
        return 0.0, 0.0, ""
    read = readings(frame)
    book = part_book(frame, frame.height - 1, float(np.exp(np.median(read.value) + read.place[-1])))
    mass = column(frame, "fabric_mass_kg")
    theirs = mass[(frame["fabric_batch"] == batch).fill_null(False).to_numpy() & np.isfinite(mass)]
    usual = mass[np.isfinite(mass)][-20:]
    if book is None:
        return 0.0, MOVES["fabric_batch"], f"fabric batch {batch} is new to these logs"
    per_kg = -1.0 / (book.fibre_kg_l * book.volume_l)
    if len(theirs) >= 2 and len(usual) >= 3:
        shift = per_kg * float(theirs.mean() - usual.mean())
        sd = abs(per_kg) * float(np.std(usual, ddof=1)) / np.sqrt(len(theirs))
        return shift, sd, f"fabric batch {batch}: {len(theirs)} packs weighed, reckoned with"
    sd = 0.03 * book.fibre_l / book.volume_l
    return 0.0, sd, f"fabric batch {batch} was never weighed: the volume is less certain for it"


def from_book(row: dict[str, Any], frame_book: Any) -> tuple[float, float]:
    """Volume by the book and its s.d., l, tolerances of the book reckoned with. row: `for_shots` values."""
    volume, sd = book_volume(
        frame_book,
        (row["thickness_tolerance_mm"] or 0.1) / 1.96,
        (row["fibre_areal_weight_tolerance_pct"] or 5.0) / 196.0,
        (row["runner_volume_tolerance_pct"] or 10.0) / 196.0,
    )
    return volume, float(np.hypot(sd, BOOK_SD * volume))


@dataclass(frozen=True)
class Filling:
    """Fill time, s, with 95 % interval, and the times at SHARES."""

    time_s: float
    low_s: float
    high_s: float
    curve_s: Floats


def model_times(row: dict[str, Any], volume_l: float, permeability: Floats, viscosity: Floats, line: Floats,
                flow_l_min: float | None, drive_pa: Floats, shares: Floats) -> Floats:  # fmt: skip
    """Darcy's time to the shares; broadcasts. NaN where the book lacks geometry. The machine holds its flow, then the
    pressure `drive_pa` (limit + ambient - cavity)."""
    needed = ("inlet_width_m", "flow_length_m", "part_area_m2", "thickness_mm")
    if any(row[k] is None for k in needed):
        return np.full(np.broadcast(permeability, shares).shape, np.nan)
    w0, length, area, h = row["inlet_width_m"], row["flow_length_m"], row["part_area_m2"], row["thickness_mm"] * 1e-3
    bed = max(volume_l - (row["runner_volume_l"] or 0.0), 1e-6) * 1e-3
    porosity = bed / (area * h)
    taper = darcy.taper_of(w0, length, area)
    flow = (flow_l_min or 1e3) / 6e4
    time, _ = darcy.fill_time_switched(
        shares, porosity, viscosity, permeability, flow, drive_pa, w0, length, area, h, taper, line
    )
    return np.asarray(time)


def filling(frame: pl.DataFrame, row: dict[str, Any], volume_l: float, viscosity: float | None,
            flow_l_min: float | None, limit_bar: float | None) -> Filling | None:  # fmt: skip
    """Fill time expected from the last shots: each shot's own time, moved to another viscosity by Darcy's law.

    frame: the mould's shots. viscosity: at the temperature asked for, None for as it was. None where no time is known.
    """
    from scipy.special import stdtrit

    took = column(frame, "fill_time_s")
    # where no arrival was found, as long as the injection took, less what went past
    whole = column(frame, "injection_time_s") * np.minimum(volume_l / column(frame, "injected_volume_l"), 1.0)
    took = np.where(np.isfinite(took), took, whole)
    rows = np.flatnonzero(np.isfinite(took) & (took > 0))[-15:]
    if len(rows) < 3:
        return None
    part = frame[rows]
    k, mu, line = (column(part, c) for c in ("permeability_m2", "viscosity_pa_s", "line_resistance_per_m3"))
    line = np.where(np.isfinite(line) & (line > 0), line, 0.0)
    peak = column(part, "peak_line_pressure_bar") * 1e5
    ambient, cavity = column(part, "ambient_pressure_mbar") * 100, column(part, "cavity_pressure_mbar") * 100
    under = np.where(np.isfinite(ambient - cavity), ambient - cavity, 0.45e5)
    own = model_times(row, volume_l, k, mu, line, flow_l_min, np.maximum(peak + under, 1e4), np.ones(len(rows)))
    new_mu = np.full(len(rows), viscosity) if viscosity is not None else mu
    limit = np.minimum(peak, limit_bar * 1e5) if limit_bar is not None else peak
    drive = np.maximum(limit + under, 1e4)
    new = model_times(row, volume_l, k, new_mu, line, flow_l_min, drive, np.ones(len(rows)))
    ratio = np.where(np.isfinite(new / own), new / own, new_mu / mu)
    logs = np.log(took[rows]) + np.log(np.where(np.isfinite(ratio), ratio, 1.0))
    middle = float(np.median(logs))
    # a resin batch of its own viscosity may come next
    half = float(stdtrit(len(rows) - 1, 0.975)) * float(
        np.hypot(np.std(logs, ddof=1) * np.sqrt(1 + 1 / len(rows)), 0.04)
    )
    time = float(np.exp(middle))
    curve = model_times(
        row, volume_l, np.nanmedian(k, keepdims=True), np.nanmedian(new_mu, keepdims=True),
        np.median(line, keepdims=True), flow_l_min, np.median(drive, keepdims=True), SHARES
    ) if np.isfinite(k).any() else np.full(len(SHARES), np.nan)  # fmt: skip
    course = curve / curve[-1] * time if np.isfinite(curve).all() and curve[-1] > 0 else np.full(len(SHARES), np.nan)
    return Filling(time, float(np.exp(middle - half)), float(np.exp(middle + half)), course)


BOOK_K_M2, BOOK_K_FACTOR = 2e-9, 6.0
"""Permeability of mats and core packs near 15 % glass, and the factor either way (from memory: 1e-9 to 1e-8 m2 is
usual; a first shot's time is known to an order of magnitude only)."""


def first_filling(row: dict[str, Any], book: Any, viscosity: float | None, limit_bar: float | None) -> Filling | None:
    """Fill time from geometry alone, a very wide interval; None without viscosity or geometry."""
    if viscosity is None:
        return None
    v = book.fibre_share
    k = BOOK_K_M2 * (((1 - v) / 0.85) ** 3) * (0.15 / v) ** 2
    drive = (limit_bar or 0.5) * 1e5 + 0.45e5
    times = model_times(row, book.volume_l, np.asarray(k), np.asarray(viscosity), np.asarray(0.0), None,
                        np.asarray(drive), SHARES)  # fmt: skip
    if not np.isfinite(times).all():
        return None
    time = float(times[-1])
    return Filling(time, time / BOOK_K_FACTOR, time * BOOK_K_FACTOR, times)
