"""Uneven fronts: a channel of parallel lanes whose permeabilities differ, as fabric never lies quite alike.

All lanes share inlet and outlet pressure, so each one's progress depends on `u`, the time integral of that pressure
difference over viscosity, alone: lane i has filled the share x_i where tau(x_i) = k_i u (`physics.darcy.time_share`).
The bed's resistance as a function of the metered volume therefore does not depend on how the shot was driven, and one
table serves every shot through that channel. When the first lane reaches the vent, resin goes past it while the slower
lanes still fill: resistance bends over instead of breaking off.

Nobody knows a shot's lanes. A family of drawn patterns gives the mean bend and the few shapes in which patterns differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.darcy import resistance_share, time_share

Array = NDArray[np.float64]

NODES_PER_ARRIVAL = 8192
"""Steps of a table between nought and the arrival volume: fine enough to take the nearest."""
REACH = 2.0
"""Beyond this many arrival volumes the channel counts as full."""
PATTERNS = 60
SHAPES = 3
SHAPE_SD = 1.35
"""The few drawn patterns under-state how far a fabric may bend the curve; so widened, intervals hold their promise."""


@dataclass(frozen=True)
class LaneCurve:
    """Resistance share at the volumes asked for, and where lanes stand.

    filled_at_first: share of the channel that is full when the first lane arrives; the rest is dry corners.
    last_at: metered volume when the last lane arrives, over the arrival volume. dry: share of the conductance that
    still ends in a front, at the same volumes.
    """

    resistance: Array
    dry: Array
    filled_at_first: float
    last_at: float


@lru_cache(maxsize=64)
def _channel(taper: float) -> tuple[Array, Array, Array, float, float]:
    s = np.linspace(0.0, 1.0, 3001)
    fill = s * s * (3.0 - 2.0 * s)
    tau, g = time_share(fill, taper), resistance_share(fill, taper)
    return fill, g, np.sqrt(tau / tau[-1]), float(tau[-1]), float(g[-1])


def lane_curve(taper: float, factors: Array, volumes: Array) -> LaneCurve:
    """Resistance of a channel of lanes of equal width.

    taper: width at the vent over width at the inlet. factors: permeabilities of the lanes; they are scaled to mean 1.
    volumes: metered volumes over the arrival volume at which it is wanted.

    Two equal lanes are one straight front:

    >>> curve = lane_curve(1.0, np.array([1.0, 1.0]), np.array([0.5]))
    >>> round(curve.filled_at_first, 6), round(float(curve.resistance[0]), 4)
    (1.0, 0.5)
    """
    k = np.asarray(factors, dtype=float)
    k = k / k.mean()
    fill, g, root, tau_full, g_full = _channel(taper)
    step = np.linspace(0.0, 1.0, 301)
    u = np.concatenate([step**2, 1.0 + step[1:] * (k.max() / k.min() * (1.0 + 1e-9) - 1.0)]) / k.max()
    progress = u[:, None] * k
    lane_root = np.sqrt(np.minimum(progress, 1.0))
    each = k / np.maximum(np.interp(lane_root, root, g), 1e-12)
    conductance = np.mean(each, axis=1)
    dry = np.mean(np.where(progress < 1.0 - 1e-12, each, 0.0), axis=1) / conductance
    # past the vent flows what the full lanes conduct: k tau(1) / g(1) in the units of u and fill
    past = np.mean(np.where(progress >= 1.0 - 1e-12, k, 0.0), axis=1) * tau_full / g_full
    past[: len(step)] = 0.0
    volume = np.mean(np.interp(lane_root, root, fill), axis=1)
    volume = volume + np.concatenate([[0.0], np.cumsum(np.diff(u) * (past[1:] + past[:-1]) / 2)])
    first = volume[len(step) - 1]
    resistance = np.interp(volumes, volume / first, 1.0 / conductance)
    still = np.interp(volumes, volume / first, dry)
    return LaneCurve(resistance, still, float(first), float(volume[-1] / first))


@dataclass(frozen=True)
class Family:
    """Curves of many patterns of one spread.

    table: (2 + SHAPES, nodes), (2, nodes) for the straight front. Row 0: mean resistance share. Row 1: its change
    when the volume before the bed turns out larger by one arrival volume. The rest: main ways in which patterns deviate
    from the mean, at SHAPE_SD standard deviations. factor_sd: by how much, relative, patterns of one mean permeability
    differ in resistance before the first arrival. smear: mean volume between first and last lane's arrival over the
    arrival volume. filled_at_first: mean share of the channel that is full at the first arrival. dry: (nodes,), mean
    share of the conductance that still ends in a front. sums: (rows, nodes + 1), running sums of the table up to each
    node.
    """

    table: Array
    sums: Array
    dry: Array
    factor_sd: float
    smear: float
    filled_at_first: float


def _with_shift(mean: Array) -> Array:
    nodes = np.linspace(0.0, REACH, len(mean))
    slope = np.gradient(mean, nodes)
    # the kink itself has no slope: what lies before it counts
    slope[NODES_PER_ARRIVAL] = slope[NODES_PER_ARRIVAL - 1]
    # and all volumes before the bed are looked up at node 0
    slope[0] = 0.0
    return np.stack([mean, slope * (np.minimum(nodes, 1.0) - 1.0)])


def _sums(table: Array) -> Array:
    return np.concatenate([np.zeros((len(table), 1)), np.cumsum(table, axis=1)], axis=1)


@lru_cache(maxsize=1)
def _patterns() -> tuple[Array, ...]:
    """Where lanes stand within the spread, -1 to 1: five to twelve lanes, drawn even, heaped in the middle or apart."""
    draw = np.random.default_rng(20)
    found = []
    for i in range(PATTERNS):
        even = draw.uniform(-1, 1, 5 + (i // 3) % 8)
        # the sine heaps lanes at both ends (some run ahead together), the cube in the middle (one runs ahead alone)
        found.append((even, np.sin(np.pi / 2 * even), even**3)[i % 3])
    return tuple(found)


@lru_cache(maxsize=512)
def lane_family(taper: float, spread: float) -> Family:
    """Family of lane patterns with permeabilities from 1 - spread to 1 + spread.

    The draw has a fixed seed, so that a channel's family is the same in every run. spread 0 is the straight front.

    >>> lane_family(1.0, 0.0).smear
    0.0
    """
    nodes = np.linspace(0.0, REACH, int(REACH * NODES_PER_ARRIVAL) + 1)
    if spread == 0.0:
        straight = resistance_share(np.minimum(nodes, 1.0), taper)
        table = _with_shift(straight)
        return Family(table, _sums(table), (nodes < 1.0).astype(float), 0.0, 0.0, 1.0)
    # finer towards the first arrival, where a converging channel is steep
    volumes = np.concatenate([1.0 - np.linspace(1.0, 0.0, 500) ** 3, np.linspace(1.0, REACH, 500)[1:]])
    curves = [lane_curve(taper, 1.0 + spread * place, volumes) for place in _patterns()]
    each = np.stack([c.resistance for c in curves])
    # before the first arrival patterns differ by little more than a factor, which the permeability takes up; the mean
    # factor stays, so that permeability is the lanes' mean and not that of a straight front in a smaller mould
    middle = (volumes > 0.3) & (volumes < 0.9)
    factor = np.mean(resistance_share(volumes[middle], taper) / each[:, middle], axis=1, keepdims=True)
    each = each * factor / factor.mean()
    mean = each.mean(axis=0)
    # weighed by the volume that each node stands for, or the fine part would count for more
    root = np.sqrt(np.gradient(volumes))
    _, size, shapes = np.linalg.svd((each - mean) * root, full_matrices=False)
    shapes = SHAPE_SD * shapes[:SHAPES] / root * size[:SHAPES, None] / np.sqrt(PATTERNS - 1)
    mean, shapes = np.interp(nodes, volumes, mean), np.stack([np.interp(nodes, volumes, s) for s in shapes])
    mean[0] = shapes[:, 0] = 0.0
    smear = float(np.mean([c.last_at for c in curves]) - 1.0)
    table = np.concatenate([_with_shift(mean), shapes])
    full = float(np.mean([c.filled_at_first for c in curves]))
    dry = np.interp(nodes, volumes, np.mean([c.dry for c in curves], axis=0))
    return Family(table, _sums(table), dry, float(factor.std() / factor.mean()), smear, full)
