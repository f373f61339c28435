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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP = 0.0025
"""Length of a cell of the shared curve, as a share of the reference."""
LONGEST = 1.75
"""End of the shared curve, as a multiple of the reference."""
LOG_STEP, LOG_HALF = 1e-3, 160
"""Step and half-length of the grid of the log stretch: +-16 % in steps of 0.1 %."""
COARSE, NEAR = 5, 16
"""Nodes of that grid tried first, one in so many; and nodes tried either side of the likeliest."""
HAT_STEP = 0.08
"""Distance of the hat functions that departures of shape are made of."""
SHAPE_SD, SHAPE_REACH, SHAPE_OWN = 0.03, 0.12, 0.5
"""Departures expected of a curve not yet known: relative s.d., reach along the curve, share that each hat has alone."""
SLIP_SD = 0.003
"""Relative s.d. by which a place on the curve may lie elsewhere than the stretch has it."""
WARP_SD = 0.01
"""Relative s.d. by which stretches of the curve lie elsewhere along it, from one repetition to the next."""
SHAPE_WORTH = 6.0
"""Repetitions' worth of that expectation."""
OFFSET_SD, HEIGHT_SD, TERMS_WORTH = 0.1, 0.2, 3.0
"""S.d. of offset (over the curve's middle) and height from one repetition to the next, and how many repetitions this
guess is worth."""
LEAST_OFFSET_SD, LEAST_HEIGHT_SD = 0.01, 0.03
WINDOWS = (1, 3, 9, 25)
"""Cells over which the shared curve is smoothed by a straight line: as many as leave it where fewer put it."""
APART = 2.5
"""Standard errors by which a wider window may differ from a narrower one."""
SCATTER_SD, SCATTER_FREE = 0.006, 4.0
"""Scatter of the stretch about its level: scale and degrees of freedom of a Student t (from experience, no source)."""
WANDER_SD, STEP_CHANCE, STEP_SD = 8e-4, 0.03, 0.03
"""Wander of the level between repetitions; chance and s.d. of a step (from experience, no source)."""
FLOOR = 0.003
"""Relative error that cells have beside their noise: edges, rounding, the curve's own cells."""
UNKNOWN = 0.3
"""Relative error of the shared curve where none has come yet."""
MEMORY = 0.98
"""What a repetition's weight shrinks to with each further one: about fifty count."""
ODD = 3.0
"""Times the usual departure beyond which a repetition teaches the shape less."""
RELEARN, RENEW, ANCHOR = (3, 6, 12, 24), 48, 3
"""Numbers of repetitions after which all of them are laid on the curve anew; after the last, the curve is made of the
last ones every so many. How many of the first hold the reference."""
MISTAKEN = 0.002
"""Chance that a repetition's shape lies about its stretch: what its likelihood never falls below."""
ROUNDS = 2
"""How often all of them are laid on the curve, and the curve made of them, each time."""
SURPRISE_WORTH, USUAL_SD = 6.0, 0.01
"""Repetitions' worth of the guess that stretches lie where their likelihoods have it, to this s.d."""
SHARED = 1.0
"""What all stretches of a mould may err in against its first ones, as a multiple of a likelihood's usual s.d.: a
departure of shape that stays (made-up moulds in one dimension and plates in two: intervals of 95 % hold 91-94 %)."""
LASTING = 0.8
"""S.d. by which the mean log stretches of two periods err apart however many there are, as a multiple of that shared
error (56 made-up moulds in one and two dimensions: 0.6 to 0.9 wherever the periods meet)."""
LEAST_SD = 1e-3
"""Least s.d. of a log stretch: what the grid resolves."""

LOG_GRID: Floats = np.asarray(np.arange(-LOG_HALF, LOG_HALF + 1) * LOG_STEP, dtype=np.float64)
CELLS = round(LONGEST / STEP)
HATS: Floats = np.asarray(np.arange(0.0, LONGEST, HAT_STEP), dtype=np.float64)
GRID: Floats = np.asarray((np.arange(CELLS) + 0.5) * STEP, dtype=np.float64)


@dataclass(frozen=True)
class Repetition:
    """Cell edges (n + 1,) in the reference's unit, cell means (n,) and their noise (n,); NaN where unknown."""

    edges: Floats
    mean: Floats
    noise: Floats


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


def _kernel(sd: float, free: float | None = None) -> Floats:
    at = np.arange(-2 * LOG_HALF, 2 * LOG_HALF + 1) * LOG_STEP
    z = (at / sd) ** 2
    k = np.exp(-0.5 * z) if free is None else (1.0 + z / free) ** (-(free + 1.0) / 2.0)
    return np.asarray(k / k.sum())


