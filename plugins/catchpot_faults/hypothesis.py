"""What a kind of fault is to the judge: a small model that says how much likelier each shot is under it than healthy.

A kind sees a `Look`: some shots of one mould beside what their past says of healthy ones. It answers with `Evidence`:
log likelihood ratios against healthy by channel, averaged over its own parameters, the likeliest parameters, and what
it does to the curve. Adding one is a class in a file of its own and `register(YourKind())`, here or anywhere.
"""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from catchpot.stats.healthy_curve import CELLS, FREEDOM, STRETCH_SD, STRETCH_WITHIN, Aligned, Healthy
from catchpot_faults.found import Found
from catchpot_faults.shots import Shots

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Index = NDArray[np.intp]

EFFECTIVE = 20.0
"""Independent cells a curve is worth at most: neighbours tell much the same, and the covariance is an estimate."""
MODEL_ERROR = 0.25
"""How far a fault's own deformation lies off a real one's, as a share of its size."""
LEVEL_FREEDOM = 6.0
"""Degrees of freedom of the level: now and then a resin or a cloth is far from its usual."""
SECOND_ERROR = 0.5
"""The same where a second fault is looked for in what a first one leaves: its model was chosen for what it leaves."""
TAIL_FREEDOM = 5.0
"""Degrees of freedom of single numbers about their usual value."""
RECENT = 30
ONCE: Floats = np.ones(1)


@dataclass(frozen=True)
class Evidence:
    """by_channel: log likelihood ratios against healthy, (shots,). parameter: the likeliest, (shots,).

    deformation: what the likeliest parameters add to the log resistance, (shots, CELLS); None where the curve is left
    alone.
    """

    by_channel: Mapping[str, Floats]
    parameter: Mapping[str, Floats] = field(default_factory=dict)
    deformation: Floats | None = None

    @cached_property
    def total(self) -> Floats:
        """All channels in one sum, (shots,)."""
        return np.asarray(np.nan_to_num(sum(self.by_channel.values())), dtype=np.float64)


@runtime_checkable
class Kind(Protocol):
    """A kind of fault. name: the finding's kind. channels: what it speaks of. one_in: one healthy shot in so many has
    it, from experience. settles: what a person could do or measure to be sure. spoils: channels that say nothing once
    this kind is there; a kind that spoils any is decided first."""

    name: str
    channels: frozenset[str]
    spoils: frozenset[str]
    one_in: float
    settles: str

    def evidence(self, look: Look) -> Evidence:
        """Of every shot of the look; only from these and earlier shots."""
        ...

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """The finding of shot i of the look, in words."""
        ...


