"""Inject many shots of one mould at once along its marched curves: pump, line, hose, cover, height, pull, stopping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catchpot.testing.geometry import Array
from catchpot.testing.plates.fill import Marched
from catchpot.testing.plates.mesh import Index
from catchpot.testing.plates.practice import AMBIENT_MBAR, RESIN_KG_M3, Practice

GRAVITY = 9.81
GRID = 900
LONGEST_S = 1500.0
PART_OF_PRESSURE = 0.5
SLUG_AIR = {"flow": 0.85, "pot": 0.5}


@dataclass
class Curves:
    """Curves of single shots (shots, GRID) over volume 0 to reach_m3 (shots,); arrival and room (shots,), m3."""

    reach_m3: Array
    resistance_per_m3: Array
    past_m3: Array
    pot_m3: Array
    arrival_m3: Array
    full_m3: Array

    @staticmethod
    def blended(marched: list[Marched], main: Index, other: Index, weight: Array) -> Curves:
        """Each shot's curve: `main` with a share `weight` of `other`, on volume over arrival volume."""
        reach = min(m.volume_m3[-1] / m.arrival_m3 for m in marched)
        x = np.linspace(0.0, reach, GRID)
        ln_r = np.array([np.log(np.interp(x * m.arrival_m3, m.volume_m3, m.resistance_per_m3)) for m in marched])
        past = np.array([np.interp(x * m.arrival_m3, m.volume_m3, m.past_vent_m3) / m.arrival_m3 for m in marched])
        pot = np.array([np.interp(x * m.arrival_m3, m.volume_m3, m.pot_m3) / m.arrival_m3 for m in marched])
        past[:, x <= 1.0] = pot[:, x <= 1.0] = 0.0
        arrival = np.array([m.arrival_m3 for m in marched])
        late = np.array([m.full_m3 / m.arrival_m3 for m in marched])
        i, j, w = main, other, weight
        mixed = (1 - w) * arrival[i] + w * arrival[j]
        w2 = w[:, None]
        return Curves(
            mixed * reach,
            np.exp((1 - w2) * ln_r[i] + w2 * ln_r[j]),
            mixed[:, None] * ((1 - w2) * past[i] + w2 * past[j]),
            mixed[:, None] * ((1 - w2) * pot[i] + w2 * pot[j]),
            mixed,
            mixed * ((1 - w) * late[i] + w * late[j]),
        )

    def sized(self, size: Array, ease: Array) -> Curves:
        """The same with all volumes times `size` and conductance times `ease` (both (shots,))."""
        return Curves(
            self.reach_m3 * size, self.resistance_per_m3 / ease[:, None], self.past_m3 * size[:, None],
            self.pot_m3 * size[:, None],
            self.arrival_m3 * size, self.full_m3 * size,
        )  # fmt: skip

    def put(self, row: int, one: Curves) -> None:
        """Replace one shot's curve by the only one of another set."""
        self.reach_m3[row], self.arrival_m3[row], self.full_m3[row] = one.reach_m3[0], one.arrival_m3[0], one.full_m3[0]
        self.resistance_per_m3[row] = one.resistance_per_m3[0]
        self.past_m3[row], self.pot_m3[row] = one.past_m3[0], one.pot_m3[0]

    def pot_at(self, volume: Array) -> Array:
        """Volume in the catch pot at each shot's volume."""
        pairs = zip(volume, self.reach_m3, self.pot_m3, strict=True)
        inside = np.array([np.interp(v, np.linspace(0, reach, GRID), pot) for v, reach, pot in pairs])
        return np.where(volume >= self.arrival_m3, inside + np.maximum(volume - self.reach_m3, 0.0), 0.0)

    def at(self, volume: Array) -> tuple[Array, Array, Array]:
        """Resistance, volume past the vent and its slope, at each shot's volume (shots,)."""
        last = GRID - 1
        u = volume / self.reach_m3 * last
        i = np.clip(u.astype(np.intp), 0, last - 1)
        part = np.clip(u - i, 0.0, 1.0)
        row = np.arange(len(volume))
        r = self.resistance_per_m3[row, i] * (1 - part) + self.resistance_per_m3[row, i + 1] * part
        low, high = self.past_m3[row, i], self.past_m3[row, i + 1]
        beyond = np.maximum(volume - self.reach_m3, 0.0)
        drinks = volume >= self.arrival_m3
        slope = np.where(drinks, np.clip((high - low) / (self.reach_m3 / last), 0.0, 1.0), 0.0)
        return r, np.where(drinks, low + (high - low) * part + beyond, 0.0), slope


@dataclass
class Conditions:
    """What holds in each shot (shots,). stop_l: metered volume to stop at; eye_s: seconds after arrival.

    restriction_per_m3: added to the line from restriction_at (share of arrival) on; gel_s: time of an e-fold of
    viscosity from gel_at (share) on; slugs (shots, k): start (share), length s, share of air. longest_s: someone stops
    it then.
    """

    gain: Array
    bed_pa_s: Array
    line_pa_s: Array
    cavity_mbar: Array
    stop_l: Array
    eye_s: Array
    saw_phase: Array
    saw_s: Array
    restriction_per_m3: Array
    restriction_at: Array
    gel_s: Array
    gel_at: Array
    slug_at: Array
    slug_s: Array
    longest_s: Array


@dataclass
class Injected:
    """Channels (shots, steps) at each step's end, from the start of injection; facts (shots,). m3: true volumes."""

    dt_s: float
    metered_l: Array
    line_bar: Array
    cavity_mbar: Array
    stop_s: Array
    end_s: Array
    arrival_l: Array
    arrived: Array
    injected_m3: Array
    past_m3: Array
    pot_m3: Array
    stayed_m3: Array


