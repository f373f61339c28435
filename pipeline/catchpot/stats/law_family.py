"""The laws a measure's shots may follow, each with its likelihood and with draws of what its parameters may be.

No month of shots tells one law for certain, so none is picked: every law the shots allow has a weight, and an interval
is read from the draws of all of them (J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, Statistical Science 14,
1999). The laws:

- powers: the shots raised to a power (their logarithm at nought) are normal (G. E. P. Box, D. R. Cox, Journal of the
  Royal Statistical Society B 26, 1964). Power 1 is the normal law, 0 the lognormal, 1/3 stands for the gamma law (E. B.
  Wilson and M. M. Hilferty, Proceedings of the National Academy of Sciences 17, 1931). Values above zero only.
- shifted: the same of the distances to an unknown origin below or above all shots.
- weibull: two parameters, values above zero only.
- mixed: two normal laws in fixed proportions (two batches, or a few shots in another state), for many proportions.

Each law has a place and a size besides its shape. Draws of these are exact pivots of a normal law, simulated ones of
the Weibull law, and for mixtures normal pivots worth the Fisher information of the mixture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Kind = Literal["power", "shifted", "weibull", "mixed"]
LawName = Literal["normal", "lognormal", "gamma", "weibull", "shifted", "mixed"]

POWERS: Final = (-1.0, -0.75, -0.5, -0.25, 0.0, 1 / 6, 1 / 3, 0.5, 2 / 3, 5 / 6, 1.0, 1.25, 1.5, 2.0, 2.5)
SHIFTED_POWERS: Final = (0.0, 1 / 3, 0.5)
GAPS: Final = (0.03, 0.1, 0.25, 0.6, 1.2, 2.5)
"""Distances of the origin from the outermost shot, in spreads of the shots."""
PRIOR: Final[dict[Kind, float]] = {"power": 0.4, "shifted": 0.25, "weibull": 0.1, "mixed": 0.25}
"""Weight of each kind beforehand, shared by its members."""
_NAMED_POWERS: Final[dict[float, LawName]] = {0.0: "lognormal", 1 / 3: "gamma", 1.0: "normal"}
PIVOTS: Final = 18
ROUNDS: Final = 40


def _mixtures() -> Floats:
    """Share of the second state, its mean and its s.d. in s.d. of the first, a row each."""
    levels = [(share, far, 1.0) for far in (2.0, 3.0, 4.0) for share in (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95)]
    spreads = [(share, 0.0, wide) for wide in (2.0, 3.0, 4.5) for share in (0.05, 0.1, 0.2, 0.35)]
    both = [(share, far, 2.0) for far in (-2.0, 2.0) for share in (0.1, 0.2, 0.35)]
    return np.array([*levels, *spreads, *both])


MIXTURES: Final = _mixtures()
CATALOGUE: Final = len(POWERS) + 1 + 2 * len(GAPS) * len(SHIFTED_POWERS) + len(MIXTURES)
_SCORES: Final = np.linspace(-6.0, 6.0, 481)


@dataclass(frozen=True)
class Member:
    """One law with draws of its parameters; the first draw is the fit itself.

    kind: which law. origin, power: of powers and shifted ones; sign -1 for distances below an origin above all shots.
    mixture: row of MIXTURES. place, size: mean and s.d. on the normal scale, shape (draws,); of the Weibull law its
    shape and scale; of a mixture the first state's mean and s.d. log_likelihood: of the fit.
    number: its place in the catalogue of all laws. unit: what the shots were divided by before the fit.
    """

    kind: Kind
    place: Floats
    size: Floats
    log_likelihood: float
    origin: float = 0.0
    power: float = 1.0
    sign: float = 1.0
    mixture: int = -1
    number: int = -1
    unit: float = 1.0

    def points(self, z: float | Floats) -> Floats:
        """The value below which a normal score's share lies, for each draw; z: a number or one a draw."""
        return np.asarray(self.unit * self._points(z))

    def _points(self, z: float | Floats) -> Floats:
        from scipy.special import log_ndtr

        if self.kind == "weibull":
            return np.asarray(self.size * (-log_ndtr(-np.asarray(z))) ** (1 / self.place))
        if self.kind == "mixed":
            return np.asarray(self.place + self.size * np.interp(z, _SCORES, _mixture_points()[self.mixture]))
        y = self.place + self.sign * z * self.size
        if self.power == 0.0:
            far = np.exp(np.minimum(y, 300.0))
        elif self.power == 1.0:
            far = y + 1.0
        else:
            far = np.maximum(1.0 + self.power * y, 1e-12) ** (1.0 / self.power)
        return np.asarray(self.origin + self.sign * far)

    def below(self, value: float) -> Floats:
        """Share below a value, for each draw."""
        from scipy.special import ndtr

        value = value / self.unit
        if self.kind == "weibull":
            return np.asarray(-np.expm1(-((max(value, 0.0) / self.size) ** self.place)))
        if self.kind == "mixed":
            z = (value - self.place) / self.size
            share, far, wide = MIXTURES[self.mixture]
            return np.asarray((1 - share) * ndtr(z) + share * ndtr((z - far) / wide))
        gap = self.sign * (value - self.origin)
        if gap <= 0 and self.power != 1.0:
            y = -np.inf if self.power <= 0 else -1.0 / self.power
        else:
            y = float(raised(np.array([gap]), self.power)[0])
        return np.asarray(ndtr(self.sign * (y - self.place) / self.size))

    @property
    def name(self) -> LawName | None:
        """The law in a word; None for a power without a name of its own."""
        if self.kind == "power":
            return _NAMED_POWERS.get(self.power)
        return self.kind

    def scores(self, values: Floats) -> Floats:
        """Values on the scale where the law, as fitted, is normal."""
        from scipy.special import ndtri

        if self.kind == "power":
            return np.asarray((raised(values / self.unit, self.power) - self.place[0]) / self.size[0])
        fit = replace(self, place=self.place[:1], size=self.size[:1])
        share = np.array([float(fit.below(float(v))[0]) for v in values])
        return np.asarray(ndtri(np.clip(share, 1e-12, 1 - 1e-12)))


