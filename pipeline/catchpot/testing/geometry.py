"""Flow paths of made-up moulds, discretised: any width, thickness and permeability along the path.

A path is cut into cells from inlet to vent. Each cell has an area and a resistance; their running sums, and the
integral of resistance over filled share, are all the marching front needs. Nothing here knows a closed form.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Profile = Callable[[Array], Array]

CELLS = 6000
NODES = 800


@dataclass(frozen=True)
class Geometry:
    """A flow path from the inlet line to the vent.

    fill: linear, radial or peripheral (as in the mould book). inlet_width_m, flow_length_m, part_area_m2, thickness_mm:
    as in the mould book. The width goes linearly from the inlet to what makes the area, unless `width` says otherwise.
    width: relative width at s/L in [0, 1]; it is scaled to make `part_area_m2` (the inlet is then what it comes to).
    thickness: relative thickness at s/L; scaled to mean 1 over the area.
    permeability: relative permeability at s/L (1 where absent): creases, overlaps.

    >>> round(float(path(Geometry("linear", 0.5, 0.5, 0.25, 4.0)).share[-1]), 9)
    1.0
    """

    fill: Literal["linear", "radial", "peripheral"]
    inlet_width_m: float
    flow_length_m: float
    part_area_m2: float
    thickness_mm: float
    width: Profile | None = None
    thickness: Profile | None = None
    permeability: Profile | None = None

    def creased(self, at: float, span: float, factor: float) -> Geometry:
        """The same path with permeability times `factor` over `span` of the path around `at` (shares of the length)."""
        was = self.permeability

        def crease(s: Array) -> Array:
            base = np.ones_like(s) if was is None else was(s)
            return np.where(np.abs(s - at) < span / 2, base * factor, base)

        return replace(self, permeability=crease)


@dataclass(frozen=True)
class Path:
    """Running sums along a path at nodes even in sqrt(work); work is the integral of resistance over filled share.

    share, along: filled share of the volume and of the length, shape (NODES + 1,). resistance_per_m: integral of
    ds / (w h k), 1/m. work_per_m: its integral over the filled share up to the whole path, 1/m.
    """

    share: Array
    along: Array
    resistance_per_m: Array
    work_per_m: float


def path(geometry: Geometry) -> Path:
    """Cut a geometry into cells and sum them up.

    Cells are finer towards both ends, where ports and vents are narrow. A width of zero (the middle of a disc) is
    met only at cell edges, never at a centre.
    """
    edge = np.linspace(0.0, 1.0, CELLS + 1)
    edge = edge**3 / (edge**3 + (1 - edge) ** 3)
    centre, step = (edge[1:] + edge[:-1]) / 2, np.diff(edge)
    if geometry.width is None:
        w0 = geometry.inlet_width_m
        w1 = 2 * geometry.part_area_m2 / geometry.flow_length_m - w0
        if w1 < -1e-9 * w0:
            raise ValueError("part_area_m2 is too small for that inlet width and flow length")
        width = w0 + (max(w1, 0.0) - w0) * centre
    else:
        width = geometry.width(centre)
        width = width * geometry.part_area_m2 / (geometry.flow_length_m * float(np.sum(width * step)))
    thick = np.ones_like(centre) if geometry.thickness is None else geometry.thickness(centre)
    thick = thick * float(np.sum(width * step)) / float(np.sum(thick * width * step))
    relative_k = np.ones_like(centre) if geometry.permeability is None else geometry.permeability(centre)
    h = thick * geometry.thickness_mm * 1e-3
    volume = width * h * step
    share = np.concatenate([[0.0], np.cumsum(volume)])
    share /= share[-1]
    each = step * geometry.flow_length_m / (width * h * relative_k)
    resistance = np.concatenate([[0.0], np.cumsum(each)])
    work = np.concatenate([[0.0], np.cumsum(np.diff(share) * (resistance[1:] + resistance[:-1]) / 2)])
    root = np.sqrt(work / work[-1])
    node = np.linspace(0.0, 1.0, NODES + 1)
    return Path(
        np.interp(node, root, share), np.interp(node, root, edge), np.interp(node, root, resistance), float(work[-1])
    )


@dataclass(frozen=True)
class Paths:
    """Paths stacked for look-up by number: share, along, resistance_per_m of shape (paths, NODES + 1)."""

    share: Array
    along: Array
    resistance_per_m: Array
    work_per_m: Array

    @staticmethod
    def of(paths: Sequence[Path]) -> Paths:
        """Stack paths in order."""
        return Paths(
            np.stack([p.share for p in paths]),
            np.stack([p.along for p in paths]),
            np.stack([p.resistance_per_m for p in paths]),
            np.array([p.work_per_m for p in paths]),
        )

    def look_up(self, table: Array, number: NDArray[np.intp], work: Array) -> Array:
        """Value of a table at a work done; number (shots, 1) or as `work`, work (shots, lanes) in 1/m."""
        u = np.sqrt(np.clip(work / self.work_per_m[number], 0.0, 1.0)) * NODES
        i = np.minimum(u.astype(np.intp), NODES - 1)
        low = table[number, i]
        return np.asarray(low + (u - i) * (table[number, i + 1] - low))


def five_geometries() -> dict[str, Geometry]:
    """Five flow paths of different kind: strip, wedge, all-round rectangle, disc from a port, disc from its rim."""
    return {
        "strip": Geometry("linear", 0.6, 0.9, 0.54, 4.0),
        "wedge": Geometry("linear", 0.9, 0.8, 0.52, 3.5),
        "all-round": Geometry("peripheral", 4.0, 0.4, 0.96, 3.0),
        "disc": Geometry("radial", 2 * np.pi * 0.01, 0.44, np.pi * (0.45**2 - 0.01**2), 4.0),
        "rim-fed": Geometry("peripheral", 2 * np.pi * 0.5, 0.49, np.pi * (0.5**2 - 0.01**2), 3.0),
    }
