"""The resin front, marched through lanes of a discretised path.

Every lane is a share of the width with its own permeability; all share the inlet and the vent pressure. In each lane
the same flow passes every cell, so a lane's state is the work done on it (pressure over viscosity, summed over time),
and the cells' running sums give the filled share. Lanes that have reached the vent pass resin on through the vent
hose, whose resistance grows while it fills; the others go on filling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.testing.geometry import NODES, Array, Paths

Index = NDArray[np.intp]


@dataclass
class Bed:
    """What resin meets on its way, one row a shot; SI units.

    path_number: row of `Paths` (shots,). pore_volume_m3: what the bed takes. permeability_m2: of the pack, times true
    over book thickness (so that the path's nominal thickness serves). lane_share, lane_factor (shots, lanes): share of
    the width and relative permeability. viscosity_bed_pa_s, viscosity_line_pa_s at the mould's and resin's temperature.
    line_resistance_per_m3: hose and runner, free of viscosity. volume_before_m3: hose and runner to be filled first.
    vent_hose_m3, vent_hose_resistance_per_m3: its volume and, when full, its resistance free of viscosity.
    head_pa: weight of the resin column from inlet to vent. capillary_pa: pull of the fibres.
    cover_m3_pa, cover_s: volume the cover gives per pressure over the wetted part, and its time constant.
    """

    path_number: Index
    pore_volume_m3: Array
    permeability_m2: Array
    lane_share: Array
    lane_factor: Array
    viscosity_bed_pa_s: Array
    viscosity_line_pa_s: Array
    line_resistance_per_m3: Array
    volume_before_m3: Array
    vent_hose_m3: Array
    vent_hose_resistance_per_m3: Array
    head_pa: Array
    capillary_pa: Array
    cover_m3_pa: Array
    cover_s: Array


@dataclass
class Front:
    """State of the bed: work done on and filled share of each lane (shots, lanes); volumes in hoses and cover."""

    work: Array
    share: Array
    before_left_m3: Array
    vent_hose_m3: Array
    past_vent_m3: Array
    cover_m3: Array
    carry_m3: Array

    @staticmethod
    def dry(bed: Bed) -> Front:
        """The state before the first drop."""
        lanes, shots = np.zeros_like(bed.lane_share), np.zeros_like(bed.pore_volume_m3)
        return Front(
            lanes,
            lanes.copy(),
            bed.volume_before_m3.copy(),
            shots.copy(),
            shots.copy(),
            shots.copy(),
            shots.copy(),
        )


@dataclass
class Step:
    """A time step of the bed, prepared: `flow(p)` gives what the bed takes at inlet pressure p (Pa, absolute)."""

    paths: Paths
    bed: Bed
    front: Front
    dt_s: float
    ahead_pa: Array
    rate: Array
    pore_m3: Array
    growth_m3_s: Array
    out_m3_pa_s: Array
    out_pa: Array
    cover_pa: Array
    seal_m3_pa_s: Array
    seal_pa: Array
    vent_open: Array

    def lanes(self, p: Array) -> tuple[Array, Array, Array, Array]:
        """Work after the step, filled share, share passed through the vent by lanes that arrive in this very step, and
        the derivative of both shares by p; each (shots, lanes). Lanes that arrived before pass by `out_m3_pa_s`."""
        number = self.bed.path_number[:, None]
        full = self.paths.work_per_m[number]
        pull = np.maximum(p[:, None] - self.ahead_pa, 0.0) * self.rate * self.dt_s
        beyond = np.where(self.front.work < full, np.maximum(self.front.work + pull - full, 0.0), 0.0)
        work = np.minimum(self.front.work + pull, full)
        u = np.sqrt(work / full)
        i = np.minimum((u * NODES).astype(np.intp), NODES - 1)
        low = self.paths.share[number, i]
        rise = self.paths.share[number, i + 1] - low
        share = low + (u * NODES - i) * rise
        through = self.vent_open[:, None] / self.paths.resistance_per_m[number, -1]
        slope = np.where(
            work < full, rise * NODES / (2 * np.maximum(u, 1e-9) * full), np.where(beyond > 0, through, 0.0)
        )
        slope = np.where(pull > 0, slope * self.rate * self.dt_s, 0.0)
        return work, share, beyond * through, slope

    def flow(self, p: Array) -> tuple[Array, Array]:
        """Flow into the bed at inlet pressure p and its derivative, m3/s and m3/(Pa s), shape (shots,)."""
        _, share, passed, slope = self.lanes(p)
        weight = self.pore_m3[:, None] * self.bed.lane_share / self.dt_s
        q = np.sum(weight * (share + passed - self.front.share), axis=1) + self.growth_m3_s
        dq = np.sum(weight * slope, axis=1)
        over = p > self.out_pa
        q += np.where(over, self.out_m3_pa_s * (p - self.out_pa), 0.0)
        dq += np.where(over, self.out_m3_pa_s, 0.0)
        cover, d_cover = self.cover(p)
        q += (cover - self.front.cover_m3) / self.dt_s
        dq += d_cover / self.dt_s
        q += self.seal_m3_pa_s * np.maximum(p - self.seal_pa, 0.0)
        dq += self.seal_m3_pa_s
        return q, dq

    def cover(self, p: Array) -> tuple[Array, Array]:
        """Volume held by the opened cover after the step, and its derivative."""
        k = self.dt_s / self.bed.cover_s
        wet = np.sum(self.bed.lane_share * self.front.share, axis=1)
        give = self.bed.cover_m3_pa * wet
        return (self.front.cover_m3 + k * give * (p - self.cover_pa)) / (1 + k), k * give / (1 + k)


def work_rate(bed: Bed, viscosity: Array, pore_m3: Array, loosened: Array) -> Array:
    """Work per pressure and second for each lane; loosened: factor on permeability times thickness, 1 at rest."""
    return bed.lane_factor * (bed.permeability_m2 * loosened / (viscosity * pore_m3))[:, None]


def vent_conductance(paths: Paths, bed: Bed, front: Front, viscosity: Array, loosened: Array) -> Array:
    """Flow per pressure through the lanes that have arrived and what is filled of the vent hose, m3/(Pa s)."""
    number = bed.path_number
    full = front.work >= paths.work_per_m[number][:, None]
    through = np.sum(np.where(full, bed.lane_share * bed.lane_factor, 0.0), axis=1) * bed.permeability_m2 * loosened
    through = through / (viscosity * paths.resistance_per_m[number, -1])
    filled = np.where(bed.vent_hose_m3 > 0, front.vent_hose_m3 / np.maximum(bed.vent_hose_m3, 1e-12), 1.0)
    hose = bed.viscosity_line_pa_s * bed.vent_hose_resistance_per_m3 * filled
    return np.asarray(through / (1 + hose * through))


def expected_arrival_m3(paths: Paths, bed: Bed) -> Array:
    """True volume, hose and runner included, at which the first lane would reach the vent under a stiff cover."""
    number = bed.path_number[:, None]
    fastest = bed.lane_factor.max(axis=1, keepdims=True)
    share = paths.look_up(paths.share, number, paths.work_per_m[number] * bed.lane_factor / fastest)
    return np.asarray(bed.volume_before_m3 + bed.pore_volume_m3 * np.sum(bed.lane_share * share, axis=1))


def lane_curve(paths: Paths, bed: Bed, points: int = 60) -> tuple[Array, Array, Array]:
    """Volume share, resistance and the straight front's resistance at that volume, each (shots, points), to arrival.

    Resistance in 1/m3 times permeability, so relative; lanes under one pressure depend on the work alone.
    """
    number = bed.path_number[:, None]
    fastest = bed.lane_factor.max(axis=1, keepdims=True)
    volume, lanes, straight = [], [], []
    for part in np.linspace(0.02, 1.0, points):
        work = paths.work_per_m[number] * bed.lane_factor / fastest * part**2
        share = np.sum(bed.lane_share * paths.look_up(paths.share, number, work), axis=1)
        rho = np.maximum(paths.look_up(paths.resistance_per_m, number, work), 1e-12)
        lanes.append(1 / np.sum(bed.lane_share * bed.lane_factor / rho, axis=1))
        straight.append(
            np.array(
                [
                    np.interp(s, paths.share[n], paths.resistance_per_m[n])
                    for s, n in zip(share, bed.path_number, strict=True)
                ]
            )
        )
        volume.append(share)
    return np.stack(volume, axis=1), np.stack(lanes, axis=1), np.stack(straight, axis=1)


def lane_permeability_factor(paths: Paths, bed: Bed) -> Array:
    """What uneven lanes make of the permeability: straight over true resistance, mean over the fill to arrival."""
    _, lanes, straight = lane_curve(paths, bed, 16)
    return np.asarray(np.mean((straight / lanes)[:, 4:], axis=1))