def raised(x: Floats, power: float) -> Floats:
    """Shots on the scale of a power p: (x^p - 1) / p, the logarithm at 0.

    >>> raised(np.array([1.0, 4.0]), 0.5).tolist()
    [0.0, 2.0]
    """
    if power == 0.0:
        return np.asarray(np.log(x))
    return x - 1.0 if power == 1.0 else np.asarray((x**power - 1.0) / power)


@lru_cache(maxsize=512)
def normal_pivots(n: float, degrees: float, points: int = PIVOTS) -> tuple[Floats, Floats]:
    """Equally likely shifts of a mean (in s.d. of the shots) and ratios of the true s.d. to its estimate.

    The first pair is (0, 1): the fit itself.
    """
    from scipy.special import chdtri, ndtri

    share = (np.arange(points) + 0.5) / points
    z, ratio = np.meshgrid(ndtri(share), np.sqrt(degrees / chdtri(degrees, 1 - share)))
    return np.r_[0.0, (z * ratio).ravel() / np.sqrt(n)], np.r_[1.0, ratio.ravel()]


@lru_cache(maxsize=128)
def weibull_pivots(n: int, seed: int = 20263, runs: int = 4000) -> tuple[Floats, Floats]:
    """Fits to standard exponential samples: shape, and shape times the log scale; free of the true parameters."""
    shape, scale = fit_weibull_rows(np.random.default_rng(seed).standard_exponential((runs, n)))
    return shape, shape * np.log(scale)


@lru_cache(maxsize=1)
def _mixture_points() -> Floats:
    """Standard mixtures' points at _SCORES, shape (mixtures, scores)."""
    from scipy.special import ndtr

    share, far, wide = (MIXTURES[:, k, None] for k in range(3))
    want = ndtr(_SCORES)[None, :]
    low = np.minimum(-7.0, far - 7.0 * wide) + 0.0 * want
    high = np.maximum(7.0, far + 7.0 * wide) + 0.0 * want
    for _ in range(50):
        middle = 0.5 * (low + high)
        less = (1 - share) * ndtr(middle) + share * ndtr((middle - far) / wide) < want
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.asarray(0.5 * (low + high))


