"""How likely each cause is beforehand, and what events and pressures say for or against it; the same for all.

Sizes are common practice, no source: what a floor sees from week to week (quiet), what a real change may be (active).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from catchpot.events import KINDS
from catchpot.physics.volume import CAUSES, PartBook
from catchpot.stats.causes import Priors

LAYING = len(CAUSES)
"""The pack's permeability itself (how it was laid, another weave): moves K and no volume."""
LINE = LAYING + 1
"""The resistance of hose and mix head itself (another hose, resin left in it): moves no volume."""
READING = LINE + 1
"""A departure of the curve's shape that stays and is taken for another volume: moves what is read, and no volume."""
NAMES = (*CAUSES, "laying", "line", "reading")
CHANCE = {
    "cavity_thickness": 0.08, "fabric_pack": 0.06, "gel_coat": 0.05, "core": 0.03, "runner_or_hose": 0.015,
    "flow_meter": 0.05, "resin_past_seal": 0.015, "laying": 0.05, "line": 0.05,
    "reading": 0.05,
}  # fmt: skip
EVENTS = {k.name: k.causes for k in KINDS.values() if k.causes}
"""An event at the boundary: which causes it makes likelier, and how many times the odds."""
CLAMP_WANDER_MBAR, CAVITY_WANDER_MBAR, MOVED_MBAR = 5.0, 12.0, 40.0
RESIN_WANDER, RESIN_MOVED = 3.0, 60.0
RISE_WANDER, RISE_MOVED = 0.7, 5.0
"""Everyday and real change of the clamp's rise during injection, mbar/min (common practice, no source)."""
FAR_READ = 3.0
"""S.d. of such a departure where there is one, as a multiple of what usually lasts."""
UNHELD = 8.0
"""The most that this rise says where no hold tells the seals' own leak from it."""
MOST_FOR = 25.0


@dataclass(frozen=True)
class Pressures:
    """Change of a pressure between the periods and its s.d.; None where not logged."""

    clamp: tuple[float, float] | None
    cavity: tuple[float, float] | None
    clamp_per_line: tuple[float, float] | None
    clamp_rise: tuple[float, float] | None = None
    held: bool = False


def _times(moved: tuple[float, float] | None, wander: float, real: float, sign: float) -> float:
    """Odds for "it moved with the cause" (half the time it does) against "it only wandered"."""
    if moved is None:
        return 1.0
    value, sd = moved
    quiet = np.hypot(sd, wander)
    wide = np.hypot(quiet, real)
    log_ratio = np.log(quiet / wide) + 0.5 * value**2 * (1 / quiet**2 - 1 / wide**2)
    with_it = 2.0 * np.exp(min(log_ratio, 20.0)) if value * sign > 0 else 0.0
    return float(min(0.5 + 0.5 * with_it, MOST_FOR))


def _past_seal(pressures: Pressures) -> float:
    """Factor on the odds of resin past the inner seal, by what the clamp pressure does during injection.

    Its rise there beyond a hold's is the plain sign, for and against. Where no hold tells it from the seals' own leak,
    that the clamp follows the line helps, but an outer leak with a switching pump may look like either: neither then
    says more than UNHELD. A clamp held by a receiver shows nothing, for or against.
    """
    if pressures.clamp_rise is None:
        return 1.0
    seen = _times(pressures.clamp_rise, RISE_WANDER, RISE_MOVED, 1.0)
    if not pressures.held:
        seen = min(max(seen, _times(pressures.clamp_per_line, RESIN_WANDER, RESIN_MOVED, 1.0)), UNHELD)
    return 4.0 * seen if seen > 1.0 else 0.3


def priors(
    book: PartBook,
    events: Sequence[dict[str, Any]],
    pressures: Pressures,
    volume_up: bool,
    lasting: float = 0.0,
) -> tuple[Priors, np.ndarray[Any, np.dtype[np.bool_]]]:
    """Priors of all NAMES, and which of them are possible at all.

    lasting: s.d. by which the curve's readings of the two periods err apart; 0 where the curve was not read.
    """
    kinds = {e["kind"] for e in events}
    odds = {c: p / (1 - p) for c, p in CHANCE.items()}
    for kind in kinds & EVENTS.keys():
        for cause, factor in EVENTS[kind].items():
            odds[cause] *= factor
    # a cavity opens as the clamp weakens or as the pressure inside comes nearer to ambient
    sign = 1.0 if volume_up else -1.0
    vacuum = max(_times(pressures.clamp, CLAMP_WANDER_MBAR, MOVED_MBAR, sign),
                 _times(pressures.cavity, CAVITY_WANDER_MBAR, MOVED_MBAR, sign))  # fmt: skip
    odds["cavity_thickness"] *= vacuum
    odds["resin_past_seal"] *= _past_seal(pressures)
    chance = np.array([odds[c] / (1 + odds[c]) for c in NAMES])
    v, h = book.volume_l, book.thickness_mm
    quiet = np.array(
        [0.0010, 0.010, 0.011, 0.002 * book.core_volume_l, 0.0005 * v, 0.0015, 0.0003 * v, 0.03, 0.012, 0.0]
    )
    active = np.array(
        [
            0.03,
            0.08,
            max(0.12, 0.03 * h),
            max(0.15 * book.core_volume_l, 0.02 * v),
            0.03 * v,
            0.03,
            0.04 * v,
            0.15,
            0.15,
            FAR_READ * lasting,
        ]
    )
    possible = np.ones(len(NAMES), dtype=bool)
    possible[CAUSES.index("core")] = book.core_volume_l > 0 or "core_changed" in kinds
    possible[READING] = lasting > 0
    positive = np.zeros(len(NAMES), dtype=bool)
    return Priors(np.maximum(quiet, 1e-9), np.maximum(active, 1e-6), np.clip(chance, 1e-4, 0.9), positive), possible
