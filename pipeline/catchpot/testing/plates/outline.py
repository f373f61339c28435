"""Outlines of made-up plates: families of polygons with continuous parameters, and where resin enters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from catchpot.testing.geometry import Array


@dataclass(frozen=True)
class Feed:
    """Where resin enters. kind: `edge` (its sides at once), `port` (a hole at `at`), `runner`.

    A runner lies along its sides and is fed at `at`. sides: numbers of outline sides (side i goes from corner i to
    corner i + 1). at: m. radius_m: of a port.
    runner_area_m2: cross-section of the runner.
    """

    kind: str
    sides: tuple[int, ...] = ()
    at: tuple[float, float] = (0.0, 0.0)
    radius_m: float = 0.005
    runner_area_m2: float = 0.0


@dataclass(frozen=True)
class VentPlan:
    """Where the mould maker wants vents. sides: outline sides of line vents (`wide`: share of the side they take).

    found: how many point vents are put where a trial filled last.
    """

    sides: tuple[int, ...] = ()
    wide: float = 0.0
    found: int = 0
    miss_m: float = 0.0


@dataclass(frozen=True)
class Outline:
    """A plate in plan view. corners: (k, 2) m, anticlockwise; holes: cut-outs, each (k, 2) m."""

    family: str
    corners: Array
    feed: Feed
    vents: VentPlan
    holes: tuple[Array, ...] = ()

    @property
    def area_m2(self) -> float:
        """Area without the cut-outs."""
        return _area(self.corners) - sum(abs(_area(h)) for h in self.holes)

    @property
    def perimeter_m(self) -> float:
        """Length of the outer rim."""
        return float(np.sum(np.hypot(*(np.roll(self.corners, -1, axis=0) - self.corners).T)))


def _area(corners: Array) -> float:
    x, y = corners.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)


def inside(polygon: Array, points: Array) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which points (n, 2) lie in a polygon (k, 2), by counting crossings."""
    x, y = points[:, 0][:, None], points[:, 1][:, None]
    x0, y0 = polygon.T
    x1, y1 = np.roll(polygon, -1, axis=0).T
    rise = np.where(y1 == y0, 1.0, y1 - y0)
    crosses = ((y0 > y) != (y1 > y)) & (x < x0 + (y - y0) * (x1 - x0) / rise)
    return np.asarray(crosses.sum(axis=1) % 2 == 1)


def side_points(outline: Outline, side: int, shares: Array) -> Array:
    """Points (n, 2) at shares of a side's length."""
    a, b = outline.corners[side], outline.corners[(side + 1) % len(outline.corners)]
    return np.asarray(a + shares[:, None] * (b - a))


def _end_vent(rng: Generator, side: int) -> VentPlan:
    size = rng.choice(["point", "wide", "edge"], p=[0.45, 0.3, 0.25])
    if size == "point":
        return VentPlan(sides=(side,), wide=0.0)
    return VentPlan(sides=(side,), wide=1.0 if size == "edge" else float(rng.uniform(0.1, 0.45)))


def _found(rng: Generator, size_m: float, count: int) -> VentPlan:
    """Point vents near the last places to fill; a mould maker's trial misses by some per cent of the size."""
    return VentPlan(found=count, miss_m=float(size_m * rng.uniform(0.0, 0.1)))


def _box(length: float, width: float) -> Array:
    return np.array([[0.0, 0.0], [length, 0.0], [length, width], [0.0, width]])


def _sizes(rng: Generator) -> tuple[float, float]:
    return float(rng.uniform(0.55, 1.25)), float(rng.uniform(0.28, 0.62))


def _strip(rng: Generator) -> Outline:
    length, width = _sizes(rng)
    end, lean = width * rng.uniform(0.75, 1.25), width * rng.uniform(-0.15, 0.15)
    corners = np.array([[0.0, 0.0], [length, lean], [length + lean / 2, lean + end], [0.0, width]])
    return Outline("strip", corners, Feed("edge", (3,)), _end_vent(rng, 1))


