"""From a bed and its cloth to a network of control volumes: capacities, conductances, inlets and vents."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catchpot.testing.geometry import Array
from catchpot.testing.plates.bed import Bed, Cloth, Vent
from catchpot.testing.plates.mesh import Index, Mesh, angle_at, cotangents, mesh_plate

# A triangle's depth and permeability are means over these places in it (barycentric), so that ribs aren't stepped.
_INNER = np.array([[2 / 3, 1 / 6, 1 / 6], [1 / 6, 2 / 3, 1 / 6], [1 / 6, 1 / 6, 2 / 3], [1 / 3, 1 / 3, 1 / 3]])
_OUTER = np.array([[0.9, 0.05, 0.05], [0.05, 0.9, 0.05], [0.05, 0.05, 0.9]])
_MIXED = np.array([[0.47, 0.47, 0.06], [0.06, 0.47, 0.47], [0.47, 0.06, 0.47]])
PLACES = np.concatenate([_INNER, _OUTER, _MIXED])
WIDE_OPEN = 1000.0
THROAT_SHARE = 2e-5


@dataclass(frozen=True)
class Network:
    """Control volumes, reordered for a narrow band. All conductances are at unit viscosity (m3).

    capacity_m3 (n,). a, b (e,): ends; wet (e,): conductance with both full; front (e,), lag (e,): towards a volume that
    is filled to f it is front / (lag + f). inlet (k,): with wet, front, lag likewise. throat: number of each vent's
    own volume. band: half width of the matrix.
    """

    capacity_m3: Array
    a: Index
    b: Index
    wet: Array
    front: Array
    lag: Array
    inlet: Index
    inlet_wet: Array
    inlet_front: Array
    throat: Index
    vents: tuple[Vent, ...]
    band: int
    points: Array


def summed(where: Index, what: Array, n: int) -> Array:
    """Sum of values by index, shape (n,); also of none at all."""
    return np.bincount(where, what, n).astype(np.float64, copy=False)


def _edges(mesh: Mesh, kh: Array) -> tuple[Index, Index, Array]:
    """Neighbours and the conductance between them: the sum over triangles of half the cotangent across, not below 0."""
    share = np.maximum(cotangents(mesh), 0.0) * kh[:, None]
    a = np.concatenate([mesh.triangles[:, 1], mesh.triangles[:, 2], mesh.triangles[:, 0]])
    b = np.concatenate([mesh.triangles[:, 2], mesh.triangles[:, 0], mesh.triangles[:, 1]])
    value = np.concatenate([share[:, 0], share[:, 1], share[:, 2]])
    n = len(mesh.points)
    key, back = np.unique(np.minimum(a, b) * n + np.maximum(a, b), return_inverse=True)
    total = summed(back, value, len(key))
    return key // n, key % n, np.maximum(total, 1e-6 * total.max())


def _hole(mesh: Mesh, node: int, radius_m: float, ends: tuple[Index, Index, Array, Array], kh: float) -> None:
    """Make a point a hole of this radius: set the conductances to its neighbours, in place.

    Around a hole p_j - p = Q ln(d_j / r) / (kh angle) (steady radial flow, Thiem 1906), shared out as the ring of
    neighbours shares the flow; as wells are put into a grid (Peaceman 1978, SPE J 18:183).
    """
    a, b, wet, front = ends
    here = (a == node) | (b == node)
    other = np.where(a[here] == node, b[here], a[here])
    away = np.hypot(*(mesh.points[other] - mesh.points[node]).T)
    weight = wet[here] / wet[here].sum()
    wet[here] = kh * angle_at(mesh, node) * weight / np.log(np.maximum(away / radius_m, 1.2))
    front[here] = wet[here]


def _rim_nodes(mesh: Mesh, side: int, low: float, high: float) -> Index:
    """Points along a stretch of a side (at least one)."""
    line = mesh.side[side]
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(mesh.points[line], axis=0).T))])
    share = run / run[-1]
    chosen = line[(share >= low - 1e-6) & (share <= high + 1e-6)]
    return chosen if len(chosen) else line[[int(np.argmin(np.abs(share - (low + high) / 2)))]]


def network(bed: Bed, cloth: Cloth, cells: int, pore_m3: float | None = None) -> Network:
    """Mesh the bed afresh (by the cloth's seed) and write down its network.

    pore_m3: room for resin under even cloth; capacities are scaled to it, so that meshes of one plate don't differ.
    """
    rng, feed = np.random.default_rng(cloth.seed), bed.outline.feed
    breaks = [v.rim for v in bed.vents if v.rim is not None]
    breaks += [(v.line[0], s) for v in bed.vents if v.line is not None for s in v.line[1:] if 0 < s < 1]
    inner = [v.at for v in bed.vents if v.line is None and v.rim is None]
    port = [feed.at] if feed.kind == "port" else []
    mesh = mesh_plate(bed.outline, cells, rng, np.array([*port, *inner]).reshape(-1, 2), breaks)
    places = np.einsum("pk,mkd->mpd", PLACES, mesh.points[mesh.triangles]).reshape(-1, 2)
    kh, room = (x.reshape(-1, len(PLACES)).mean(axis=1) for x in bed.at(cloth, places))
    n = len(mesh.points)
    corner = mesh.triangles.T.ravel()
    capacity = summed(corner, np.tile(room * mesh.area_m2 / 3, 3), n)
    area = summed(corner, np.tile(mesh.area_m2, 3), n)
    mean_kh = summed(corner, np.tile(kh * mesh.area_m2, 3), n) / np.maximum(area, 1e-30)
    if pore_m3 is not None:
        even = bed.at(Cloth.even(), places)[1].reshape(-1, len(PLACES)).mean(axis=1)
        capacity *= pore_m3 / float(even @ mesh.area_m2)
    a, b, wet = _edges(mesh, kh)
    front, lag = wet.copy(), np.full(len(a), 0.5)
    fibre = 1 - bed.fibre_share
    for gap in cloth.gaps:
        line = _rim_nodes(mesh, gap.side, gap.low, gap.high)
        step = np.hypot(*np.diff(mesh.points[line], axis=0).T)
        deep = bed.thickness_m
        slot = gap.width_m * deep * min(gap.width_m, deep) ** 2 / 12
        for i, j, d in zip(line[:-1], line[1:], step, strict=True):
            at = np.flatnonzero((a == min(i, j)) & (b == max(i, j)))
            wet[at] += slot / d
            front[at] += slot / d
            capacity[[i, j]] += gap.width_m * deep * (1 - fibre) * d / 2
    pinned = list(mesh.pinned)
    if feed.kind == "port":
        _hole(mesh, int(pinned[0]), feed.radius_m, (a, b, wet, front), float(mean_kh[pinned[0]]))
        port_node = pinned.pop(0)
    vent_nodes = []
    for vent in bed.vents:
        if vent.line is not None:
            vent_nodes.append(_rim_nodes(mesh, *vent.line))
            continue
        node = _rim_nodes(mesh, vent.rim[0], vent.rim[1], vent.rim[1])[0] if vent.rim else pinned.pop(0)
        _hole(mesh, int(node), vent.radius_m, (a, b, wet, front), float(mean_kh[node]))
        vent_nodes.append(np.array([node], dtype=np.intp))
    around = summed(a, wet, n) + summed(b, wet, n)
    extra: list[tuple[Index, Index, Array, Array, Array]] = []
    if feed.kind == "runner":
        inlet, made, more = _runner(bed, mesh, around, n)
        extra += made
        capacity = np.concatenate([capacity, more])
        inlet_wet = np.full(1, 1e3 * wet.max())
        inlet_front = inlet_wet
    elif feed.kind == "port":
        inlet = np.array([port_node], dtype=np.intp)
        inlet_wet = inlet_front = WIDE_OPEN * around[inlet]
    else:
        inlet = np.unique(np.concatenate([mesh.side[s] for s in feed.sides]))
        inlet_wet, inlet_front = WIDE_OPEN * around[inlet], 2 * around[inlet]
    throats = []
    for nodes in vent_nodes:
        throat = len(capacity)
        way = WIDE_OPEN * around[nodes]
        extra.append((nodes, np.full(len(nodes), throat), way, way, np.full(len(nodes), 0.5)))
        capacity = np.concatenate([capacity, [THROAT_SHARE * capacity.sum()]])
        throats.append(throat)
    a, b, wet, front, lag = (np.concatenate([x, *(e[i] for e in extra)]) for i, x in enumerate((a, b, wet, front, lag)))
    points = np.concatenate([mesh.points, np.full((len(capacity) - n, 2), np.nan)])
    return _ordered(capacity, (a, b, wet, front, lag), (inlet, inlet_wet, inlet_front), throats, bed.vents, points)


def _runner(
    bed: Bed, mesh: Mesh, around: Array, first: int
) -> tuple[Index, list[tuple[Index, Index, Array, Array, Array]], Array]:
    """A runner as a chain of volumes beside the rim: inlet, edges (chain and gates), capacities."""
    feed = bed.outline.feed
    pieces = [mesh.side[s] for s in feed.sides]
    line = np.concatenate([pieces[0], *(p[1:] for p in pieces[1:])])
    ring = line[0] == line[-1]
    nodes = line[:-1] if ring else line
    step = np.hypot(*np.diff(mesh.points[line], axis=0).T)
    k = len(nodes)
    along = feed.runner_area_m2**2 / (8 * np.pi) / step
    left = np.arange(len(step)) + first
    right = (np.arange(1, len(step) + 1) % k) + first if ring else left + 1
    half = np.zeros(k)
    np.add.at(half, left - first, step / 2)
    np.add.at(half, right - first, step / 2)
    gate = np.arange(k) + first
    edges = [
        (left, right, along, along, np.full(len(step), 0.5)),
        (gate, nodes, WIDE_OPEN * around[nodes], 2 * around[nodes], np.full(k, 0.05)),
    ]
    away = np.hypot(*(mesh.points[nodes] - np.array(feed.at)).T)
    return np.array([first + int(np.argmin(away))]), edges, half * feed.runner_area_m2


def _ordered(
    capacity: Array,
    edges: tuple[Index, Index, Array, Array, Array],
    inlet: tuple[Index, Array, Array],
    throats: list[int],
    vents: tuple[Vent, ...],
    points: Array,
) -> Network:
    """Number the volumes for a narrow band (reverse Cuthill-McKee) and drop those that nothing touches."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import reverse_cuthill_mckee

    a, b, wet, front, lag = edges
    n = len(capacity)
    matrix = coo_array((np.ones(len(a)), (a, b)), shape=(n, n)).tocsr()
    order = np.asarray(reverse_cuthill_mckee((matrix + matrix.T).tocsr(), symmetric_mode=True), dtype=np.intp)
    order = order[capacity[order] > 0]
    number = np.full(n, -1, dtype=np.intp)
    number[order] = np.arange(len(order))
    low, high = np.minimum(number[a], number[b]), np.maximum(number[a], number[b])
    return Network(
        capacity[order], low, high, wet, front, lag, number[inlet[0]], inlet[1], inlet[2],
        number[np.array(throats, dtype=np.intp)], vents, int(np.max(high - low)), points[order],
    )  # fmt: skip
