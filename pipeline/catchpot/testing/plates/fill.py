"""March a plate full: quasi-steady Darcy on control volumes, one pressure solve a step, no volume lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.testing.geometry import Array
from catchpot.testing.plates.network import Network, summed

STEPS_TO_FULL = 320
FINE_UNTIL, FINE = 0.05, 4
COARSE = 4
SHUT_AFTER = 0.004
CASCADES = 80
DRY = 1e-9


@dataclass(frozen=True)
class Marched:
    """A filling at unit viscosity and unit pressure difference; arrays (steps,) over the volume that entered.

    volume_m3; resistance_per_m3 (pressure over flow and viscosity); past_vent_m3; pot_m3: of it beyond the vent hoses.
    arrival_m3: when the first vent
    drinks; full_m3: room for resin; all_wet_m3: volume entered when the last place was wet (NaN: not within the march).
    """

    volume_m3: Array
    resistance_per_m3: Array
    past_vent_m3: Array
    pot_m3: Array
    arrival_m3: float
    full_m3: float
    all_wet_m3: float
    wet_at_m3: Array
    points: Array


def _spread(net: Network, filled: Array, over: Array, full: NDArray[np.bool_]) -> tuple[Array, float]:
    """Hand what is too much in some volumes on to their dry neighbours, again and again; returns fillings and the rest.

    filled, over: m3 (n,). What no neighbour can take goes to all dry volumes that resin has reached, else is left over.
    """
    a, b, n = net.a, net.b, len(filled)
    is_throat = np.zeros(n, bool)
    is_throat[net.throat] = True
    for _ in range(CASCADES):
        source = (over > 0) & ~is_throat
        if not source.any():
            break
        dry = filled < net.capacity_m3 * (1 - DRY)
        ab, ba = source[a] & dry[b], source[b] & dry[a]
        frm, to = np.concatenate([a[ab], b[ba]]), np.concatenate([b[ab], a[ba]])
        weight = np.concatenate([net.front[ab], net.front[ba]])
        total = summed(frm, weight, n)
        stuck = source & (total <= 0)
        gain = summed(to, weight * over[frm] / np.maximum(total[frm], 1e-300), n)
        if stuck.any():
            reached = dry & ~is_throat & ((filled > 0) | (gain > 0))
            if not reached.any():
                reached = dry & ~is_throat
            if not reached.any():
                break
            room = np.where(reached, net.capacity_m3 - filled, 0.0)
            gain += room * (over[stuck].sum() / room.sum())
        kept = np.where(is_throat, over, 0.0)
        filled = filled + gain
        over = kept + np.maximum(filled - net.capacity_m3, 0.0)
        filled = np.minimum(filled, net.capacity_m3)
    return filled, float(over.sum())


def march_network(net: Network, past: float = 0.3, shut_early: bool = False, steps: int = STEPS_TO_FULL) -> Marched:
    """Fill until all is wet and `past` of the arrival volume has come on top of arrival (without vents: until full).

    shut_early: a vent that has passed 0.4 % of the volume is shut while another is still dry.
    """
    from scipy.linalg.lapack import dpbsv

    n, capacity = len(net.capacity_m3), net.capacity_m3
    a, b = net.a, net.b
    total = float(capacity.sum())
    filled, wet_at = np.zeros(n), np.full(n, np.nan)
    is_throat = np.zeros(n, bool)
    is_throat[net.throat] = True
    shut = np.zeros(len(net.throat), bool)
    gone = np.zeros(len(net.throat))
    volume, arrival, all_wet = 0.0, np.nan, np.nan
    keep: list[tuple[float, float, float, float]] = []
    fitting = np.array([v.fitting_per_m3 for v in net.vents])
    hose_m3 = np.array([max(v.hose_m3, 1e-12) for v in net.vents])
    hose = np.array([v.hose_per_m3 for v in net.vents])
    place = net.b - net.a
    while len(keep) < 20 * steps:
        share = filled / capacity
        full = share >= 1 - DRY
        dry_bed = ~full & ~is_throat
        both = full[a] & full[b]
        t = net.wet[both]
        diag = summed(a[both], t, n) + summed(b[both], t, n)
        ab, ba = full[a] & ~full[b], full[b] & ~full[a]
        wet, dry = np.concatenate([a[ab], b[ba]]), np.concatenate([b[ab], a[ba]])
        ahead = np.concatenate([net.front[ab], net.front[ba]]) / (
            np.concatenate([net.lag[ab], net.lag[ba]]) + share[dry]
        )
        diag += summed(wet, ahead, n)
        entered = full[net.inlet]
        feed = np.where(entered, net.inlet_wet, net.inlet_front / (0.05 + share[net.inlet]))
        rhs = summed(net.inlet[entered], feed[entered], n)
        diag += rhs
        drinks = full[net.throat] & ~shut
        out = np.where(drinks, 1 / (fitting + hose * np.minimum(gone / hose_m3, 1.0) + 1e-3 / net.wet.max()), 0.0)
        np.add.at(diag, net.throat, out)
        diag[~full] = 1.0
        diag[full & (diag <= 0)] = 1.0
        matrix = np.zeros((net.band + 1, n), order="F")
        matrix[0] = diag
        matrix[place[both], a[both]] = -t
        p, wet_rows = np.zeros(n), np.flatnonzero(full)
        if len(wet_rows):
            span = slice(int(wet_rows[0]), int(wet_rows[-1]) + 1)
            p[span] = dpbsv(matrix[:, span], rhs[span], lower=1, overwrite_ab=1)[1]
        into = summed(dry, ahead * p[wet], n) if len(dry) else np.zeros(n)
        np.add.at(into, net.inlet[~entered], feed[~entered])
        leave = out * p[net.throat]
        flow = float(into.sum() + leave.sum())
        if flow <= 0:
            break
        keep.append((volume, 1 / flow, float(gone.sum()), float(np.maximum(gone - hose_m3, 0.0).sum())))
        settled = not dry_bed.any()
        if settled and np.isnan(all_wet):
            all_wet = volume
        finished = settled if not len(net.throat) else settled and volume >= arrival * (1 + past)
        if finished:
            break
        size = total / steps * (COARSE if settled else 1 / FINE if volume < FINE_UNTIL * total else 1.0)
        if len(net.throat) and not np.isnan(arrival) and volume > (1 + 2 * past) * max(arrival, total):
            break
        dt = size / flow
        more = into * dt
        over = np.maximum(filled + more - capacity, 0.0)
        when = np.where(more > 0, (capacity - filled) / np.maximum(more, 1e-300), 0.0)
        next_filled, rest = _spread(net, np.minimum(filled + more, capacity), over, full)
        newly = (next_filled >= capacity * (1 - DRY)) & ~full
        wet_at[newly] = volume + size * np.clip(when[newly], 0.0, 1.0)
        if np.isnan(arrival) and newly[net.throat].any():
            first = net.throat[newly[net.throat]]
            arrival = float(wet_at[first].min())
            beside = np.isin(a, first) | np.isin(b, first)
            others = np.concatenate([a[beside], b[beside]])
            reached = wet_at[others[~is_throat[others]]]
            if np.isfinite(reached).any():
                arrival = max(min(arrival, volume + size), float(np.nanmin(reached)))
        filled = next_filled
        gone += leave * dt
        if rest > 0 and len(net.throat):
            target = (drinks | newly[net.throat]) & ~shut
            gone += rest * (target / target.sum() if target.any() else 1 / len(gone))
        volume += size
        if shut_early:
            waiting = ~(filled[net.throat] >= net.capacity_m3[net.throat] * (1 - DRY))
            if waiting.any():
                shut |= (gone > SHUT_AFTER * total) & ~waiting
    v, r, g, pot = (np.array(x) for x in zip(*keep, strict=True))
    return Marched(v, r, g, pot, min(arrival, total), total, all_wet, wet_at, net.points)
