"""March many shots at once through evacuation, holds, injection, packing and settling."""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from catchpot.testing.front import Bed, Front, Step, expected_arrival_m3, vent_conductance, work_rate
from catchpot.testing.geometry import Array, Paths
from catchpot.testing.machine import Machine, inlet_pressure
from catchpot.testing.vacuum import HOLD, HOLD_OPEN, INJECT, Gas, Pressures, advance

T = TypeVar("T")
SLUGS = 6


@dataclass
class Troubles:
    """What goes wrong within a shot, one row a shot; `*_from` is the share of the expected arrival volume it begins at.

    restriction: factor on the line's resistance. gel_s: time in which the bed's viscosity grows e-fold (inf: never).
    slug_from, slug_s (shots, SLUGS): where air slugs begin and how long they last; slug_air: share of air in them.
    vacuum_lost_mbar: rise of the cavity. blocked: share of the vent shut. lift_mm: how far the cover lifts.
    seal_m3_pa_s: resin past the inner seal, per pressure.
    """

    restriction: Array
    restriction_from: Array
    gel_s: Array
    gel_from: Array
    slug_from: Array
    slug_s: Array
    slug_air: Array
    vacuum_lost_mbar: Array
    vacuum_lost_from: Array
    blocked: Array
    blocked_from: Array
    lift_mm: Array
    lift_from: Array
    seal_m3_pa_s: Array

    @staticmethod
    def none(shots: int) -> Troubles:
        """No trouble at all."""
        zero, one, never = np.zeros(shots), np.ones(shots), np.full(shots, np.inf)
        return Troubles(
            restriction=one.copy(),
            restriction_from=never.copy(),
            gel_s=never.copy(),
            gel_from=never.copy(),
            slug_from=np.full((shots, SLUGS), np.inf),
            slug_s=np.zeros((shots, SLUGS)),
            slug_air=np.full(shots, 0.9),
            vacuum_lost_mbar=zero.copy(),
            vacuum_lost_from=never.copy(),
            blocked=zero.copy(),
            blocked_from=never.copy(),
            lift_mm=zero.copy(),
            lift_from=never.copy(),
            seal_m3_pa_s=zero.copy(),
        )


@dataclass
class Shots:
    """Everything the march needs, one row a shot. thickness_mm, porosity: true ones. settle_s: logged after the end."""

    bed: Bed
    machine: Machine
    gas: Gas
    troubles: Troubles
    thickness_mm: Array
    porosity: Array
    settle_s: Array

    def __len__(self) -> int:
        return len(self.thickness_mm)


def rows(data: T, index: Any) -> T:
    """The same nested dataclass of arrays, those rows only."""
    if not is_dataclass(data) or isinstance(data, type):
        raise TypeError("a dataclass of arrays is expected")
    made: dict[str, Any] = {}
    for f in fields(data):
        value = getattr(data, f.name)
        made[f.name] = rows(value, index) if is_dataclass(value) else value[index]
    return type(data)(**made)


@dataclass
class Record:
    """What happened: channels (shots, times) at `t_s` (times,), true and free of noise; and facts (shots,).

    Volumes in l; `metered_*` as the meter counts. NaN where a thing never happened. flow_l_min is the meter's.
    `volume_metered_l` is at the end of each step, the other channels are the step's mean (t_s is its middle).
    """

    t_s: Array
    dt_s: float
    flow_l_min: Array
    line_pressure_bar: Array
    cavity_pressure_mbar: Array
    clamp_pressure_mbar: Array
    isolated: NDArray[np.bool_]
    vent_open: NDArray[np.bool_]
    gap_mm: Array
    share: Array
    volume_metered_l: Array
    inject_from_s: Array
    stop_s: Array
    pack_end_s: Array
    end_s: Array
    arrival_s: Array
    metered_at_arrival_l: Array
    true_at_arrival_l: Array
    metered_at_full_l: Array
    metered_at_stop_l: Array
    true_injected_l: Array
    air_l: Array
    past_vent_l: Array
    catch_pot_l: Array
    past_seal_l: Array
    filled_share: Array
    bed_l: Array
    cover_l: Array
    before_l: Array


