"""How likely each law is that a month's shots may follow, and which one is named.

References: M. A. Stephens, in R. B. D'Agostino and M. A. Stephens, Goodness-of-Fit Techniques, 1986 (Anderson-Darling
with fitted parameters, tables 4.7 and 4.17); the laws themselves: `law_family`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from catchpot.stats import law_family
from catchpot.stats.law_family import LawName, Member, fit_weibull

Floats = NDArray[np.float64]
Law = Literal["normal", "lognormal", "weibull"]

LIKELIER: Final = 3.0
"""A law of two parameters is named in place of the normal one from so many natural logarithms of likelihood on."""
MUCH_LIKELIER: Final = 5.0
"""A law with an origin or a mixture, the best of many, likewise; and in place of those of two parameters."""
RULE = (
    "The law is not picked: every law the shots allow (normal, lognormal, gamma and other powers, Weibull, the same"
    " above or below an unknown origin, mixtures of two normal laws) has a weight by how well it fits the month, and"
    " intervals are over all of them, earlier steady months having a word in the weights. The law named is the normal"
    " one unless another is much likelier; its percentiles give the values. Beside them stands what the count"
    " of shots outside says under any law. A law named in the settings comes before all this."
)


@dataclass(frozen=True)
class Weighed:
    """All laws with their weights. named, name: the law whose values are printed; reason: why, as a sentence.

    log_likelihood: of every law of the catalogue, -inf where a law can't hold for the shots. fixed: a law given.
    effective: independent shots that one of these is worth.
    """

    members: list[Member]
    log_weights: Floats
    named: Member
    name: LawName
    reason: str
    log_likelihood: Floats
    fixed: Law | None = None
    effective: float = 1.0

    def scores(self, values: Floats) -> Floats:
        """The shots on the scale where the named law is normal."""
        return self.named.scores(np.asarray(values, dtype=float))


def anderson_darling_normal(values: Floats) -> tuple[float, float]:
    """A2 against the normal law with fitted mean and s.d., and A2 adjusted for n: A2 (1 + 0.75/n + 2.25/n^2).

    values: shape (n,), n >= 3, not all equal.
    """
    from scipy.special import log_ndtr

    x = np.sort(np.asarray(values, dtype=float))
    n, sd = x.size, x.std(ddof=1)
    if n < 3 or not sd > 0:
        raise ValueError("the test needs three values or more that are not all equal")
    z = (x - x.mean()) / sd
    i = np.arange(1, n + 1)
    a2 = float(-n - np.sum((2 * i - 1) * (log_ndtr(z) + log_ndtr(-z[::-1]))) / n)
    return a2, a2 * (1 + 0.75 / n + 2.25 / n**2)


def anderson_darling_weibull(values: Floats) -> tuple[float, float]:
    """A2 against the two-parameter Weibull law with fitted parameters, and A2 adjusted for n: A2 (1 + 0.2/sqrt(n)).

    values: shape (n,), n >= 3, positive, not all equal.
    """
    x = np.sort(np.asarray(values, dtype=float))
    shape, scale = fit_weibull(x)
    n = x.size
    h = (x / scale) ** shape
    i = np.arange(1, n + 1)
    log_cdf = np.log(-np.expm1(-h))
    a2 = float(-n - np.sum((2 * i - 1) * (log_cdf - h[::-1])) / n)
    return a2, a2 * (1 + 0.2 / np.sqrt(n))


def weigh(
    values: Floats, before: Sequence[Floats] = (), fixed: Law | None = None, correlated: bool | None = None
) -> Weighed:
    """The laws' weights.

    values: the month's shots, shape (n,), n >= 3, finite, not all equal. before: `log_likelihood` of earlier steady
    months. fixed: a law that is given; ValueError where it can't hold. correlated: whether neighbours' likeness is to
    widen the intervals; by default where it shows.

    >>> weigh(np.random.default_rng(1).normal(5, 1, 60)).name
    'normal'
    """
    x = np.asarray(values, dtype=float)
    effective = 1.0
    if is_autocorrelated(x) if correlated is None else correlated:
        r = min(max(lag_one(x) + 1 / x.size, 0.0), 0.9)
        effective = (1 - r) / (1 + r)
    if fixed is not None:
        if fixed != "normal" and not (x > 0).all():
            raise ValueError(f"the settings name the {fixed} law, but not every value lies above zero")
        one = law_family.one(x, fixed)
        reason = f"the settings name the {fixed} law for this measure"
        return Weighed([one], np.zeros(1), one, fixed, reason, np.array([one.log_likelihood]), fixed)
    found = law_family.members(x, effective)
    like = np.full(law_family.CATALOGUE, -np.inf)
    for m in found:
        like[m.number] = m.log_likelihood
    total = like + sum((b for b in before if b.shape == like.shape), np.zeros_like(like))
    own = np.array([total[m.number] for m in found])
    if not np.isfinite(own).any():
        own = np.array([m.log_likelihood for m in found])
    name, named, ahead = _named(found, own)
    months = f" and {len(before)} months before" if before else ""
    if name == "normal":
        reason = f"{x.size} shots{months} agree with a normal law as well as with any other"
    else:
        reason = f"{x.size} shots{months} make it {_times(ahead)} likelier than a normal law"
    return Weighed(found, law_family.log_weights(found, own), named, name, reason, like, None, effective)


def _times(ahead: float) -> str:
    return f"{np.exp(ahead):.0f} times" if ahead < np.log(1000) else "over 1,000 times"


def _named(found: list[Member], like: Floats) -> tuple[LawName, Member, float]:
    """The law named, its member and by how much (natural logarithm) it is likelier than the normal one."""
    best: dict[LawName, int] = {}
    for k, m in enumerate(found):
        if m.name and (m.name not in best or like[k] > like[best[m.name]]):
            best[m.name] = k
    normal = like[best["normal"]]
    name: LawName = "normal"
    plain: tuple[LawName, ...] = ("lognormal", "gamma", "weibull")
    for other in plain:
        if other in best and like[best[other]] > max(like[best[name]], normal + LIKELIER):
            name = other
    free: tuple[LawName, ...] = ("shifted", "mixed")
    for other in free:
        if like[best[other]] > like[best[name]] + MUCH_LIKELIER:
            name = other
    return name, found[best[name]], float(like[best[name]] - normal)


def lag_one(values: Floats) -> float:
    """Correlation of each shot with the one before it, over the common mean; values shape (n,), n >= 3.

    >>> lag_one(np.array([1.0, 2.0, 3.0]))
    0.0
    """
    d = np.asarray(values, dtype=float) - np.mean(values)
    total = float(np.sum(d * d))
    return float(np.sum(d[1:] * d[:-1]) / total) if total > 0 else 0.0


def is_autocorrelated(values: Floats) -> bool:
    """Whether neighbours are more alike than independent shots are, once in 40 healthy months by chance.

    The lag-1 correlation of n independent shots has mean -1/n and s.d. near 1/sqrt(n) (M. S. Bartlett, 1946).
    """
    n = np.size(values)
    return bool(n >= 10 and lag_one(values) > 1.96 / np.sqrt(n) - 1 / n)


__all__ = [
    "RULE",
    "Law",
    "LawName",
    "Weighed",
    "anderson_darling_normal",
    "anderson_darling_weibull",
    "is_autocorrelated",
    "lag_one",
    "weigh",
]
