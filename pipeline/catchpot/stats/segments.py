"""One detector of changes: a series cut into stretches of a level, or of a level and a slope, with lasting noise.

The noise is first-order autoregressive, with one correlation and one size for the whole series. For each of a grid of
correlations the best cut is found exactly by dynamic programming (I. E. Auger, C. E. Lawrence, Bulletin of Mathematical
Biology 51, 1989; B. Jackson et al., IEEE Signal Processing Letters 12, 2005), each stretch's likelihood being that of a
noise that begins anew with it; then the correlation is chosen together with the cut, by likelihood less a penalty for
each change and each slope (S. Chakar, E. Lebarbier, C. Levy-Leduc, S. Robin, Bernoulli 23, 2017, estimate it first). So
what correlation explains is not cut to pieces, and what a change explains does not pass for correlation.

What else moves the measure (temperature, a batch) is fitted together with the cut, and a change stays only if it is
still worth its penalty beside that.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Correlation = TypeVar("Correlation", float, Floats)

CORRELATIONS: Final = (0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.87, 0.95)
FIRST_SLOPE: Final = 0.8
LATER_SLOPE: Final = 0.45
"""What a slope costs beside a change of 1: of the first stretch, where it is a finding by itself, and of later ones."""
LIFT: Final = 1.0
"""By so much times the correlation more is asked: lasting noise looks like changes, and its correlation is read too
low where a change has taken its part. From steady series alike by 0, 0.3 and 0.6."""
ROUNDS: Final = 4
MOST_CELLS: Final = 4_000_000
"""Stretches of all correlations that are held at once: 64 MB."""


@dataclass(frozen=True)
class Least:
    """Least lengths, in shots. first: of the series; end: of a stretch at either end; within: between two changes.

    ramp: of a stretch with a slope.
    """

    first: int = 20
    end: int = 5
    within: int = 5
    ramp: int = 24


@dataclass(frozen=True)
class Cut:
    """starts: first shot of each stretch (the first is 0); sloped: whether it has a slope. rho, variance: of the noise
    (variance of what is new in each shot). criterion: -2 log likelihood and penalties. taken_out: what else moved it.
    """

    starts: tuple[int, ...]
    sloped: tuple[bool, ...]
    rho: float
    variance: float
    criterion: float
    taken_out: Floats

    @property
    def changes(self) -> int:
        """How many changes and slopes there are."""
        return len(self.starts) - 1 + sum(self.sloped)


def price(sloped: tuple[bool, ...]) -> float:
    """What a cut costs, in changes.

    >>> price((False, False, True))
    2.45
    """
    return len(sloped) - 1 + FIRST_SLOPE * sloped[0] + LATER_SLOPE * sum(sloped[1:])


def lifted(penalty: float, rho: Correlation) -> Correlation:
    """The penalty of a change at a correlation."""
    return penalty * (1 + LIFT * rho)


@dataclass(frozen=True)
class Costs:
    """Residual squares of every stretch [i, j), of a level and of a level and slope, (n, n + 1); inf if too short."""

    level: Floats
    slope: Floats


def costs(y: Floats, rho: float, least: Least) -> Costs:
    """All stretches' residual sums of squares, whitened: the noise begins anew with each stretch.

    >>> c = costs(np.array([0.0, 2.0, 0.0, 2.0, 5.0, 5.0, 5.0]), 0.0, Least(end=1, within=1, ramp=3))
    >>> float(c.level[0, 4]), float(c.level[4, 7])
    (4.0, 0.0)
    """
    level, slope = _Sums(y, (rho,)).all(least)
    return Costs(level[0].T, slope[0].T)


class _Sums:
    """Running sums of a series at some correlations, from which the residual squares of any stretch follow."""

    def __init__(self, y: Floats, rhos: tuple[float, ...]) -> None:
        n = y.size
        self.y, self.n = y, n
        self.rho = np.array(rhos)[:, None]
        z = np.concatenate([np.zeros((len(rhos), 1)), y[1:] - self.rho * y[:-1]], axis=1)
        t = np.arange(n, dtype=float)
        nought = np.zeros((len(rhos), 1))
        self.z, self.zt, self.zz = (np.concatenate([nought, np.cumsum(v, axis=1)], axis=1) for v in (z, z * t, z * z))
        self.first, self.gain = 1 - self.rho**2, 1 - self.rho
        k = np.arange(n, dtype=float)  # one less than the length of a stretch
        self.xx = self.first + k * self.gain**2
        # Slope column: 0 at the first shot, then (1 - rho) k + rho.
        total, square = k * (k + 1) / 2, k * (k + 1) * (2 * k + 1) / 6
        self.xs = self.gain * (self.gain * total + self.rho * k)
        rest = self.gain**2 * square + 2 * self.gain * self.rho * total + self.rho**2 * k - self.xs**2 / self.xx
        self.rest = np.where(rest > 1e-12, rest, np.inf)
        self.order = np.arange(n, dtype=float)
        self.first_y, self.first_yy = self.first * y, self.first * y**2

    def ending(self, j: int, least: Least) -> tuple[Floats, Floats]:
        """Squares about a level, and about a level and slope, of the stretches [i, j) for all i < j.

        Shape (correlations, j); inf where too short.
        """
        back = slice(j - 1, None, -1)  # lengths j - 1, ... , 0 beside i = 0, 1, ...
        xx, xs, rest = (v[:, back] for v in (self.xx, self.xs, self.rest))
        own_z, own_zt, own_zz = (s[:, j : j + 1] - s[:, 1 : j + 1] for s in (self.z, self.zt, self.zz))
        xy = self.first_y[:, :j] + self.gain * own_z
        yy = self.first_yy[:, :j] + own_zz
        level = np.maximum(yy - xy**2 / xx, 0.0)
        sy = self.gain * (own_zt - self.order[:j] * own_z) + self.rho * own_z
        slope = np.maximum(level - (sy - xs * xy / xx) ** 2 / rest, 0.0)
        # too short: from the series' start on only what is an end's counts
        short = max(j - (least.end if j == self.n else least.within) + 1, 1)
        for squares in (level, slope):
            squares[:, short:] = np.inf
            if j < least.end:
                squares[:, 0] = np.inf
        slope[:, max(j - least.ramp + 1, 0) :] = np.inf
        return level, slope

    def all(self, least: Least) -> tuple[Floats, Floats]:
        """The same of all stretches, by correlation, end and start, (correlations, n + 1, n)."""
        level, slope = (np.full((len(self.rho), self.n + 1, self.n), np.inf) for _ in range(2))
        for j in range(1, self.n + 1):
            level[:, j, :j], slope[:, j, :j] = self.ending(j, least)
        return level, slope


_Found = tuple[tuple[int, ...], tuple[bool, ...], float]


def _search(level: Floats, slope: Floats, of: Ints, variance: Floats, penalty: float, rho: Floats) -> list[_Found]:
    """The best cut at each of several noises at once: starts, slopes and residual squares.

    level, slope: residual squares by correlation, end and start, (correlations, n + 1, n). of: (noises,), which
    correlation each has; rho, variance: (noises,), theirs.
    """
    n = level.shape[2]
    # Each stretch's noise begins anew: its first shot has the noise's full variance.
    fresh = -np.log(1 - rho[:, None] ** 2)
    asked = lifted(penalty, rho[:, None])
    tilt = fresh + LATER_SLOPE * asked
    tilt_first = tilt + (FIRST_SLOPE - LATER_SLOPE) * asked
    size = variance[:, None]
    best = np.full((len(of), n + 1), np.inf)
    best[:, :1] = -asked
    back = np.zeros((len(of), n + 1), dtype=np.intp)
    number = np.arange(len(of))
    for j in range(1, n + 1):
        through = level[of, j, :j] / size
        through += fresh
        other = slope[of, j, :j] / size
        other[:, 1:] += tilt
        other[:, :1] += tilt_first
        np.minimum(through, other, out=through)
        through += best[:, :j]
        k = through.argmin(axis=1)
        best[:, j], back[:, j] = through[number, k] + asked[:, 0], k
    made = []
    for lane, r in enumerate(of):
        starts: list[int] = []
        sloped: list[bool] = []
        squares, j = 0.0, n
        while j > 0:
            i = int(back[lane, j])
            flat = level[r, j, i] / variance[lane] + fresh[lane, 0]
            tilted = slope[r, j, i] / variance[lane] + (tilt if i else tilt_first)[lane, 0]
            starts.append(i)
            sloped.append(bool(tilted < flat))
            squares += float((slope if tilted < flat else level)[r, j, i])
            j = i
        made.append((tuple(starts[::-1]), tuple(sloped[::-1]), squares))
    return made


def _criterion(
    n: int, squares: float, rho: float, starts: tuple[int, ...], sloped: tuple[bool, ...], penalty: float
) -> float:
    stretches = len(starts)
    return (
        n * float(np.log(max(squares / n, 1e-300))) - stretches * float(np.log(1 - rho**2))
        + lifted(penalty, rho) * price(sloped)
    )  # fmt: skip


def _best(y: Floats, penalty: float, least: Least, floor: float) -> Cut:
    """The best cut over all correlations."""
    n = y.size
    found: Cut | None = None
    at_once = max(1, MOST_CELLS // (n * (n + 1)))
    for begin in range(0, len(CORRELATIONS), at_once):
        rhos = CORRELATIONS[begin : begin + at_once]
        for rho, cut in _best_of(y, rhos, penalty, least, floor):
            starts, sloped, squares, variance = cut
            value = _criterion(n, max(squares, n * floor), rho, starts, sloped, penalty)
            if found is None or value < found.criterion - 1e-9:
                found = Cut(starts, sloped, rho, variance, value, np.zeros(n))
    assert found is not None
    return found


def _best_of(
    y: Floats, rhos: tuple[float, ...], penalty: float, least: Least, floor: float
) -> Iterator[tuple[float, tuple[tuple[int, ...], tuple[bool, ...], float, float]]]:
    """For each correlation, and each guess of the noise, the cut at which the noise comes to rest."""
    n = y.size
    level, slope = _Sums(y, rhos).all(least)
    guesses = []
    for r, rho in enumerate(rhos):
        jumps = np.diff(y[1:] - rho * y[:-1])
        robust = (float(np.median(np.abs(jumps))) / (0.6744898 * np.sqrt(2))) ** 2
        guesses += [(r, start) for start in {max(float(level[r, n, 0]) / n, floor), max(robust, floor)}]
    variance = np.array([v for _, v in guesses])
    cuts: list[_Found] = [((), (), 0.0)] * len(guesses)
    going = list(range(len(guesses)))
    for _ in range(ROUNDS):
        of = np.array([guesses[g][0] for g in going])
        made = _search(level, slope, of, variance[going], penalty, np.array([rhos[r] for r in of]))
        still = []
        for g, cut in zip(going, made, strict=True):
            starts, sloped, squares = cuts[g] = cut
            free = max(n - 2 * len(starts) - sum(sloped), 1)
            new = max(squares / free, floor)
            if abs(new - variance[g]) >= 1e-3 * variance[g]:
                variance[g] = new
                still.append(g)
        going = still
        if not going:
            break
    for g, (r, _) in enumerate(guesses):
        yield rhos[r], (*cuts[g], float(variance[g]))


def design_of(n: int, starts: tuple[int, ...], sloped: tuple[bool, ...]) -> Floats:
    """A column a level and a column a slope, shape (n, columns)."""
    order = np.arange(n)
    edges = [*starts, n]
    columns = []
    for k, tilted in enumerate(sloped):
        inside = (order >= edges[k]) & (order < edges[k + 1])
        columns.append(inside.astype(float))
        if tilted:
            columns.append(np.where(inside, order - edges[k], 0.0))
    return np.column_stack(columns)


def whitened(rows: Floats, starts: tuple[int, ...], rho: float) -> Floats:
    """Rows (n, columns) whitened, the noise beginning anew with each stretch."""
    out = rows.copy()
    out[1:] -= rho * rows[:-1]
    out[list(starts)] = np.sqrt(1 - rho**2) * rows[list(starts)]
    return out


def _with_beside(
    y: Floats, beside: Floats, starts: tuple[int, ...], sloped: tuple[bool, ...], penalty: float, floor: float
) -> Cut:
    """The cut's criterion with what lies beside fitted jointly, at the best correlation."""
    n = y.size
    design = np.column_stack([design_of(n, starts, sloped), beside])
    best: Cut | None = None
    for rho in CORRELATIONS:
        x, w = whitened(design, starts, rho), whitened(y[:, None], starts, rho)[:, 0]
        fit = np.linalg.lstsq(x, w, rcond=1e-9)[0]
        squares = max(float(((w - x @ fit) ** 2).sum()), n * floor)
        value = _criterion(n, squares, rho, starts, sloped, penalty)
        if best is None or value < best.criterion:
            taken = beside @ fit[design.shape[1] - beside.shape[1] :]
            best = Cut(starts, sloped, rho, squares / max(n - design.shape[1], 1), value, taken)
    assert best is not None
    return best