def _spread(density: Floats, kernel: Floats) -> Floats:
    """Convolution on the grid; what leaves it is lost."""
    full = np.convolve(density, kernel)
    middle = len(kernel) // 2
    return full[middle : middle + len(density)]


_SCATTER, _WANDER, _STEPS = _kernel(SCATTER_SD, SCATTER_FREE), _kernel(WANDER_SD), _kernel(STEP_SD)


_APART = np.abs(HATS[:, None] - HATS[None, :])
_SHARED = (1.0 - SHAPE_OWN) * np.exp(-_APART / SHAPE_REACH) + SHAPE_OWN * np.eye(len(HATS))


def _expected_departures(curve: Floats) -> Floats:
    """Covariance of departures expected of a curve: what lies elsewhere along it shows most where it is steep."""
    log = np.log(np.maximum(curve, 1e-9))
    steep = np.abs(np.interp(HATS + HAT_STEP, GRID, log) - np.interp(HATS - HAT_STEP, GRID, log)) / (2 * HAT_STEP)
    sd = np.hypot(SHAPE_SD, WARP_SD * HATS * steep)
    return np.asarray(_SHARED * np.outer(sd, sd))


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
        expected = _expected_departures(self.curve()[0])
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
        mean = _smoothed(mean, error)
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
        fit = _Fit(self, r)
        sharp, misfit = fit.likelihood(self.overdispersion)
        likelihood = _doubted(sharp)
        ahead = _ahead(self.level, step)
        posterior = _spread(ahead, _SCATTER) * likelihood
        posterior /= posterior.sum()
        middle, sd = _moments(posterior)
        self._next_sums = np.array([1.0, min(_surprise(ahead, sharp), ODD**2), np.log(_moments(sharp)[1])])
        low, high = widened(middle, _ends(posterior), self.shared_sd)
        self._next_level = ahead * _spread(likelihood, _SCATTER)
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
        fits = [_Fit(self, k[0]) for k in self.kept]
        stretches, self.level = _smoothed_stretches([_doubted(f.likelihood(self.overdispersion)[0]) for f in fits])
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


def lasting_sd(shared_sd: Floats) -> float:
    """S.d. by which mean log stretches of two periods err apart however many shots they have.

    shared_sd: (shots,), `OwnCurve.shared_sd` as it was at each shot, NaN where unknown; 0 where none is known.
    """
    known = shared_sd[np.isfinite(shared_sd)]
    return LASTING * float(np.median(known)) if len(known) else 0.0


def widened(middle: float, ends: tuple[float, float], sd: float) -> tuple[float, float]:
    """A 95 % interval with an independent error of this s.d. beside what it holds.

    >>> [round(v, 2) for v in widened(1.0, (0.97, 1.04), 0.04 / 1.96)]
    [0.95, 1.06]
    """
    low, high = (middle + float(np.copysign(np.hypot(e - middle, 1.96 * sd), e - middle)) for e in ends)
    return low, high


def _ahead(level: Floats, step: tuple[float, float] = (STEP_CHANCE, STEP_SD)) -> Floats:
    """Belief of the next level. step: chance and s.d. of a step before it."""
    chance, sd = step
    steps = _STEPS if sd == STEP_SD else _kernel(sd)
    made = (1.0 - chance) * _spread(level, _WANDER) + chance * _spread(level, steps)
    return np.asarray(made / made.sum())


