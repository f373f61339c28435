"""When a seal is due, with only what was known on a day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta, tzinfo
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.degradation import FARTHEST_SHOTS, Wear, fit_wear, quantiles
from catchpot.stats.wear_shapes import KINDS
from catchpot_vacuum.series import Clock, Seal, day_of

Floats = NDArray[np.float64]
LEAST_LEAKS: Final = 5
USUAL_KINDS: Final = tuple(KINDS.values())
SHORT_HISTORY: Final = 15
MOST_OPEN: Final = 0.1
"""What the leak laws leave open of one seal's leak, in shares of its limit, from which it has no date of its own."""
_DAY_S: Final = 86400.0
_RATE_WINDOW_DAYS: Final = 56.0
_RATE_NODES: Final = np.array([-1.64, -0.84, -0.25, 0.25, 0.84, 1.64])


@dataclass(frozen=True)
class Forecast:
    """A forecast of one seal on one day; `wear` None where there were too few leaks.

    spare: half of what the leak laws differ by. widened: by how much both halves of the interval are longer than the
    leaks alone make them, because of `tested` seals' forecasts at half their lives only `held` held.
    """

    seal: Seal
    as_of: date
    age: float
    leaks: int
    wear: Wear | None
    per_day: float
    per_day_spread: float
    spare: float = 0.0
    pooled: int = 0
    widened: float = 1.0
    tested: int = 0
    held: int = 0

    @property
    def dated(self) -> bool:
        """Whether the wear shows well enough for a date, or other seals' lives stand in."""
        return self.wear is not None and (self.wear.seen or self.pooled > 0) and self.told_apart and not self.torn

    @property
    def told_apart(self) -> bool:
        """Whether the holds tell this seal's leak from the other's closely enough for a date of its own."""
        return self.spare <= MOST_OPEN * self.seal.limit or not np.isfinite(self.seal.limit)

    @property
    def torn(self) -> bool:
        """Whether it depends on the leak law, which nobody knows, if the limit is met already."""
        if self.wear is None or self.spare <= 0.02 * self.seal.limit:
            return False
        return abs(self.wear.level - self.seal.limit) < self.spare

    @cached_property
    def left(self) -> tuple[float, float, float] | None:
        """Shots left: lower end, median, upper end of the 80 % interval."""
        if self.wear is None or not self.dated:
            return None
        low, middle, high = self._quantiles(self._ages - self.age, 1)
        return low, middle, min(high, FARTHEST_SHOTS)

    @property
    def due(self) -> tuple[date | None, date | None, date | None]:
        """Days at which it is due: lower end (80 %), median, upper end.

        None where no shots a day are known or it lies past 20 years.
        """
        if self.left is None or self.per_day <= 0:
            return None, None, None
        rate = self.per_day * np.exp(self.per_day_spread * _RATE_NODES)
        days = np.maximum(self._ages - self.age, 0.0)[:, None] / rate[None, :]
        found = self._quantiles(days.ravel(), len(_RATE_NODES))
        low, middle, high = (self.as_of + timedelta(days=round(d)) if d < 7300 else None for d in found)
        return low, middle, high

    @property
    def _ages(self) -> Floats:
        assert self.wear is not None
        return self.wear.crossing

    def _quantiles(self, values: Floats, each: int) -> list[float]:
        """Ends and middle of values of which `each` in a row belong to one age."""
        assert self.wear is not None
        low, middle, high = quantiles(values, np.repeat(self.wear.weights, each), self.wear.eighty)
        ends = middle - self.widened * (middle - low), middle, middle + self.widened * (high - middle)
        return [max(v, 0.0) for v in ends]


def fit(seal: Seal, upto: int, now: float, kinds: tuple[float, ...] = USUAL_KINDS) -> Wear | None:
    """The wear known after its first `upto` leaks; None for fewer than five or no limit in the book.

    kinds: how often each kind of growth is met, as `fit_wear` takes it.
    """
    if upto < LEAST_LEAKS or not np.isfinite(seal.limits[upto - 1]):
        return None
    age, leak, sd, limit = seal.age[:upto], seal.leak[:upto], seal.sd[:upto], float(seal.limits[upto - 1])
    breaks = tuple(r for r in seal.reseated if r < age[-1])
    # What the leak laws differ by is the same for all leaks; where the leak meets the limit it is that share of it.
    share = min(_spare(seal, upto) / limit, 0.8)
    doubt = ((1.0 - share, 0.25), (1.0, 0.5), (1.0 + share, 0.25)) if share > 0.02 else ((1.0, 1.0),)
    return fit_wear(age, leak, sd, limit, now=max(now, float(age[-1])), breaks=breaks, doubt=doubt, kinds=kinds)