@dataclass
class Look:
    """Shots of one mould beside their past.

    rows: their numbers. past: numbers of healthy shots before the first of them. left: log resistance less what a
    healthy shot was expected to have (shots, CELLS). level, level_sd: its level beside the mean curve, (shots,).
    wider: by how much the departures' variance is wider for what was taken off already, 1 for nothing (shots,).
    unit_l, place_l: volume of share 1 of GRID, and where resin arrives (shots,). tried: log stretch each was laid with
    beside the usual one, as a healthy shot (shots,). handicap: what a healthy shot would be likelier by with another
    stretch, log (shots,). named: whether its curve has
    a fault by now, so that this stretch is worth nothing.
    """

    shots: Shots
    aligned: Aligned
    rows: Index
    past: Index
    healthy: Healthy | None
    left: Floats
    known: Bools
    level_sd: Floats
    level: Floats
    wider: Floats
    tried: Floats
    unit_l: Floats
    place_l: Floats
    handicap: Floats
    named: bool = False
    _shared: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def arrival_l(self) -> Floats:
        """Where resin arrives in a usual shot with the stretch expected of this one; its unit where that is unknown."""
        return np.asarray(np.where(np.isfinite(self.place_l), self.place_l, self.unit_l))

    def number(self, name: str) -> Floats:
        """A column of the shots in the look, (shots,)."""
        return self.shots.number[name][self.rows]

    def usual(self, values: Floats, floor: float) -> tuple[float, float]:
        """Usual value and s.d. of a number by the healthy shots before; the s.d. is at least `floor`. NaN: too few."""
        known = values[self.past]
        known = known[np.isfinite(known)][-RECENT:]
        if len(known) < 3:
            return float("nan"), float("nan")
        middle = float(np.median(known))
        sd = 1.4826 * float(np.median(np.abs(known - middle))) * (1.0 + 2.0 / len(known))
        return middle, max(sd, floor)

    def shared(self, name: str, make: Callable[[Look], Any]) -> Any:
        """Something that several kinds work out of this look, made once."""
        if name not in self._shared:
            self._shared[name] = make(self)
        return self._shared[name]

    @cached_property
    def _white(self) -> Floats:
        """Inverse root of the covariance of departures (judged cells, judged cells), lower triangular."""
        assert self.healthy is not None
        return self.healthy.white

    @cached_property
    def _reached(self) -> Floats:
        """1 up to the last known cell, else 0 (shots, judged cells). A prefix, and a lower triangular root: a shot that
        ends early is judged by its own part."""
        assert self.healthy is not None
        known = self.known[:, self.healthy.cells]
        return np.flip(np.maximum.accumulate(np.flip(known, axis=1), axis=1), axis=1).astype(float)

    @cached_property
    def whitened(self) -> Floats:
        """What is left, in independent units (shots, judged cells); gaps are filled by their neighbours."""
        assert self.healthy is not None
        cells = self.healthy.cells
        left = _without_gaps(self.left[:, cells], self.known[:, cells])
        return np.asarray((left @ self._white.T) * self._reached)

    @cached_property
    def _worth(self) -> Floats:
        """What each cell counts, (shots, judged cells): nothing beyond the shot's end."""
        return np.asarray(self._reached / self.wider[:, None])

    @cached_property
    def _one(self) -> tuple[Floats, Floats, Floats]:
        """A level of 1 in those units (judged cells,), its square and its product with what is left (shots,)."""
        one = self._white.sum(axis=1)
        return one, np.maximum(self._worth @ one**2, 1e-12), (self.whitened * self._worth) @ one

    @cached_property
    def cells(self) -> Floats:
        """Cells judged of each shot, (shots,)."""
        return np.asarray(np.maximum(self._reached.sum(axis=1), 1.0))

    @cached_property
    def squares(self) -> Floats:
        """Squared distance of the shape from healthy, the level left free, (shots,)."""
        _, one_one, left_one = self._one
        return np.asarray(np.sum(self.whitened**2 * self._worth, axis=1) - left_one**2 / one_one)

    @cached_property
    def off_level(self) -> tuple[Floats, Floats]:
        """Level beside the expected one, and its s.d., (shots,)."""
        _, one_one, left_one = self._one
        return left_one / one_one, np.sqrt(self.level_sd**2 + 1.0 / one_one)

    @property
    def log_healthy(self) -> Floats:
        """Log density as a healthy shot, up to a constant, (shots,)."""
        n = np.minimum(self.cells, EFFECTIVE)
        level, sd = self.off_level
        shape = -0.5 * (FREEDOM + n) * np.log1p(self.squares * n / self.cells / FREEDOM)
        return np.asarray(shape + log_t(level / sd, LEVEL_FREEDOM))

    def stretch(self) -> Floats:
        """Log stretch of each shot beside the one it was laid with: the mean of what is known of it, (shots,)."""
        if self.healthy is None:
            return np.zeros(len(self.rows))
        one, one_one, left_one = self._one
        way = (-self.healthy.slope[self.healthy.cells] @ self._white.T) * self._worth
        onto = np.sum(way * self.whitened, axis=1) - (way @ one) * left_one / one_one
        return np.asarray(np.clip(STRETCH_SD**2 * onto, -STRETCH_WITHIN, STRETCH_WITHIN))

    def curve(self, shapes: Floats, sizes: Floats = ONCE) -> tuple[Floats, Index, Index]:
        """Log likelihood ratio averaged over deformations: shapes (K, CELLS), each at some sizes (A,).

        Returns it and the numbers of the likeliest shape and size, all (shots,).
        """
        n = len(self.rows)
        if self.healthy is None or not len(shapes):
            return np.zeros(n), np.zeros(n, dtype=np.intp), np.zeros(n, dtype=np.intp)
        w = shapes[:, self.healthy.cells] @ self._white.T
        onto, size = (self.whitened * self._worth) @ w.T, self._worth @ (w**2).T
        return self._averaged(onto, size, self._worth @ (w * self._one[0]).T, sizes)

    def curve_each(self, templates: Floats, sizes: Floats) -> tuple[Floats, Index, Index]:
        """The same where each shot has deformations of its own (shots, J, CELLS), each at some sizes (A,).

        Returns the averaged ratio and the numbers of the likeliest deformation and size.
        """
        n = len(self.rows)
        if self.healthy is None:
            return np.zeros(n), np.zeros(n, dtype=np.intp), np.zeros(n, dtype=np.intp)
        w = templates[:, :, self.healthy.cells] @ self._white.T
        counted = w * self._worth[:, None, :]
        onto = np.einsum("sc,sjc->sj", self.whitened, counted)
        return self._averaged(onto, np.einsum("sjc,sjc->sj", w, counted), counted @ self._one[0], sizes)

    def _averaged(self, onto: Floats, size: Floats, level: Floats, sizes: Floats) -> tuple[Floats, Index, Index]:
        """Average over shapes and sizes, and the likeliest of each. onto, size, level: (shots, shapes), for size 1."""
        at = [(v[:, :, None] * s).reshape(len(v), -1) for v, s in ((onto, sizes), (size, sizes**2), (level, sizes))]
        flat = self._ratio(*at)
        best = np.argmax(flat, axis=1)
        top = flat.max(axis=1)
        ratio = top + np.log(np.exp(flat - top[:, None]).mean(axis=1)) - self.handicap
        return ratio, best // len(sizes), best % len(sizes)

    def _ratio(self, onto: Floats, size: Floats, with_one: Floats) -> Floats:
        """Log ratio of densities with and without deformations (shots, K): shape as multivariate t, level as t.

        onto: products of deformation and what is left; size: squares of the deformation; with_one: its products with a
        level of 1.
        """
        _, one_one, left_one = self._one
        onto = onto - left_one[:, None] * with_one / one_one[:, None]
        size = size - with_one**2 / one_one[:, None]
        cells = self.cells[:, None]
        worth = np.minimum(1.0, EFFECTIVE / cells)
        before = worth * self.squares[:, None]
        after = np.maximum(before - worth * (2.0 * onto - size), 0.0)
        n = worth * cells
        # the deformation itself is known within a share of its size
        wider = 1.0 + MODEL_ERROR**2 * size / cells
        shape = 0.5 * (FREEDOM + n) * np.log((FREEDOM + before) / (FREEDOM + after / wider)) - 0.5 * n * np.log(wider)
        level, sd = (v[:, None] for v in self.off_level)
        moved = with_one / one_one[:, None]
        sd_moved = np.hypot(sd, MODEL_ERROR * moved)
        by_level = log_t((level - moved) / sd_moved, LEVEL_FREEDOM) - np.log(sd_moved / sd)
        return np.asarray(shape + by_level - log_t(level / sd, LEVEL_FREEDOM))

    def some(self, which: Index) -> Look:
        """A look at some of its shots, by their place in it."""
        own = (
            "rows", "left", "known", "level_sd", "level", "wider", "tried", "unit_l", "place_l", "handicap",
        )  # fmt: skip
        return replace(self, _shared={}, **{k: getattr(self, k)[which] for k in own})

    def one(self, i: int, deformation: Floats | None) -> Look:
        """A look at shot i alone, with a deformation (CELLS,) taken off its curve."""
        alone = self.some(np.array([i]))
        if deformation is None or self.healthy is None:
            return alone
        size = np.sum((self._white @ deformation[self.healthy.cells] * self._reached[i]) ** 2)
        wider = alone.wider + SECOND_ERROR**2 * size / self.cells[i]
        nought = np.zeros(1)
        return replace(alone, left=alone.left - deformation, wider=wider, named=True, handicap=nought, _shared={})