def inject(curves: Curves, now: Conditions, ways: Practice, dt_s: float = 0.2) -> Injected:
    """March all shots in time until each has stopped and settled."""
    n = len(now.gain)
    bed, hose, cover, metered, true = (np.zeros(n) for _ in range(5))
    stop, arrival_l = np.full(n, np.nan), np.full(n, np.nan)
    arrived_s, slug_from, gel_from = np.full(n, np.inf), np.full(now.slug_at.shape, np.inf), np.full(n, np.inf)
    flow_set = ways.flow_m3_s if ways.pump == "flow" else 1.0
    kept: list[tuple[Array, Array, Array]] = []
    line_pa = np.zeros(n)
    t = 0.0
    while t < LONGEST_S:
        running = np.isnan(stop)
        saw = 2 * (((t / now.saw_s + now.saw_phase) % 1.0) - 0.5) * ways.cavity_saw_mbar
        cavity = now.cavity_mbar + saw
        vacuum = (AMBIENT_MBAR - cavity) * 100
        r, _, leak = curves.at(bed)
        share = bed / curves.arrival_m3
        gel_from = np.where((share >= now.gel_at) & np.isinf(gel_from), t, gel_from)
        thicker = np.exp(np.clip((t - np.where(np.isinf(gel_from), t, gel_from)) / now.gel_s, 0.0, 6.0))
        z_bed = np.maximum(r * now.bed_pa_s * thicker, 1.0)
        into_hose = hose < ways.hose_m3
        filled = np.minimum(hose / ways.hose_m3, 1.0) if ways.hose_m3 > 0 else 1.0
        tight = np.where(share >= now.restriction_at, now.restriction_per_m3, 0.0)
        z_line = now.line_pa_s * (ways.line_per_m3 * (0.2 + 0.8 * filled) + tight)
        wet = np.minimum(share, 1.0)
        head = RESIN_KG_M3 * GRAVITY * ways.height_m * wet**ways.height_power
        pull = vacuum + ways.capillary_pa * (1 - leak) - head
        ramp = min(1.0, (t + dt_s) / ways.ramp_s)
        top = ways.limit_pa * (ramp if ways.pump == "pot" else 1.0) + pull
        slug_from = np.where((share[:, None] >= now.slug_at) & np.isinf(slug_from), t, slug_from)
        in_slug = ((t >= slug_from) & (t < slug_from + now.slug_s)).any(axis=1)
        bubbles = np.where(in_slug & running, SLUG_AIR[ways.pump], 0.0)
        left = np.maximum(now.stop_l * 1e-3 - metered, 0.0) / (now.gain * dt_s)
        wanted = np.where(running, np.minimum(flow_set * ramp, left), 0.0) * (1 - bubbles)
        give = ways.cover_m3_pa * wet * PART_OF_PRESSURE / ways.cover_s
        back = cover / ways.cover_s
        by_flow = np.maximum(wanted + back, 0.0) / (1 + give * z_bed)
        line_pa = z_bed * by_flow + z_line * wanted - pull
        pressed = np.maximum(top + z_line * back, 0.0) / (z_line * (1 + give * z_bed) + z_bed)
        pressed_in = np.maximum(pressed * (1 + give * z_bed) - back, 0.0)
        held = (pressed_in < wanted) & running
        to_bed = np.where(held, pressed, by_flow)
        pumped = np.where(held, np.minimum(pressed_in, left), wanted)
        line_pa = np.where(held, top - pull, line_pa)
        by_hose = np.minimum(wanted, np.maximum(top, 0.0) / np.maximum(z_line, 1.0))
        pumped = np.where(into_hose, by_hose, pumped)
        to_bed = np.where(into_hose, 0.0, to_bed)
        line_pa = np.where(into_hose, z_line * by_hose - vacuum, line_pa)
        before = bed
        bed = bed + to_bed * dt_s
        cover = np.where(into_hose, cover, cover + (pumped - to_bed) * dt_s)
        hose = np.where(into_hose, hose + pumped * dt_s, hose)
        step = pumped * now.gain / (1 - bubbles) * dt_s
        came = (bed >= curves.arrival_m3) & np.isnan(arrival_l)
        part = np.clip((curves.arrival_m3 - before) / np.maximum(bed - before, 1e-15), 0.0, 1.0)
        arrival_l = np.where(came, (metered + part * step) * 1e3, arrival_l)
        arrived_s = np.where(came, t + part * dt_s, arrived_s)
        metered, true = metered + step, true + pumped * dt_s
        t += dt_s
        enough = (metered >= now.stop_l * 1e-3 * (1 - 1e-9)) | (t >= arrived_s + now.eye_s)
        stops = running & (enough | (t >= now.longest_s))
        stop = np.where(stops, t, stop)
        kept.append((metered * 1e3, line_pa / 1e5, cavity))
        if (t >= stop + ways.settle_s).all():
            break
    stop = np.where(np.isnan(stop), t, stop)
    arrived = np.isfinite(arrival_l)
    arrival_l = np.where(arrived, arrival_l, (metered + (curves.arrival_m3 - bed) * now.gain) * 1e3)
    past = curves.at(bed)[1]
    m, p, c = (np.stack(x, axis=1) for x in zip(*kept, strict=True))
    return Injected(
        dt_s,
        m,
        p,
        c,
        stop,
        np.minimum(stop + ways.settle_s, t),
        arrival_l,
        arrived,
        true,
        past,
        curves.pot_at(bed),
        true - past,
    )