def _smoothed_stretches(likelihoods: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Mean log stretches (repetitions,), each from all likelihoods, and the belief of the last level.

    Forward and backward through the level's wander and steps, from an even belief before the first.
    """
    shown = [_spread(v, _SCATTER) for v in likelihoods]
    ahead, forward = np.full(len(LOG_GRID), 1.0 / len(LOG_GRID)), []
    for v in shown:
        forward.append(ahead)
        last = ahead * v / (ahead @ v)
        ahead = _ahead(last)
    behind, made = np.ones(len(LOG_GRID)), np.zeros(len(likelihoods))
    for i in range(len(likelihoods) - 1, -1, -1):
        posterior = _spread(forward[i] * behind, _SCATTER) * likelihoods[i]
        made[i] = posterior @ LOG_GRID / posterior.sum()
        # the kernels are even: going back is going ahead
        behind = _ahead(behind * shown[i])
    return made, last


def _doubted(likelihood: Floats) -> Floats:
    return np.asarray((1.0 - MISTAKEN) * likelihood + MISTAKEN)


def _moments(density: Floats) -> tuple[float, float]:
    """Mean, and s.d. but no less than the grid resolves."""
    middle = float(density @ LOG_GRID / density.sum())
    return middle, float(np.hypot(np.sqrt(density @ (LOG_GRID - middle) ** 2 / density.sum()), LEAST_SD))


def _surprise(ahead: Floats, likelihood: Floats) -> float:
    """Squared distance of a likelihood from where it was expected, over what was expected of it."""
    expected, sd_expected = _moments(_spread(ahead, _SCATTER))
    seen, sd_seen = _moments(likelihood)
    return float((seen - expected) ** 2 / (sd_expected**2 + sd_seen**2))


def _ends(posterior: Floats) -> tuple[float, float]:
    sums = np.concatenate([[0.0], np.cumsum(posterior)])
    edges = np.concatenate([LOG_GRID - LOG_STEP / 2, [LOG_GRID[-1] + LOG_STEP / 2]])
    rising = np.concatenate([[True], np.diff(sums) > 0])
    low, high = np.interp([0.025, 0.975], sums[rising], edges[rising])
    return float(low), float(high)


class _Fit:
    """The likelihood of a repetition's stretch, with offset, height and departures integrated out."""

    def __init__(self, own: OwnCurve, r: Repetition) -> None:
        curve, _, _, last = own.curve()
        self.curve, self.sums = curve, np.concatenate([[0.0], np.cumsum(curve)])
        self.unknown_from = last + 1
        known = np.flatnonzero(np.isfinite(r.mean) & np.isfinite(r.noise))
        self.known, self.edges = known, r.edges
        self.middle = 0.5 * (r.edges[:-1] + r.edges[1:])[known]
        y = r.mean[known]
        self.scale = _smooth(y)
        self.y = y / self.scale
        # a place that lies elsewhere shows as the curve's slope, taken where the level has it: tried at every stretch,
        # its determinant would prefer those with less slope, cell by cell, and levels would creep
        at = np.minimum((self.middle * np.exp(-own.log_level) / STEP).astype(np.intp), CELLS - 1)
        slip = (SLIP_SD * np.gradient(curve) * (np.arange(CELLS) + 0.5))[at] / self.scale
        self.variance = (r.noise[known] / self.scale) ** 2 + FLOOR**2 + slip**2
        hats = np.maximum(0.0, 1.0 - np.abs(self.middle[:, None] / np.exp(own.log_level) - HATS[None, :]) / HAT_STEP)
        self.hats: Bools = hats.sum(axis=0) > 0
        self.hat = hats[:, self.hats]
        self.one = 1.0 / self.scale
        self.hat_one, self.hat_y = self.hat * self.one[:, None], self.hat * self.y[:, None]
        # a cell lies under two neighbouring hats at most
        self.squares, self.neighbours = self.hat**2, self.hat[:, :-1] * self.hat[:, 1:]
        self.usual = own.covariance()[np.ix_(self.hats, self.hats)]
        self.prior = np.linalg.inv(self.usual)
        self.offset, self.height, offset_sd, height_sd = own.usual_terms
        self.offset_precision, self.height_precision = 1.0 / offset_sd**2, 1.0 / height_sd**2

    def likelihood(self, overdispersion: float) -> tuple[Floats, float]:
        """Likelihood of the log stretch on LOG_GRID, 1 at most, and the misfit."""
        coarse = np.arange(0, len(LOG_GRID), COARSE)
        rough = self.solve(LOG_GRID[coarse])
        best = coarse[int(np.argmin(rough.deviance))]
        fine = np.arange(max(best - NEAR, 0), min(best + NEAR + 1, len(LOG_GRID)))
        near = self.solve(LOG_GRID[fine])
        at, first = np.unique(np.concatenate([coarse, fine]), return_index=True)
        deviance = np.concatenate([rough.deviance, near.deviance])[first]
        said = -0.5 * np.interp(np.arange(len(LOG_GRID)), at, deviance)
        # what the model can't explain is not noise that averages out
        misfit = float(near.left[int(np.argmin(near.deviance))] / max(len(self.known), 1))
        return np.exp((said - said.max()) / (max(misfit, 1.0) * overdispersion)), misfit

    def _design(self, log_stretch: Floats) -> tuple[Floats, Floats]:
        """Cell means of the shared curve over the scale, and the cells' precision; (stretches, cells)."""
        x = self.edges[None, :] * np.exp(-log_stretch)[:, None] / STEP
        node = np.minimum(x.astype(np.intp), CELLS - 1)
        at = self.sums[node] + (x - node) * self.curve[node]
        mean = (np.diff(at, axis=1) / np.diff(x, axis=1))[:, self.known] / self.scale
        centre = np.minimum((self.middle[None, :] * np.exp(-log_stretch)[:, None] / STEP).astype(np.intp), CELLS - 1)
        return mean, 1.0 / (self.variance + np.where(centre >= self.unknown_from, UNKNOWN**2, 0.0))

    def solve(self, log_stretch: Floats) -> _Solved:
        """Deviance (with its log determinant), offset and height at each stretch."""
        shape, precision = self._design(log_stretch)
        size = self.hat.shape[1]
        inner = np.broadcast_to(self.prior, (len(precision), size, size)).copy()
        at = np.arange(size)
        inner[:, at, at] += precision @ self.squares
        beside = precision @ self.neighbours
        inner[:, at[:-1], at[1:]] += beside
        inner[:, at[1:], at[:-1]] += beside
        weighted = precision * shape
        onto = np.stack([weighted @ self.hat, precision @ self.hat_one, precision @ self.hat_y], axis=2)
        lower = np.linalg.cholesky(inner)
        onto = np.linalg.solve(lower, onto)
        by_shape, by_one, by_y = onto[:, :, 0], onto[:, :, 1], onto[:, :, 2]

        def less(whole: Floats, left: Floats, right: Floats) -> Floats:
            return np.asarray(whole - np.einsum("si,si->s", left, right))

        tt = less(np.einsum("sc,sc->s", weighted, shape), by_shape, by_shape) + self.height_precision
        t1, ty = less(weighted @ self.one, by_shape, by_one), less(weighted @ self.y, by_shape, by_y)
        ty = ty + self.height_precision * self.height
        oo = less(precision @ self.one**2, by_one, by_one) + self.offset_precision
        oy = less(precision @ (self.one * self.y), by_one, by_y) + self.offset_precision * self.offset
        yy = less(precision @ self.y**2, by_y, by_y)
        yy = yy + self.height_precision * self.height**2 + self.offset_precision * self.offset**2
        det = tt * oo - t1**2
        height, offset = (oo * ty - t1 * oy) / det, (tt * oy - t1 * ty) / det
        left = yy - offset * oy - height * ty
        within = np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1) * 2 - np.log(precision).sum(axis=1)
        return _Solved(left, left + np.log(det) + within, offset, height, shape, precision, inner)

    def terms(self, log_stretch: float) -> tuple[float, float, Bools, Floats, Floats]:
        """Offset, height, hats reached, their departures and the departures' covariance."""
        made = self.solve(np.array([log_stretch]))
        a, b = float(made.offset[0]), float(np.clip(made.height[0], 0.2, 5.0))
        left = self.y - a / self.scale - b * made.shape[0]
        cov = np.linalg.inv(made.inner[0])
        return a, b, self.hats, cov @ (self.hat.T @ (made.precision[0] * left)), cov


