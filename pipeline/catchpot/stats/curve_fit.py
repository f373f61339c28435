"""Laying one repetition on a shared curve: cells, departures of shape, and the likelihood of its stretch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.shape import running_mean
from catchpot.stats.stretch import LOG_GRID

if TYPE_CHECKING:
    from catchpot.stats.own_curve import OwnCurve

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP = 0.0025
"""Length of a cell of the shared curve, as a share of the reference."""
LONGEST = 1.75
"""End of the shared curve, as a multiple of the reference."""
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
WINDOWS = (1, 3, 9, 25)
"""Cells over which the shared curve is smoothed by a straight line: as many as leave it where fewer put it."""
APART = 2.5
"""Standard errors by which a wider window may differ from a narrower one."""
FLOOR = 0.003
"""Relative error that cells have beside their noise: edges, rounding, the curve's own cells."""
SMOOTHED = 11
"""Cells of the running mean that a repetition's own cells are weighed against."""
UNKNOWN = 0.3
"""Relative error of the shared curve where none has come yet."""

CELLS = round(LONGEST / STEP)
HATS: Floats = np.asarray(np.arange(0.0, LONGEST, HAT_STEP), dtype=np.float64)
GRID: Floats = np.asarray((np.arange(CELLS) + 0.5) * STEP, dtype=np.float64)


@dataclass(frozen=True)
class Repetition:
    """Cell edges (n + 1,) in the reference's unit, cell means (n,) and their noise (n,); NaN where unknown."""

    edges: Floats
    mean: Floats
    noise: Floats


_APART = np.abs(HATS[:, None] - HATS[None, :])
_SHARED = (1.0 - SHAPE_OWN) * np.exp(-_APART / SHAPE_REACH) + SHAPE_OWN * np.eye(len(HATS))


def expected_departures(curve: Floats) -> Floats:
    """Covariance of departures expected of a curve: what lies elsewhere along it shows most where it is steep."""
    log = np.log(np.maximum(curve, 1e-9))
    steep = np.abs(np.interp(HATS + HAT_STEP, GRID, log) - np.interp(HATS - HAT_STEP, GRID, log)) / (2 * HAT_STEP)
    sd = np.hypot(SHAPE_SD, WARP_SD * HATS * steep)
    return np.asarray(_SHARED * np.outer(sd, sd))


class Fit:
    """The likelihood of a repetition's stretch, with offset, height and departures integrated out."""

    def __init__(self, own: OwnCurve, r: Repetition) -> None:
        curve, _, _, last = own.curve()
        self.curve, self.sums = curve, np.concatenate([[0.0], np.cumsum(curve)])
        self.unknown_from = last + 1
        known = np.flatnonzero(np.isfinite(r.mean) & np.isfinite(r.noise))
        self.known, self.edges = known, r.edges
        self.middle = 0.5 * (r.edges[:-1] + r.edges[1:])[known]
        y = r.mean[known]
        self.scale = running_mean(y, SMOOTHED)
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

    def solve(self, log_stretch: Floats) -> Solved:
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
        return Solved(left, left + np.log(det) + within, offset, height, shape, precision, inner)

    def terms(self, log_stretch: float) -> tuple[float, float, Bools, Floats, Floats]:
        """Offset, height, hats reached, their departures and the departures' covariance."""
        made = self.solve(np.array([log_stretch]))
        a, b = float(made.offset[0]), float(np.clip(made.height[0], 0.2, 5.0))
        left = self.y - a / self.scale - b * made.shape[0]
        cov = np.linalg.inv(made.inner[0])
        return a, b, self.hats, cov @ (self.hat.T @ (made.precision[0] * left)), cov


@dataclass(frozen=True)
class Solved:
    """Per stretch: squares left, deviance, offset, height; shape and precision by cell; inner matrix."""

    left: Floats
    deviance: Floats
    offset: Floats
    height: Floats
    shape: Floats
    precision: Floats
    inner: Floats


def smoothed(y: Floats, error: Floats) -> Floats:
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