@lru_cache(maxsize=1)
def _mixture_information() -> tuple[Floats, Floats]:
    """Fisher information of place and of log size in one shot of each standard mixture; 1 and 2 of a normal law."""
    x = np.linspace(-30.0, 30.0, 6001)
    share, far, wide = (MIXTURES[:, k, None] for k in range(3))
    one = (1 - share) * np.exp(-0.5 * x**2)
    two = share / wide * np.exp(-0.5 * ((x - far) / wide) ** 2)
    density = (one + two) / np.sqrt(2 * np.pi)
    slope = (-x * one - (x - far) / wide**2 * two) / np.sqrt(2 * np.pi)
    score = np.where(density > 1e-290, slope / np.maximum(density, 1e-290), 0.0)
    step = x[1] - x[0]
    return (score**2 * density).sum(axis=1) * step, ((1 + x * score) ** 2 * density).sum(axis=1) * step


def _normal(x: Floats, power: float, n: float, degrees: float, kind: Kind = "power", origin: float = 0.0,
            sign: float = 1.0) -> Member:  # fmt: skip
    gap = sign * (x - origin)
    y = raised(gap, power)
    slopes = (power - 1.0) * float(np.log(gap).sum()) if power != 1.0 else 0.0
    shift, ratio = normal_pivots(n, degrees)
    mean, sd = float(y.mean()), float(y.std(ddof=1))
    likelihood = -0.5 * y.size * (np.log(2 * np.pi * float(y.var())) + 1) + slopes
    return Member(kind, mean + shift * sd, sd * ratio, likelihood, origin, power, sign)


def _scaled(values: Floats) -> tuple[Floats, float]:
    """Shots near 1 (powers of very small or large numbers lose their digits), and what they were divided by."""
    x = np.asarray(values, dtype=float)
    unit = float(np.median(x)) if (x > 0).all() else float(x.std(ddof=1))
    return x / unit, unit


def one(values: Floats, law: Literal["normal", "lognormal", "weibull"]) -> Member:
    """One law alone; values shape (n,), above zero but for the normal law."""
    x, unit = _scaled(values)
    if law == "weibull":
        return replace(_weibull(x, 1.0), unit=unit)
    return replace(_normal(x, 1.0 if law == "normal" else 0.0, x.size, x.size - 1.0), unit=unit)


def fit_weibull_rows(rows: Floats) -> tuple[Floats, Floats]:
    """Maximum likelihood shape and scale of each row, by Newton steps on the log shape; all rows at once.

    rows: shape (m, n), positive. Returns two arrays of shape (m,).
    """
    y = np.log(np.asarray(rows, dtype=float))
    middle = y.mean(axis=1, keepdims=True)
    spread = y.std(axis=1, keepdims=True)
    if not (spread > 0).all():
        raise ValueError("a Weibull law needs values that are not all equal")
    u = (y - middle) / spread
    shape = np.full((u.shape[0], 1), 1.28)
    for _ in range(60):
        w = np.exp(shape * (u - u.max(axis=1, keepdims=True)))
        total = w.sum(axis=1, keepdims=True)
        first = (w * u).sum(axis=1, keepdims=True) / total
        second = (w * u * u).sum(axis=1, keepdims=True) / total
        move = (1 / shape - first) / (1 / shape**2 + second - first**2)
        shape = np.maximum(shape + move, shape / 4)
        if float(np.abs(move).max()) < 1e-11:
            break
    top = u.max(axis=1, keepdims=True)
    log_scale = top + np.log(np.exp(shape * (u - top)).mean(axis=1, keepdims=True)) / shape
    return (shape / spread)[:, 0], np.exp(middle + spread * log_scale)[:, 0]


def fit_weibull(values: Floats) -> tuple[float, float]:
    """Maximum likelihood shape and scale; values shape (n,), positive.

    >>> shape, scale = fit_weibull(np.array([1.0, 2.0, 3.0, 4.0]))
    >>> round(float(np.mean((np.array([1.0, 2.0, 3.0, 4.0]) / scale) ** shape)), 9)  # holds at the maximum
    1.0
    """
    shape, scale = fit_weibull_rows(np.asarray(values, dtype=float)[None, :])
    return float(shape[0]), float(scale[0])