@dataclass(frozen=True)
class _Solved:
    """Per stretch: squares left, deviance, offset, height; shape and precision by cell; inner matrix."""

    left: Floats
    deviance: Floats
    offset: Floats
    height: Floats
    shape: Floats
    precision: Floats
    inner: Floats


def _smoothed(y: Floats, error: Floats) -> Floats:
    """Local means along a straight line over the widest of WINDOWS that agrees with every narrower one.

    O. V. Lepski 1990, Theory of Probability and its Applications 35:454. A step stays as sharp as it is.
    """
    made, error_now = y.copy(), np.maximum(error, 1e-12)
    going = np.ones(len(y), dtype=bool)
    for width in WINDOWS[1:]:
        if width > len(y):
            break
        half = width // 2
        # reflected through its end points, a straight line stays one
        wide = np.concatenate([2 * y[0] - y[half:0:-1], y, 2 * y[-1] - y[-2 : -half - 2 : -1]])
        mean = np.convolve(wide, np.full(width, 1.0 / width), "valid")
        squares = np.convolve(np.pad(error**2, half, mode="edge"), np.full(width, 1.0 / width**2), "valid")
        going &= np.abs(mean - made) < APART * error_now
        made = np.where(going, mean, made)
        error_now = np.where(going, np.sqrt(squares), error_now)
    return made


def _smooth(y: Floats, reach: int = 5) -> Floats:
    wide = np.pad(y, reach, mode="edge")
    sums = np.cumsum(np.concatenate([[0.0], wide]))
    return np.asarray((sums[2 * reach + 1 :] - sums[: -2 * reach - 1]) / (2 * reach + 1))


__all__ = ["LOG_GRID", "OwnCurve", "Placed", "Repetition", "lasting_sd", "widened"]
