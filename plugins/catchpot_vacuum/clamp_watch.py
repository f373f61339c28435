"""The clamp's pressure and margin over the shots of a mould: whether they moved, and at which end. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.changepoint import Change, Least, find_changes, limit_for

Floats = NDArray[np.float64]
LEAST: Final = Least(first=10, end=3, within=3, ramp=8)
"""Shorter stretches than elsewhere: a clamp that weakens is worth a call after three shots."""
STIRS_MBAR: Final = 10.0
"""A change of the clamp pressure that is worth a word; gauges and switching bands wander less (common practice, no
source)."""
LATELY: Final = 3
"""Shots whose mean is the present state."""
LESSENED: Final = 0.9
RISEN_MBAR: Final = 40.0
"""A rise of the clamp pressure that is watched whatever the margins say of it (common practice, no source)."""
LEAK_WANDER: Final = 0.15
"""S.d. of the log of a seal's leak between groups of shots while nothing happens (common practice, no source)."""
SUREST: Final = 0.99


@dataclass(frozen=True)
class Moved:
    """A move of the clamp pressure. at, low, high: first shot of it and the span it may have begun in (positions in
    the series); until: its last shot. before, after: mbar absolute, after being that of the last shots it concerns.
    trend: whether it went on from shot to shot."""

    at: int
    low: int
    high: int
    until: int
    before: float
    after: float
    trend: bool
    seen_at: int


def moved(pressure_mbar: Floats) -> list[Moved]:
    """The moves of a series of clamp pressures, shape (shots,), all finite, oldest first.

    Rises that follow one another are one move, as a weakening goes on; so are falls.

    >>> rng = np.random.default_rng(2)
    >>> p = np.r_[rng.normal(50, 2, 30), 50 + 10 * np.arange(1, 9) + rng.normal(0, 2, 8)]
    >>> [m.trend for m in moved(p)], 29 <= moved(p)[0].at <= 33, 110 < moved(p)[0].after < 130
    ([True], True, True)
    """
    found = find_changes(pressure_mbar, None, limit_for(2), LEAST)
    runs: list[list[Change]] = []
    for c in found:
        if runs and c.change * runs[-1][-1].change > 0 and c.at - runs[-1][-1].until <= LEAST.end + 1:
            runs[-1].append(c)
        else:
            runs.append([c])
    # A stir too small for a word ends nothing either.
    runs = [run for run in runs if abs(run[-1].after - run[0].before) >= STIRS_MBAR]
    made = []
    for k, run in enumerate(runs):
        first = run[0]
        end = runs[k + 1][0].at - 1 if k + 1 < len(runs) else pressure_mbar.size - 1
        after = float(np.mean(pressure_mbar[max(end + 1 - LATELY, first.at) : end + 1]))
        before = float(first.before)
        if abs(after - before) >= STIRS_MBAR:
            trend = len(run) > 1 or first.kind == "trend"
            made.append(Moved(first.at, first.at_low, first.at_high, end, before, after, trend, first.seen_at))
    return made


@dataclass(frozen=True)
class Ends:
    """At which end of the clamp's line a rise comes from. pump: chance that it is the supply (pump, filter, valve,
    line, gauge) and not a seal; None where no hold tells. before, after: mean leak by the holds, in their own unit."""

    pump: float | None
    before: float = float("nan")
    after: float = float("nan")
    holds: int = 0


def which_end(pressure: tuple[float, float], leak_before: Floats, leak_after: Floats) -> Ends:
    """Whether the supply or a seal is behind a rise of the clamp pressure.

    pressure: mbar absolute before and after. leak_before, leak_after: rises in hold checks, shape (holds,), any one
    unit, positive. Where a pump draws against a leak, the pressure above what it reaches blanked off goes as the leak
    (steady flow through a constant pumping speed); so a seal to blame leaks at least as much more as the pressure rose,
    and a supply to blame leaves the leak as it was. Equal odds beforehand.

    >>> which_end((50.0, 150.0), np.array([0.10, 0.11, 0.10]), np.array([0.10, 0.11])).pump > 0.95
    True
    >>> which_end((50.0, 150.0), np.array([0.10, 0.11, 0.10]), np.array([0.31, 0.33])).pump < 0.05
    True
    """
    old, new = (v[np.isfinite(v) & (v > 0)] for v in (leak_before, leak_after))
    if not len(old) or not len(new) or not pressure[1] > pressure[0] > 0:
        return Ends(None)
    grown = float(np.median(np.log(new)) - np.median(np.log(old)))
    scatter = float(np.std(np.log(old), ddof=1)) if len(old) > 2 else 2 * LEAK_WANDER
    sd = float(np.hypot(LEAK_WANDER, scatter * np.sqrt(1 / len(old) + 1 / len(new))))
    asked = float(np.log(pressure[1] / pressure[0]))
    supply, seal = -0.5 * (grown / sd) ** 2, -0.5 * (min(grown - asked, 0.0) / sd) ** 2
    chance = 1.0 / (1.0 + np.exp(np.clip(seal - supply, -50, 50)))
    return Ends(
        float(np.clip(chance, 1 - SUREST, SUREST)), float(np.exp(np.median(np.log(old)))),
        float(np.exp(np.median(np.log(new)))), len(new),
    )  # fmt: skip


@dataclass(frozen=True)
class Margin:
    """The clamp's margin now and as usual, N; shots_left: until nought at the pace of the move, None where it does not
    fall; half_at: position of the first shot below half of the usual, or None."""

    usual: float
    now: float
    shots_left: float | None

    @property
    def lost(self) -> float:
        """What is gone of it, as a share of its usual size: of a margin that is below nought already, too."""
        return (self.usual - self.now) / max(abs(self.usual), 1e-9)


def margin(force_n: Floats, m: Moved) -> Margin | None:
    """The margin beside a move; force_n: shape (shots,), nan where not known. None where either side is not known."""
    known = np.isfinite(force_n)
    rows = np.arange(force_n.size)
    before = force_n[known & (rows < m.at)]
    during = force_n[known & (rows >= m.at) & (rows <= m.until)]
    if not len(before) or not len(during):
        return None
    usual, now = float(np.median(before)), float(np.mean(during[-LATELY:]))
    pace = (usual - now) / max(len(during) - LATELY / 2, 1.0) if m.trend else 0.0
    return Margin(usual, now, max(now, 0.0) / pace if pace > 0 else None)


__all__ = ["LESSENED", "RISEN_MBAR", "Ends", "Margin", "Moved", "margin", "moved", "which_end"]
