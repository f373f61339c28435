"""Triangles over an outline: irregular points, Delaunay's triangles, and the rim in order."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from catchpot.testing.geometry import Array
from catchpot.testing.plates.outline import Outline, inside

Index = NDArray[np.intp]
HEXAGON = np.sqrt(3) / 2
NEAREST = 0.6


@dataclass(frozen=True)
class Mesh:
    """points (n, 2) m; triangles (m, 3); area_m2 (m,); spacing_m; side: points along each outline side, ends included.

    pinned: points at the places that were asked for.
    """

    points: Array
    triangles: Index
    area_m2: Array
    spacing_m: float
    side: list[Index]
    pinned: Index


def _loop(corners: Array, spacing: float, breaks: list[tuple[int, float]]) -> tuple[Array, list[Index]]:
    """Points round a polygon, with the breaks (side, share) among them, and the points along each side."""
    made: list[Array] = []
    count, starts = 0, []
    for i, a in enumerate(corners):
        b = corners[(i + 1) % len(corners)]
        cuts = np.unique(np.round([0.0, *(s for n, s in breaks if n == i), 1.0], 9))
        starts.append(count)
        for low, high in pairwise(cuts):
            n = max(1, round(float(np.hypot(*(b - a))) * (high - low) / spacing))
            share = low + (high - low) * np.arange(n)[:, None] / n
            made.append(a + share * (b - a))
            count += n
    ends = [*starts[1:], count]
    along = [np.arange(s, e + 1) % count for s, e in zip(starts, ends, strict=True)]
    return np.concatenate(made), along


def _apart(points: Array, others: Array, distance: float) -> NDArray[np.bool_]:
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(others).query(points)[0] > distance)


def _rings(places: Array, spacing: float, rng: Generator) -> Array:
    """Six points round each place, so that a hole there has an even ring of neighbours."""
    t = rng.uniform(0, np.pi / 3, len(places))[:, None] + np.pi / 3 * np.arange(6)
    ring = places[:, None] + spacing * np.stack([np.cos(t), np.sin(t)], axis=2)
    return np.asarray(ring.reshape(-1, 2))


def mesh_plate(
    outline: Outline,
    cells: int,
    rng: Generator,
    places: Array | None = None,
    breaks: list[tuple[int, float]] | None = None,
) -> Mesh:
    """Cover an outline with about `cells` points; each generator state turns and shakes them afresh.

    places: (k, 2) m inside the outline where points must be; breaks: (side, share of its length) on the rim likewise.
    """
    from scipy.spatial import Delaunay

    spacing = float(np.sqrt(outline.area_m2 / (HEXAGON * cells)))
    rim, along = _loop(outline.corners, spacing, breaks or [])
    fixed = [rim, *(_loop(h, spacing, [])[0] for h in outline.holes)]
    places = np.zeros((0, 2)) if places is None else places
    low, high = outline.corners.min(axis=0), outline.corners.max(axis=0)
    reach = float(np.hypot(*(high - low))) / 2 + 2 * spacing
    steps = int(reach / spacing / HEXAGON) + 2
    i, j = np.meshgrid(np.arange(-steps, steps + 1), np.arange(-steps, steps + 1), indexing="ij")
    lattice = np.stack([(i + 0.5 * (j % 2)).ravel(), HEXAGON * j.ravel()], axis=1) * spacing
    angle, shift = rng.uniform(0, np.pi / 3), rng.uniform(-0.5, 0.5, 2) * spacing
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    inner = lattice @ turn + (low + high) / 2 + shift + spacing * rng.uniform(-0.12, 0.12, lattice.shape)
    inner = inner[inside(outline.corners, inner)]
    for hole in outline.holes:
        inner = inner[~inside(hole, inner)]
    dense = np.concatenate([_loop(c, spacing / 4, [])[0] for c in (outline.corners, *outline.holes)])
    inner = inner[_apart(inner, np.concatenate([dense, *fixed]), NEAREST * spacing)]
    if len(places):
        ring = _rings(places, spacing, rng)
        ring = ring[inside(outline.corners, ring)]
        ring = ring[_apart(ring, np.concatenate([dense, places]), NEAREST * spacing)]
        around = np.concatenate([places, ring])
        inner = np.concatenate([ring, inner[_apart(inner, around, NEAREST * spacing)]])
    points = np.concatenate([*fixed, places, inner])
    first = sum(len(f) for f in fixed)
    triangles = np.asarray(Delaunay(points).simplices, dtype=np.intp)
    middle = points[triangles].mean(axis=1)
    keep = inside(outline.corners, middle)
    for hole in outline.holes:
        keep &= ~inside(hole, middle)
    u, v = points[triangles[:, 1]] - points[triangles[:, 0]], points[triangles[:, 2]] - points[triangles[:, 0]]
    area = np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2
    keep &= area > 1e-4 * spacing**2
    return Mesh(points, triangles[keep], area[keep], spacing, along, np.arange(first, first + len(places)))


def cotangents(mesh: Mesh) -> Array:
    """Half the cotangent of each triangle's angles (m, 3): the share of a flow along the side opposite to the angle."""
    corner = mesh.points[mesh.triangles]
    made = np.empty(mesh.triangles.shape)
    for k in range(3):
        u, v = corner[:, (k + 1) % 3] - corner[:, k], corner[:, (k + 2) % 3] - corner[:, k]
        made[:, k] = np.sum(u * v, axis=1) / (4 * mesh.area_m2)
    return made


def angle_at(mesh: Mesh, point: int) -> float:
    """Angle of the plate round a point, radians: 2 pi inside, pi on a straight rim."""
    total = 0.0
    for t in mesh.triangles[(mesh.triangles == point).any(axis=1)]:
        u, v = (mesh.points[o] - mesh.points[point] for o in t if o != point)
        total += float(np.arccos(np.clip(u @ v / np.hypot(*u) / np.hypot(*v), -1, 1)))
    return total