def _without(cut: Cut, k: int, slope: bool) -> tuple[tuple[int, ...], tuple[bool, ...]]:
    """The cut without its k-th slope, or without its k-th start (the earlier stretch goes on)."""
    if slope:
        return cut.starts, tuple(s and i != k for i, s in enumerate(cut.sloped))
    merged = cut.sloped[k - 1] or cut.sloped[k]
    sloped = (*cut.sloped[: k - 1], merged, *cut.sloped[k + 1 :])
    return (*cut.starts[:k], *cut.starts[k + 1 :]), sloped


def cut_series(values: Floats, penalty: float, beside: Floats | None = None, least: Least | None = None) -> Cut:
    """The series cut into stretches.

    values: shape (n,), finite, n >= 3. penalty: of a change, in -2 log likelihood. beside: shape (n, columns), what
    else moves the measure; fitted jointly. A constant series is one stretch.

    >>> rng = np.random.default_rng(1)
    >>> cut_series(np.r_[rng.normal(0, 1, 40), rng.normal(4, 1, 30)], 20.0).starts
    (0, 40)
    """
    least = least or Least()
    y = np.asarray(values, dtype=float)
    y = y - y.mean()
    scale = float(y.std())
    n = y.size
    if not scale > 1e-12 * max(float(np.abs(values).max()), 1e-300):
        return Cut((0,), (False,), 0.0, 0.0, 0.0, np.zeros(n))
    y = y / scale
    # Rounded readings may repeat: the noise is never taken for less than a thousandth of all that moves.
    floor = 1e-6
    columns = _tidy(beside) if beside is not None else np.zeros((n, 0))
    if columns.shape[1] == 0:
        cut = _best(y, penalty, least, floor)
        return _scaled(cut, scale)
    none = _with_beside(y, columns, (0,), (False,), penalty, floor)
    best = none
    slopes = np.linalg.lstsq(np.diff(columns, axis=0), np.diff(y), rcond=1e-9)[0]
    for taken in (none.taken_out, columns @ slopes):
        for _ in range(ROUNDS):
            found = _best(y - taken, penalty, least, floor)
            joint = _with_beside(y, columns, found.starts, found.sloped, penalty, floor)
            if joint.criterion < best.criterion - 1e-9:
                best = joint
            if np.allclose(joint.taken_out, taken, atol=1e-3):
                break
            taken = joint.taken_out
    return _scaled(_kept(y, columns, best, penalty, floor), scale)