def _narrowing(rng: Generator) -> Outline:
    length, width = _sizes(rng)
    neck, end = length * rng.uniform(0.6, 0.85), width * rng.uniform(0.3, 0.65)
    slope, low = width * rng.uniform(0.02, 0.25), rng.uniform(0.1, 0.9) * (width - end)
    corners = np.array([
        [0, 0], [neck, 0], [neck + slope, low], [length + slope, low], [length + slope, low + end],
        [neck + slope, low + end], [neck, width], [0, width],
    ])  # fmt: skip
    return Outline("narrowing", corners, Feed("edge", (7,)), _end_vent(rng, 3))


def _bend(rng: Generator) -> Outline:
    a, b = rng.uniform(0.5, 0.9, 2)
    wa, wb = rng.uniform(0.22, 0.38, 2)
    corners = np.array([[0, 0], [a, 0], [a, b], [a - wb, b], [a - wb, wa], [0, wa]])
    return Outline("bend", corners, Feed("edge", (5,)), _end_vent(rng, 2))


def _ell(rng: Generator) -> Outline:
    length, width = _sizes(rng)
    x, y = length * rng.uniform(0.35, 0.65), width * rng.uniform(0.4, 0.65)
    corners = np.array([[0, 0], [length, 0], [length, y], [x, y], [x, width], [0, width]])
    port = (float(length * rng.uniform(0.01, 0.06)), float(width * rng.uniform(0.01, 0.08)))
    if rng.random() < 0.5:
        port = (float(length * rng.uniform(0.94, 0.99)), float(y * rng.uniform(0.02, 0.1)))
    return Outline("ell", corners, _port(rng, port), _found(rng, length, int(rng.integers(1, 3))))


def _port(rng: Generator, at: tuple[float, float]) -> Feed:
    return Feed("port", at=at, radius_m=float(rng.uniform(0.003, 0.008)))


def _round(rng: Generator, length: float, width: float) -> Array:
    """A rounded outline between an ellipse and a rectangle with rounded corners."""
    t = np.linspace(0, 2 * np.pi, 32, endpoint=False) + 0.05
    power = 2 / rng.uniform(2.0, 5.0)
    x = np.sign(np.cos(t)) * np.abs(np.cos(t)) ** power
    y = np.sign(np.sin(t)) * np.abs(np.sin(t)) ** power
    return np.stack([x * length / 2, y * width / 2], axis=1)


def _oval(rng: Generator) -> Outline:
    length, width = _sizes(rng)
    at = (float(length * rng.uniform(-0.12, 0.12)), float(width * rng.uniform(-0.12, 0.12)))
    return Outline("oval", _round(rng, length, width), _port(rng, at), _found(rng, length, int(rng.integers(2, 5))))


def _rim(rng: Generator) -> Outline:
    length, width = _sizes(rng)
    corners = _round(rng, length, width * 1.1) if rng.random() < 0.5 else _box(length, width * 1.1)
    return Outline("rim", corners, Feed("edge", tuple(range(len(corners)))), _found(rng, width, 1))


def _runner_rim(rng: Generator) -> Outline:
    """A convex polygon of four to seven corners with a runner all round, fed at one point."""
    length, width = _sizes(rng)
    k = int(rng.integers(4, 8))
    t = 2 * np.pi * (np.arange(k) + rng.uniform(-0.18, 0.18, k)) / k
    corners = np.stack([np.cos(t) * length * 0.55, np.sin(t) * (width * 0.65)], axis=1)
    side = int(rng.integers(k))
    a, b = corners[side], corners[(side + 1) % k]
    x, y = a + rng.uniform(0.1, 0.9) * (b - a)
    feed = Feed("runner", tuple(range(k)), (float(x), float(y)), runner_area_m2=float(rng.uniform(0.3e-4, 1.2e-4)))
    return Outline("runner-rim", corners, feed, _found(rng, width, 1))


def _hull(rng: Generator) -> Outline:
    """A pointed plate: fed along its broad end, or at a port on the middle line."""
    length, width = _sizes(rng)
    s = np.linspace(0, 1, 10)[:-1]
    half = width / 2 * (1 - s ** rng.uniform(1.8, 3.5)) * (1 - rng.uniform(0.0, 0.15) * (1 - s))
    lower = np.stack([s * length, -half], axis=1)
    upper = np.stack([s[::-1] * length, half[::-1]], axis=1)
    corners = np.concatenate([lower, [[length, 0.0]], upper])
    if rng.random() < 0.5:
        return Outline("hull", corners, Feed("edge", (len(corners) - 1,)), _found(rng, width, 1))
    feed = _port(rng, (float(length * rng.uniform(0.3, 0.5)), 0.0))
    return Outline("hull", corners, feed, _found(rng, width, int(rng.integers(2, 4))))