def _weibull(x: Floats, effective: float) -> Member:
    shape, scale = fit_weibull(x)
    like = float(x.size * np.log(shape / scale) + ((shape - 1) * np.log(x / scale) - (x / scale) ** shape).sum())
    pivot_shape, pivot_scale = weibull_pivots(max(round(x.size * effective), 3))
    shapes = shape / pivot_shape
    scales = scale * np.exp(-pivot_scale / pivot_shape / shapes)
    return Member("weibull", np.r_[shape, shapes], np.r_[scale, scales], like)


def mixtures(values: Floats, effective: float = 1.0) -> list[Member]:
    """All mixtures, fitted at once by expectation and maximisation of place and size."""
    x = np.asarray(values, dtype=float)
    share, far, wide = (MIXTURES[:, k, None] for k in range(3))
    spread = np.sqrt(1 - share + share * wide**2 + share * (1 - share) * far**2)
    size = float(x.std(ddof=1)) / spread
    place = float(x.mean()) - size * share * far
    weight = 1 / wide**2
    for _ in range(ROUNDS):
        z = (x - place) / size
        one, two = (1 - share) * np.exp(-0.5 * z**2), share / wide * np.exp(-0.5 * ((z - far) / wide) ** 2)
        second = two / np.maximum(one + two, 1e-300)
        pull = 1 - second + second * weight
        place = (pull * x - second * weight * size * far).sum(axis=1, keepdims=True) / pull.sum(axis=1, keepdims=True)
        off = x - place
        square = (pull * off**2).sum(axis=1, keepdims=True)
        cross = (second * weight * far * off).sum(axis=1, keepdims=True)
        size = (-cross + np.sqrt(cross**2 + 4 * x.size * square)) / (2 * x.size)
    z = (x - place) / size
    density = ((1 - share) * np.exp(-0.5 * z**2) + share / wide * np.exp(-0.5 * ((z - far) / wide) ** 2)) / size
    likelihood = np.log(np.maximum(density, 1e-300) / np.sqrt(2 * np.pi)).sum(axis=1)
    of_place, of_size = _mixture_information()
    made = []
    for k in range(len(MIXTURES)):
        n = max(x.size * effective, 3.0)
        degrees = max((n - 1) * float(of_size[k]) / 2, 1.5)
        shift, ratio = normal_pivots(round(n * float(of_place[k]), 2), round(degrees, 2))
        # The maximum of the likelihood is short of the spread by the degrees of freedom.
        full = float(size[k, 0]) * np.sqrt(n / (n - 1))
        made.append(Member("mixed", float(place[k, 0]) + shift * full, full * ratio, float(likelihood[k]), mixture=k))
    return made


def members(values: Floats, effective: float = 1.0) -> list[Member]:
    """All laws that the shots allow, with draws.

    values: shape (n,), n >= 3, finite, not all equal. effective: independent shots that one of these is worth (less
    than 1 where neighbours are alike).
    """
    x, unit = _scaled(values)
    n, degrees = max(x.size * effective, 3.0), max((x.size - 1) * effective, 2.0)
    positive = bool((x > 0).all())
    made: list[Member | None] = [_normal(x, p, n, degrees) if positive or p == 1.0 else None for p in POWERS]
    made.append(_weibull(x, effective) if positive else None)
    sd = float(x.std(ddof=1))
    for sign, outermost in ((1.0, float(x.min())), (-1.0, float(x.max()))):
        made += [
            _normal(x, p, n, degrees, "shifted", outermost - sign * gap * sd, sign)
            for gap in GAPS
            for p in SHIFTED_POWERS
        ]
    made += mixtures(x, effective)
    return [replace(m, number=k, unit=unit) for k, m in enumerate(made) if m is not None]


def log_weights(found: list[Member], log_likelihood: Floats | None = None) -> Floats:
    """Logarithms of the members' weights, prior times likelihood.

    log_likelihood: of each member, where more than the values fitted speaks for it (shape (members,)).
    """
    count = {k: sum(m.kind == k for m in found) for k in PRIOR}
    prior = np.array([np.log(PRIOR[m.kind] / count[m.kind]) for m in found])
    raw = prior + (np.array([m.log_likelihood for m in found]) if log_likelihood is None else log_likelihood)
    return np.asarray(raw - np.logaddexp.reduce(raw))