def _without_gaps(left: Floats, known: Bools) -> Floats:
    """Unknown cells inside take the last known value, those before the first known one the first (shots, cells)."""
    at = np.maximum.accumulate(np.where(known, np.arange(left.shape[1]), -1), axis=1)
    first = np.argmax(known, axis=1)[:, None]
    at = np.where(at < 0, first, at)
    some: Bools = np.asarray(known.any(axis=1))
    return np.where(some[:, None], np.take_along_axis(np.where(known, left, 0.0), at, axis=1), 0.0)


def log_t(z: Floats, freedom: float = TAIL_FREEDOM) -> Floats:
    """Log density of Student's t at z."""
    constant = gammaln((freedom + 1) / 2) - gammaln(freedom / 2) - 0.5 * np.log(freedom * np.pi)
    return np.asarray(constant - 0.5 * (freedom + 1) * np.log1p(z**2 / freedom))


def against(value: Floats, middle: Floats | float, sd: Floats | float, widest: float,
            freedom: float = TAIL_FREEDOM) -> Floats:  # fmt: skip
    """Log ratio of "anywhere within `widest` of the usual value" against "at it, within sd" (shots,); 0 where unknown.

    >>> bool(against(np.array([0.05]), 0.0, 0.004, 0.2)[0] > 5), bool(against(np.array([0.0]), 0.0, 0.004, 0.2)[0] < 0)
    (True, True)
    """
    z = (np.asarray(value, dtype=float) - middle) / sd
    away = -np.log(2.0 * widest / np.asarray(sd))
    return np.asarray(np.where(np.isfinite(z), away - log_t(np.nan_to_num(z), freedom), 0.0))