def _spare(seal: Seal, upto: int) -> float:
    return float(np.median(seal.spare[max(0, upto - 8) : upto])) if upto else 0.0


def forecasts(
    seal: Seal, counter: Clock, zone: tzinfo, days: list[date], *, only_last: bool = False,
    kinds: tuple[float, ...] = USUAL_KINDS,
) -> list[Forecast]:  # fmt: skip
    """A forecast of this seal at the end of each of these days that lie within its life."""
    return made_of(plans(seal, counter, zone, days, only_last=only_last), kinds)


@dataclass(frozen=True)
class Plan:
    """What the forecast of a seal on a day goes by.

    upto: leaks known. fitted_at: its age when the last became known.
    """

    seal: Seal
    as_of: date
    age: float
    upto: int
    fitted_at: float
    per_day: float
    per_day_spread: float
    spare: float

    def content(self) -> tuple[object, ...]:
        """All that its row is made of but the mould's name; later leaks are no part of it."""
        s, n = self.seal, self.upto
        return (
            s.seal, s.since, s.assumed, s.limit, s.reseated, s.age[:n], s.leak[:n], s.sd[:n], s.limits[n - 1 : n],
            s.spare[max(0, n - 8) : n], self.as_of, self.age, n, self.fitted_at, self.per_day, self.per_day_spread,
        )  # fmt: skip


def made_of(planned: list[Plan], kinds: tuple[float, ...] = USUAL_KINDS) -> list[Forecast]:
    """The forecasts; leaks that several days know are fitted once."""
    made: list[Forecast] = []
    known: tuple[int, float] | None = None
    wear: Wear | None = None
    for p in planned:
        if (p.upto, p.fitted_at) != known:
            known, wear = (p.upto, p.fitted_at), fit(p.seal, p.upto, p.fitted_at, kinds)
        now = wear if wear is None or p.age == p.fitted_at else replace(wear, now=p.age)
        made.append(Forecast(p.seal, p.as_of, p.age, p.upto, now, p.per_day, p.per_day_spread, p.spare))
    return made


def plans(seal: Seal, counter: Clock, zone: tzinfo, days: list[date], *, only_last: bool = False) -> list[Plan]:
    """What the forecasts go by at the end of each of these days that lie within the seal's life."""
    ends = [_end_of(d, zone) for d in days]
    inside = [(d, e) for d, e in zip(days, ends, strict=True) if e > seal.since and seal.at[0] <= e]
    inside = [(d, e) for d, e in inside if e >= seal.known_from and _start_of(d, zone) <= seal.known_until]
    if only_last:
        inside = inside[-1:]
    made: list[Plan] = []
    known, fitted_at = -1, 0.0
    for day, end in inside:
        end = min(end, seal.known_until)
        upto = int(np.searchsorted(seal.at, end, side="right"))
        age = float(counter.count(seal.since, end))
        if upto != known:
            known, fitted_at = upto, age
        per_day, spread = shot_rate(counter.at, end)
        made.append(Plan(seal, day, age, upto, fitted_at, per_day, spread, _spare(seal, upto)))
    return made


def shot_rate(at: Floats, now: float) -> tuple[float, float]:
    """Shots a day over the last eight weeks and the s.d. of its logarithm (weeks differ more than chance has it)."""
    known = at[at <= now]
    if len(known) < 2:
        return 0.0, 0.0
    window = min(_RATE_WINDOW_DAYS, max((now - known[0]) / _DAY_S, 1.0))
    recent = known[known > now - window * _DAY_S]
    if len(recent) == 0:
        return 0.0, 0.0
    weeks = max(int(window // 7), 1)
    counts = np.histogram((now - recent) / _DAY_S, bins=weeks, range=(0.0, weeks * 7.0))[0]
    spread = max(float(counts.var(ddof=1) / max(counts.mean(), 1e-9)), 1.0) if weeks >= 3 else 2.0
    return float(len(recent) / window), float(min(np.sqrt(spread / len(recent)), 1.0))


def _start_of(day: date, zone: tzinfo) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()


def _end_of(day: date, zone: tzinfo) -> float:
    return _start_of(day + timedelta(days=1), zone) - 1e-3


def days_of(at: Floats, zone: tzinfo) -> list[date]:
    """The days, in the workshop's zone, of these times, each once, in order."""
    return sorted({day_of(float(t), zone).date() for t in at})
