"""One curve that the repetitions of a process share, and how far each of them is stretched along it.

Every repetition is `y_i(v) = a_i + b_i g(v / s_i)`: one shape `g`, found from the repetitions, and an offset, a height
and a stretch of its own (self-modelling regression: W. H. Lawton, E. A. Sylvestre and M. S. Maggio 1972,
Technometrics 14:513; shape-invariant models: A. Kneip and T. Gasser 1988, Annals of Statistics 16:82). Three things are
added here, because an interval must hold:

- repetitions differ in shape too. Their departures are a random function on hat functions along the curve whose
  covariance is learnt as they come (expectation-maximisation with an inverse-Wishart prior), so that a stretch which
  such a departure could imitate is not believed;
- the stretch wanders and steps. A grid filter keeps what is believed of its level, so that a curve which says little
  leans on the ones before it, and one that says much moves it at once;
- what was learnt before a repetition never depends on it: `place` and then `learn`, one after another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.curve_fit import CELLS, HATS, STEP, Fit, Repetition, expected_departures, smoothed
from catchpot.stats.stretch import (
    LEAST_SD,
    LOG_GRID,
    LOG_HALF,
    SCATTER,
    STEP_CHANCE,
    STEP_SD,
    ahead_of,
    doubted,
    ends,
    moments,
    smoothed_stretches,
    spread,
    surprise,
    widened,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SHAPE_WORTH = 6.0
"""Repetitions' worth of the departures that are expected of any curve."""
OFFSET_SD, HEIGHT_SD, TERMS_WORTH = 0.1, 0.2, 3.0
"""S.d. of offset (over the curve's middle) and height from one repetition to the next, and how many repetitions this
guess is worth."""
LEAST_OFFSET_SD, LEAST_HEIGHT_SD = 0.01, 0.03
MEMORY = 0.98
"""What a repetition's weight shrinks to with each further one: about fifty count."""
ODD = 3.0
"""Times the usual departure beyond which a repetition teaches the shape less."""
RELEARN, RENEW, ANCHOR = (3, 6, 12, 24), 48, 3
"""Numbers of repetitions after which all of them are laid on the curve anew; after the last, the curve is made of the
last ones every so many. How many of the first hold the reference."""
ROUNDS = 2
"""How often all of them are laid on the curve, and the curve made of them, each time."""
SURPRISE_WORTH, USUAL_SD = 6.0, 0.01
"""Repetitions' worth of the guess that stretches lie where their likelihoods have it, to this s.d."""
SHARED = 1.0
"""What all stretches of a mould may err in against its first ones, as a multiple of a likelihood's usual s.d.: a
departure of shape that stays (made-up moulds in one dimension and plates in two: intervals of 95 % hold 91-94 %)."""


@dataclass(frozen=True)
class Placed:
    """Where a repetition lies on the curve.

    posterior: of the log stretch on LOG_GRID. log_stretch, sd: its mean and s.d., without what all share. low, high:
    95 %, with it. offset, height: a and
    b. misfit: what is left, squared, over its noise; 1 where the model holds. oddity: how large its departure of shape
    is beside what is usual, squared; 1 is usual. hats, departure, departure_cov: of the hat functions it reached.
    """

    posterior: Floats
    log_stretch: float
    sd: float
    low: float
    high: float
    offset: float
    height: float
    misfit: float
    oddity: float
    hats: Bools
    departure: Floats
    departure_cov: Floats