_KINDS: dict[str, Kind] = {}
_OWN = "catchpot_faults."


def register(kind: Kind) -> Kind:
    """Add a kind of fault; the one door for ours and anyone's. ValueError where a name is taken or a member missing."""
    if not isinstance(kind, Kind):
        raise ValueError(f"{kind!r} lacks a member of catchpot_faults.hypothesis.Kind")
    before = _KINDS.get(kind.name)
    if before is not None and type(before).__qualname__ != type(kind).__qualname__:
        raise ValueError(f"a kind of fault {kind.name!r} is registered already, by {type(before).__module__}")
    _KINDS[kind.name] = kind
    return kind


def forget(name: str) -> None:
    """Take a kind out again (tests)."""
    _KINDS.pop(name, None)


def kinds() -> Mapping[str, Kind]:
    """All registered kinds by name."""
    import catchpot_faults.kinds  # noqa: F401  # ours register on import

    return dict(_KINDS)


def digest_of_others() -> str:
    """Digest of the code of kinds that come from outside, so that a changed one makes old findings stale."""
    others = [k for k in kinds().values() if not type(k).__module__.startswith(_OWN)]
    text = "".join(inspect.getsource(type(k)) for k in sorted(others, key=lambda k: k.name))
    return hashlib.sha256(text.encode()).hexdigest() if others else ""


def problems(kind: Kind, look: Look) -> list[str]:
    """What a kind does wrong on a look; empty where it conforms."""
    said = []
    made = kind.evidence(look)
    n = len(look.rows)
    for channel, ratio in made.by_channel.items():
        if channel not in kind.channels:
            said.append(f"evidence from {channel!r}, which is not among its channels")
        if np.shape(ratio) != (n,) or not np.all(np.isfinite(ratio)):
            said.append(f"evidence from {channel!r} is not one finite number a shot")
    if made.deformation is not None and made.deformation.shape != (n, CELLS):
        said.append("the deformation is not (shots, cells)")
    if not said and n and not np.allclose(kind.evidence(look.one(0, None)).total, made.total[:1], atol=1e-6):
        said.append("what it says of a shot depends on the shots beside it")
    if not kind.one_in > 1:
        said.append("one_in is not above 1")
    if n and kind.found(look, 0, made, 0.9).kind != kind.name:
        said.append("its finding has another kind")
    return said


__all__ = [
    "Evidence", "Kind", "Look", "against", "digest_of_others", "forget", "kinds", "log_t", "problems", "register",
]  # fmt: skip