def _window(rng: Generator) -> Outline:
    """A plate with a cut-out: the front parts and meets again."""
    length, width = _sizes(rng)
    width = max(width, 0.4)
    a, b = rng.uniform(0.2, 0.4, 2)
    x, y = length * rng.uniform(0.2, 0.75 - a / 2), width * rng.uniform(0.25, 0.75 - b)
    hole = _box(length * a, width * b) + np.array([x, y])
    return Outline("window", _box(length, width), Feed("edge", (3,)), _end_vent(rng, 1), (hole,))


def _tabbed(rng: Generator) -> Outline:
    """A plate with one or two tabs on its long sides, which fill on their own."""
    length, width = _sizes(rng)
    tabs = []
    for y, out in ((0.0, -1.0), (width, 1.0)):
        x, w = length * rng.uniform(0.2, 0.65), rng.uniform(0.08, 0.2)
        d = out * rng.uniform(0.06, 0.18)
        tabs.append(np.array([[x, y], [x, y + d], [x + w, y + d], [x + w, y]]))
    if rng.random() < 0.4:
        tabs[0] = np.zeros((0, 2))
    corners = np.concatenate([[[0, 0]], tabs[0], [[length, 0], [length, width]], tabs[1][::-1], [[0, width]]])
    if rng.random() < 0.5:
        return Outline("tabbed", corners, Feed("edge", (len(corners) - 1,)), _found(rng, length, 1 + len(tabs[0]) // 4))
    at = (float(length * rng.uniform(0.4, 0.6)), float(width / 2))
    return Outline("tabbed", corners, _port(rng, at), _found(rng, length, int(rng.integers(2, 5))))


def _cut(rng: Generator) -> Outline:
    """A plate with one or two corners cut off slantwise, fed in another corner."""
    length, width = _sizes(rng)
    c, d = rng.uniform(0.15, 0.5) * length, rng.uniform(0.2, 0.6) * width
    corners = [[0.0, 0.0], [length, 0.0], [length, width - d], [length - c, width], [0.0, width]]
    if rng.random() < 0.4:
        corners = [*corners[:4], [0.2 * length, width], [0.0, width * rng.uniform(0.55, 0.8)]]
    at = (float(length * rng.uniform(0.01, 0.06)), float(width * rng.uniform(0.01, 0.08)))
    return Outline("cut", np.array(corners), _port(rng, at), _found(rng, length, int(rng.integers(1, 3))))


def _wing(rng: Generator) -> Outline:
    """A trapezium with a runner along one long edge, fed at one end of it."""
    length, width = _sizes(rng)
    corners = np.array([
        [0, 0], [length, 0], [length * rng.uniform(0.8, 1.0), width], [length * rng.uniform(0.0, 0.25), width],
    ])  # fmt: skip
    feed = Feed(
        "runner", (0,), (float(length * rng.uniform(0.0, 0.5)), 0.0), runner_area_m2=float(rng.uniform(0.3e-4, 1.0e-4))
    )
    vents = VentPlan((2,), float(rng.uniform(0.3, 1.0))) if rng.random() < 0.4 else _found(rng, length, 1)
    return Outline("wing", corners, feed, vents)


FAMILIES: dict[str, Callable[[Generator], Outline]] = {
    "strip": _strip, "narrowing": _narrowing, "bend": _bend, "ell": _ell, "oval": _oval, "rim": _rim,
    "runner-rim": _runner_rim, "hull": _hull, "window": _window, "tabbed": _tabbed, "cut": _cut, "wing": _wing,
}  # fmt: skip


def draw_outline(rng: Generator, family: str | None = None) -> Outline:
    """An outline of a family (any of FAMILIES if None), fresh in all its lengths."""
    return FAMILIES[family or str(rng.choice(list(FAMILIES)))](rng)