@dataclass
class OwnCurve:
    """What is known of one mould's curve so far.

    weight, total, squares: (CELLS,) sums that make the shared curve and its scatter. level: belief of the log level on
    LOG_GRID. departures, worth: sums that make the covariance of departures. surprises: how many repetitions came, the
    sum of their squared distances from where they were expected, and of the logs of their likelihoods' s.d.
    kept: the last repetitions, as placed.
    """

    weight: Floats = field(default_factory=lambda: np.zeros(CELLS))
    total: Floats = field(default_factory=lambda: np.zeros(CELLS))
    squares: Floats = field(default_factory=lambda: np.zeros(CELLS))
    noise: Floats = field(default_factory=lambda: np.zeros(CELLS))
    terms: Floats = field(
        default_factory=lambda: TERMS_WORTH * np.array([1.0, 0.0, 1.0, OFFSET_SD**2, HEIGHT_SD**2 + 1.0])
    )
    level: Floats = field(default_factory=lambda: (np.arange(2 * LOG_HALF + 1) == LOG_HALF).astype(float))
    departures: Floats = field(default_factory=lambda: np.zeros((len(HATS), len(HATS))))
    worth: float = 0.0
    surprises: Floats = field(default_factory=lambda: SURPRISE_WORTH * np.array([1.0, 1.0, np.log(USUAL_SD)]))
    count: int = 0
    kept: list[tuple[Repetition, float, float, float, float]] = field(default_factory=list)
    _drawn: tuple[Floats, Floats, int, int] | None = None

    def state(self) -> dict[str, Any]:
        """All of it as plain values and arrays, for `restored`."""
        # the curve as drawn is part of it: after `forget` it stays until the next repetition is added
        named = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "kept"}
        kept = [[r.edges, r.mean, r.noise, *rest] for r, *rest in self.kept]
        return {**{k: v.copy() if isinstance(v, np.ndarray) else v for k, v in named.items()}, "kept": kept}

    @staticmethod
    def restored(state: Mapping[str, Any]) -> OwnCurve:
        """What `state` told of."""
        kept = [(Repetition(*k[:3]), k[3], k[4], k[5], k[6]) for k in state["kept"]]
        drawn = None if state["_drawn"] is None else tuple(state["_drawn"])
        return OwnCurve(**{**state, "kept": kept, "_drawn": drawn})

    def covariance(self) -> Floats:
        """Covariance of the departures on HATS."""
        expected = expected_departures(self.curve()[0])
        return np.asarray((SHAPE_WORTH * expected + self.departures) / (SHAPE_WORTH + self.worth))

    @property
    def log_level(self) -> float:
        """Mean of the believed log level."""
        return float(self.level @ LOG_GRID / self.level.sum())

    def curve(self) -> tuple[Floats, Floats, int, int]:
        """The shared curve and its scatter on its cells (CELLS,), and the first and last cell that is known.

        Before the first and past the last it goes on level.
        """
        if self._drawn is not None:
            return self._drawn
        known = np.flatnonzero(self.weight > 0)
        mean = self.total[known] / self.weight[known]
        spread = np.sqrt(np.maximum(self.squares[known] / self.weight[known] - mean**2, 0.0))
        error = np.sqrt(self.noise[known]) / self.weight[known]
        mean = smoothed(mean, error)
        at = np.arange(CELLS)
        self._drawn = (np.interp(at, known, mean), np.interp(at, known, spread), int(known[0]), int(known[-1]))
        return self._drawn

    def error(self) -> Floats:
        """Standard error of the shared curve before smoothing (CELLS,), as shown by the repetitions' noise."""
        known = np.flatnonzero(self.weight > 0)
        return np.interp(np.arange(CELLS), known, np.sqrt(self.noise[known]) / self.weight[known])

    @property
    def usual_terms(self) -> tuple[float, float, float, float]:
        """Usual offset and height, and their s.d. from one repetition to the next."""
        n, a, b, aa, bb = self.terms
        a, b = a / n, b / n
        return (a, b, float(np.hypot(np.sqrt(max(aa / n - a * a, 0.0)), LEAST_OFFSET_SD)),
                float(np.hypot(np.sqrt(max(bb / n - b * b, 0.0)), LEAST_HEIGHT_SD)))  # fmt: skip

    def place(self, r: Repetition, step: tuple[float, float] = (STEP_CHANCE, STEP_SD)) -> Placed:
        """Lay a repetition on the curve. step: chance and s.d. of a step of the level since the one before.

        The first one of all is the reference: its stretch is 1.
        """
        if self.count == 0:
            none = np.zeros(len(HATS), bool)
            point = (LOG_GRID == 0.0).astype(float)
            return Placed(point, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, none, np.zeros(0), np.zeros((0, 0)))
        fit = Fit(self, r)
        sharp, misfit = fit.likelihood(self.overdispersion)
        likelihood = doubted(sharp)
        ahead = ahead_of(self.level, step)
        posterior = spread(ahead, SCATTER) * likelihood
        posterior /= posterior.sum()
        middle, sd = moments(posterior)
        self._next_sums = np.array([1.0, min(surprise(ahead, sharp), ODD**2), np.log(moments(sharp)[1])])
        low, high = widened(middle, ends(posterior), self.shared_sd)
        self._next_level = ahead * spread(likelihood, SCATTER)
        offset, height, hats, departure, cov = fit.terms(middle)
        usual = fit.usual
        # a departure that was hardly seen tells nothing: it counts as the usual one
        oddity = float(np.trace(np.linalg.solve(usual, np.outer(departure, departure) + cov)) / max(hats.sum(), 1))
        return Placed(posterior, middle, sd, min(low, middle - 1.96 * LEAST_SD), max(high, middle + 1.96 * LEAST_SD),
                      offset, height, misfit, oddity, hats, departure, cov)  # fmt: skip

    @property
    def overdispersion(self) -> float:
        """How much farther stretches lie from where they were expected than their likelihoods have it, as a variance.

        At least 1.
        """
        worth, squares, _ = self.surprises
        return float(max(squares / worth, 1.0))

    @property
    def usual_sd(self) -> float:
        """S.d. that a likelihood of the log stretch usually has."""
        return float(np.exp(self.surprises[2] / self.surprises[0]))

    @property
    def shared_sd(self) -> float:
        """S.d. of what all log stretches may err in together against the first ones: it does not average out."""
        return SHARED * self.usual_sd

    def learn(self, r: Repetition, placed: Placed) -> Floats | None:
        """Add a repetition that was placed just before.

        Returns, where all that is kept was laid on the curve anew, how far each of them moved: log stretches (kept,),
        the last one that of this repetition.
        """
        if self.count:
            self.level = self._next_level / self._next_level.sum()
            self.surprises = self.surprises + self._next_sums
        trust = 1.0 / max(1.0, placed.oddity / ODD) ** 2
        self.count += 1
        if self.count > 1:
            self._learn_departure(placed, trust)
        self.kept.append((r, placed.log_stretch, placed.offset, placed.height, trust))
        del self.kept[: -max(RELEARN)]
        # a curve that went on learning would follow its own errors, and the stretches would creep
        if self.count <= max(RELEARN):
            self._add(r, placed.log_stretch, placed.offset, placed.height, trust)
            if self.count in RELEARN:
                before = self.log_stretches
                for _ in range(ROUNDS):
                    self._again()
                return self.log_stretches - before
        elif self.count % RENEW == 0:
            self._rebuild()
        return None

    @property
    def log_stretches(self) -> Floats:
        """Log stretches of what is kept, (kept,)."""
        return np.array([k[1] for k in self.kept])

    def forget(self, share: float) -> None:
        """Something that may have changed the shape happened: what was learnt counts so much less."""
        for sums in (self.weight, self.total, self.squares, self.noise, self.departures):
            sums *= 1.0 - share
        self.worth *= 1.0 - share
        self.kept.clear()

    def _learn_departure(self, placed: Placed, trust: float) -> None:
        seen, usual = placed.hats, self.covariance()
        rest = ~seen
        within = np.outer(placed.departure, placed.departure) + placed.departure_cov
        # hats that were not reached: as expected beside those that were, or the whole would be no covariance
        onto = np.linalg.solve(usual[np.ix_(seen, seen)], usual[np.ix_(seen, rest)]).T
        made = np.empty_like(usual)
        made[np.ix_(seen, seen)] = within
        made[np.ix_(rest, seen)] = onto @ within
        made[np.ix_(seen, rest)] = made[np.ix_(rest, seen)].T
        made[np.ix_(rest, rest)] = usual[np.ix_(rest, rest)] + onto @ (within - usual[np.ix_(seen, seen)]) @ onto.T
        self.departures = self.departures * MEMORY + trust * made
        self.worth = self.worth * MEMORY + trust
        a, b = placed.offset, placed.height
        self.terms = self.terms * MEMORY + trust * np.array([1.0, a, b, a * a, b * b])

    def _add(self, r: Repetition, log_stretch: float, offset: float, height: float, trust: float) -> None:
        known = np.isfinite(r.mean)
        x = r.edges * np.exp(-log_stretch)
        value = np.where(known, (r.mean - offset) / height, 0.0)
        weight = np.where(known, trust, 0.0) * np.diff(x)
        width = np.diff(x)
        noise = np.where(known, np.nan_to_num(r.noise) / height, 0.0)
        # cells of the shared curve that share one of the repetition's share its noise
        parts = np.stack([weight, weight * value, weight * value**2, weight * trust * noise**2 * width / STEP])
        sums = np.concatenate([np.zeros((4, 1)), np.cumsum(parts, axis=1)], axis=1)
        edges = np.arange(CELLS + 1) * STEP
        add = np.stack([np.diff(np.interp(edges, x, row)) for row in sums])
        add[3] *= STEP
        self.weight, self.total, self.squares = (
            s * MEMORY + a for s, a in zip((self.weight, self.total, self.squares), add[:3], strict=True)
        )
        self.noise = self.noise * MEMORY**2 + add[3]
        self._drawn = None

    def _again(self) -> None:
        """Lay what is kept on the curve anew, so that a poor beginning does not stay in it.

        All of them together, each knowing of those before and after it. Stretches are moved together so that those of
        the first ones stay: the reference does.
        """
        before = self.log_stretches
        fits = [Fit(self, k[0]) for k in self.kept]
        stretches, self.level = smoothed_stretches([doubted(f.likelihood(self.overdispersion)[0]) for f in fits])
        made = []
        for fit, at, (r, *_, trust) in zip(fits, stretches, self.kept, strict=True):
            offset, height, *_ = fit.terms(float(at))
            made.append((r, float(at), offset, height, trust))
        shift = float(np.mean(stretches[:ANCHOR]) - np.mean(before[:ANCHOR]))
        self.level = np.interp(LOG_GRID + shift, LOG_GRID, self.level, left=0.0, right=0.0)
        self.level /= self.level.sum()
        offset, height = (float(np.median([m[i] for m in made])) for i in (2, 3))
        # a usual repetition has offset 0 and height 1 again
        self.kept = [(r, s - shift, a - offset * b / height, b / height, t) for r, s, a, b, t in made]
        self._rebuild()

    def _rebuild(self) -> None:
        """Make the shared curve from what is kept, as it lies."""
        self.weight, self.total, self.squares, self.noise = (np.zeros(CELLS) for _ in range(4))
        self.terms = TERMS_WORTH * np.array([1.0, 0.0, 1.0, OFFSET_SD**2, HEIGHT_SD**2 + 1.0])
        for r, s, a, b, t in self.kept:
            self._add(r, s, a, b, t)
            self.terms = self.terms * MEMORY + t * np.array([1.0, a, b, a * a, b * b])


__all__ = ["OwnCurve", "Placed"]