def march(paths: Paths, shots: Shots, dt_s: float = 0.25) -> Record:
    """Run all shots together; arrays are kept for every step until the last shot has settled."""
    bed, machine, gas, trouble = shots.bed, shots.machine, shots.gas, shots.troubles
    n = len(shots)
    front, state = Front.dry(bed), Pressures.at_rest(gas)
    expected = expected_arrival_m3(paths, bed)
    nan = np.full(n, np.nan)
    inject_from, stop, pack_end, end, arrival = (nan.copy() for _ in range(5))
    at_arrival, true_at_arrival, at_full, at_stop = (nan.copy() for _ in range(4))
    metered, injected, air, past_seal = (np.zeros(n) for _ in range(4))
    gel_since, slug_since = np.full(n, np.inf), np.full((n, SLUGS), np.inf)
    lift_since, lift, was_loose = np.full(n, np.inf), np.zeros(n), np.zeros(n)
    has_injection = np.any(gas.segment == INJECT, axis=1)
    end = np.where(
        has_injection, np.nan, gas.segment_end_s.max(axis=1, where=np.isfinite(gas.segment_end_s), initial=0.0)
    )
    inlet, full_work = state.cavity * 100.0, paths.work_per_m[bed.path_number][:, None]
    swept, pore_l = np.zeros(n), bed.pore_volume_m3 * 1e3
    kept: list[tuple[Array, ...]] = []
    t = 0.0
    while True:
        running = ~(t >= end)
        if not running.any():
            break
        mid = t + dt_s / 2
        at = np.minimum(np.sum(gas.segment_end_s <= mid, axis=1), gas.segment.shape[1] - 1)
        mode = gas.segment[np.arange(n), at]
        in_shot = (mode == INJECT) & running
        inject_from = np.where(in_shot & np.isnan(inject_from), t, inject_from)
        done = injected / expected
        lost = np.where(in_shot & (done >= trouble.vacuum_lost_from), trouble.vacuum_lost_mbar, 0.0)
        blocked = np.where(in_shot & (done >= trouble.blocked_from), trouble.blocked, 0.0)
        wet_share = np.sum(bed.lane_share * front.share, axis=1)
        past = np.where(in_shot, trouble.seal_m3_pa_s * np.maximum(inlet - state.clamp * 100, 0.0), 0.0)
        after = advance(
            gas, state, mode, dt_s, in_shot & (wet_share > 0), gas.cavity_set + lost, blocked, swept,
            (1 - wet_share) * pore_l, past,
        )  # fmt: skip
        cavity, clamp = (state.cavity + after.cavity) / 2, (state.clamp + after.clamp) / 2
        state = after
        flow, line, vent_open = np.zeros(n), cavity * 100, ~np.isnan(inject_from)
        if in_shot.any():
            injecting = in_shot & np.isnan(stop)
            packing = in_shot & ~np.isnan(stop) & np.isnan(pack_end)
            gel_since = np.where((done >= trouble.gel_from) & np.isinf(gel_since), t, gel_since)
            thicker = np.exp(np.clip((mid - np.where(np.isinf(gel_since), mid, gel_since)) / trouble.gel_s, 0.0, 12.0))
            slug_since = np.where((done[:, None] >= trouble.slug_from) & np.isinf(slug_since), t, slug_since)
            in_slug = np.any((mid >= slug_since) & (mid < slug_since + trouble.slug_s), axis=1)
            bubbles = np.where(in_slug & injecting, trouble.slug_air, 0.0)
            lift_since = np.where((done >= trouble.lift_from) & np.isinf(lift_since), t, lift_since)
            lift = trouble.lift_mm * np.clip((mid - np.where(np.isinf(lift_since), mid, lift_since)) / 5.0, 0.0, 1.0)
            loose = lift / shots.thickness_mm
            opened = shots.porosity + loose
            solid = (1 - shots.porosity) / (1 + loose)
            porosity = 1 - solid
            carman = (porosity / shots.porosity) ** 3 * ((1 - shots.porosity) / solid) ** 2
            loosened = carman * (1 + loose)
            pore = bed.pore_volume_m3 * opened / shots.porosity
            growth = bed.pore_volume_m3 * (loose - was_loose) / shots.porosity * wet_share / dt_s
            was_loose = loose
            viscosity = bed.viscosity_bed_pa_s * thicker
            restriction = np.where(done >= trouble.restriction_from, trouble.restriction, 1.0)
            line_z = bed.viscosity_line_pa_s * bed.line_resistance_per_m3 * restriction
            along = paths.look_up(paths.along, bed.path_number[:, None], front.work)
            shut = ~np.isnan(stop) & (machine.pack_s > 0)
            vent_open = vent_open & ~shut
            out = vent_conductance(paths, bed, front, viscosity, loosened) * (1 - blocked) * ~shut
            step = Step(
                paths, bed, front, dt_s,
                ahead_pa=cavity[:, None] * 100 + bed.head_pa[:, None] * along - bed.capillary_pa[:, None],
                rate=work_rate(bed, viscosity, pore, loosened), pore_m3=pore, growth_m3_s=growth,
                out_m3_pa_s=out, out_pa=cavity * 100 + bed.head_pa, cover_pa=cavity * 100,
                seal_m3_pa_s=np.where(in_shot, trouble.seal_m3_pa_s, 0.0), seal_pa=clamp * 100,
                vent_open=(1 - blocked) * ~shut,
            )  # fmt: skip
            ramp = np.clip((mid - inject_from) / np.maximum(machine.ramp_s, 1e-9), 0.0, 1.0)
            left = np.maximum(machine.programmed_m3 - metered, 0.0) / dt_s
            set_flow = np.minimum(machine.set_flow_m3_s * ramp, left)
            set_flow = np.where(injecting, set_flow, np.where(packing, machine.set_flow_m3_s, 0.0))
            wanted = np.where(in_shot, set_flow / machine.meter_gain * (1 - bubbles), 0.0)
            limit = gas.ambient * 100 + np.where(packing, machine.pack_pa, machine.limit_pa)
            before = front.before_left_m3 > 0
            pressed, pumped = inlet_pressure(step, inlet, np.where(before, 0.0, wanted), limit, line_z)
            room = np.maximum(limit - cavity * 100, 0.0) / np.maximum(line_z, 1e-9)
            into_hose = np.minimum(wanted, room)
            pumped = np.where(before, into_hose, np.where(injecting | packing, pumped, 0.0))
            inlet = np.where(before, cavity * 100, pressed)
            work, share, passed, _ = step.lanes(inlet)
            moving = in_shot & ~before
            new_work = np.where(moving[:, None], work, front.work)
            crossed = pore * np.sum(bed.lane_share * passed, axis=1) / dt_s
            out_q = np.where(moving, out * np.maximum(inlet - step.out_pa, 0.0) + crossed, 0.0)
            cover = np.where(moving, step.cover(inlet)[0], front.cover_m3)
            sealed = np.where(moving, step.seal_m3_pa_s * np.maximum(inlet - step.seal_pa, 0.0), 0.0)
            meter_flow = pumped * machine.meter_gain / (1 - bubbles)
            reached = (new_work >= full_work) & (front.work < full_work)
            newly = reached.any(axis=1) & np.isnan(arrival)
            if newly.any():
                unclipped = front.work + np.maximum(inlet[:, None] - step.ahead_pa, 0.0) * step.rate * dt_s
                part = np.where(reached, (full_work - front.work) / np.maximum(unclipped - front.work, 1e-300), 1.0)
                part = np.where(newly, part.min(axis=1), 0.0)
                arrival = np.where(newly, t + part * dt_s, arrival)
                at_arrival = np.where(newly, metered + part * meter_flow * dt_s, at_arrival)
                true_at_arrival = np.where(newly, injected + part * pumped * dt_s, true_at_arrival)
            all_full = (new_work >= full_work).all(axis=1) & np.isnan(at_full)
            at_full = np.where(all_full, metered + meter_flow * dt_s, at_full)
            over = np.where(before, np.maximum(pumped * dt_s - front.before_left_m3, 0.0), 0.0)
            front = Front(
                new_work, np.where(moving[:, None], share, front.share),
                np.where(before, np.maximum(front.before_left_m3 - pumped * dt_s, 0.0), front.before_left_m3),
                np.minimum(front.vent_hose_m3 + out_q * dt_s, bed.vent_hose_m3),
                front.past_vent_m3 + out_q * dt_s, cover, np.where(before, over, np.where(moving, 0.0, front.carry_m3)),
            )  # fmt: skip
            swept = pumped - out_q
            past_seal = past_seal + sealed * dt_s
            metered = metered + meter_flow * dt_s
            injected = injected + pumped * dt_s
            air = air + meter_flow / machine.meter_gain * bubbles * dt_s
            flow = meter_flow
            line = np.where(in_shot, inlet + line_z * pumped, line)
            leading = np.max(front.work / full_work, axis=1)
            lead_share = paths.look_up(paths.along, bed.path_number, leading * full_work[:, 0])
            stopping = injecting & (
                (metered >= machine.programmed_m3 * (1 - 1e-9))
                | (lead_share >= machine.operator_share)
                | (t + dt_s - inject_from >= machine.longest_s)
            )
            at_stop = np.where(stopping, metered, at_stop)
            stop = np.where(stopping, t + dt_s, stop)
            over_now = ~np.isnan(stop) & np.isnan(pack_end) & (t + dt_s >= stop + machine.pack_s)
            pack_end = np.where(over_now, t + dt_s, pack_end)
            end = np.where(over_now, t + dt_s + shots.settle_s, end)
        line_bar = (line / 100 - gas.ambient) / 1e3
        line_bar = np.where(np.isnan(inject_from), 0.0, line_bar)
        isolated = (mode == HOLD) | (mode == HOLD_OPEN)
        kept.append(
            (flow * 6e4, line_bar, cavity, clamp, isolated, vent_open, lift, wet_share, metered * 1e3)
        )  # fmt: skip
        t += dt_s
    cols = [np.stack(c, axis=1) for c in zip(*kept, strict=True)]
    pore_now = bed.pore_volume_m3 * (1 + was_loose / shots.porosity)
    filled = np.sum(bed.lane_share * front.share, axis=1)
    return Record(
        t_s=np.asarray(np.arange(len(kept)) * dt_s + dt_s / 2, dtype=np.float64), dt_s=dt_s,
        flow_l_min=cols[0], line_pressure_bar=cols[1],
        cavity_pressure_mbar=cols[2], clamp_pressure_mbar=cols[3], isolated=cols[4].astype(bool),
        vent_open=cols[5].astype(bool), gap_mm=cols[6], share=cols[7], volume_metered_l=cols[8],
        inject_from_s=inject_from, stop_s=stop, pack_end_s=pack_end, end_s=end, arrival_s=arrival,
        metered_at_arrival_l=at_arrival * 1e3, true_at_arrival_l=true_at_arrival * 1e3, metered_at_full_l=at_full * 1e3,
        metered_at_stop_l=at_stop * 1e3, true_injected_l=injected * 1e3, air_l=air * 1e3,
        past_vent_l=front.past_vent_m3 * 1e3,
        catch_pot_l=np.maximum(front.past_vent_m3 - bed.vent_hose_m3, 0.0) * 1e3, past_seal_l=past_seal * 1e3,
        filled_share=filled, bed_l=filled * pore_now * 1e3, cover_l=front.cover_m3 * 1e3,
        before_l=(bed.volume_before_m3 - front.before_left_m3 + front.carry_m3) * 1e3,
    )  # fmt: skip