def _kept(y: Floats, columns: Floats, cut: Cut, penalty: float, floor: float) -> Cut:
    """The cut without what is not worth its penalty beside the columns."""
    while cut.changes:
        fewer = [
            _with_beside(y, columns, *_without(cut, k, slope), penalty, floor)
            for k in range(len(cut.starts))
            for slope in (True, False)
            if (cut.sloped[k] if slope else k > 0)
        ]
        best = min(fewer, key=lambda c: c.criterion)
        if best.criterion >= cut.criterion:
            break
        cut = best
    return cut


def _scaled(cut: Cut, scale: float) -> Cut:
    return Cut(cut.starts, cut.sloped, cut.rho, cut.variance * scale**2, cut.criterion, cut.taken_out * scale)


def _tidy(beside: Floats) -> Floats:
    """Centred and scaled columns; constant ones dropped."""
    rows = np.asarray(beside, dtype=float)
    centred = rows - rows.mean(axis=0)
    spread = centred.std(axis=0)
    keep = spread > 1e-12
    return np.asarray(centred[:, keep] / spread[keep])


def largest_gain(values: Floats, least: Least) -> float:
    """The penalty at which the first change or slope is called: what a steady series reaches by chance.

    The gain of the best single change (step, slope from the start, or both) over none, correlation chosen anew for
    each, over the number of penalties it costs.
    """
    y = np.asarray(values, dtype=float)
    n = y.size
    none = np.inf
    changed: list[tuple[float, float]] = []
    levels, slopes = _Sums(y, CORRELATIONS).all(least)
    for rho, level, slope in zip(CORRELATIONS, levels, slopes, strict=True):
        c = Costs(level.T, slope.T)
        one = -float(np.log(1 - rho**2))
        step = float(np.min(c.level[0, 1:n] + c.level[1:n, n]))
        bent, bent_first = (float(np.min(a[0, 1:n] + b[1:n, n])) for a, b in ((c.level, c.slope), (c.slope, c.level)))

        def value(squares: float, stretches: int, one: float = one) -> float:
            return n * float(np.log(max(squares / n, 1e-300))) + one * stretches if np.isfinite(squares) else np.inf

        none = min(none, value(float(c.level[0, n]), 1))
        for squares, sloped in (
            (step, (False, False)), (float(c.slope[0, n]), (True,)), (bent, (False, True)), (bent_first, (True, False))
        ):  # fmt: skip
            changed.append((value(squares, len(sloped)), lifted(price(sloped), rho)))
    return max((none - v) / p for v, p in changed)
