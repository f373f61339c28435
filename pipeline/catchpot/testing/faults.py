"""Faults written into the inputs of single shots, each by its severity dial."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catchpot.testing.front import Bed, lane_curve
from catchpot.testing.geometry import Array, Paths
from catchpot.testing.march import SLUGS, Shots, rows
from catchpot.testing.scenario import Fault, Mould


def race_track(paths: Paths, bed: Bed, share: float) -> tuple[Array, Array]:
    """Lanes (share, factor; shape (lanes,)) with an edge so open that `share` of the bed's resistance is taken off.

    The edge is a tenth of the width. The dial is the mean, over the volume from a twentieth of the raced shot's arrival
    to all of it, of 1 - resistance raced over resistance healthy at the same volume. One-row bed.
    """
    edge = 0.1
    lanes = np.concatenate([bed.lane_share[0] * (1 - edge), [edge]])
    volume, healthy, _ = lane_curve(paths, bed, 120)

    def taken(factor: float) -> float:
        factors = np.concatenate([bed.lane_factor[0], [factor]])
        raced = Bed(**{**vars(bed), "lane_share": lanes[None], "lane_factor": factors[None]})
        v, r, _ = lane_curve(paths, raced, 120)
        even = np.linspace(0.05, 1.0, 40) * v[0, -1]
        return float(np.mean(1 - np.interp(even, v[0], r[0]) / np.interp(even, volume[0], healthy[0])))

    low, high = 1.0, 400.0
    for _ in range(40):
        middle = np.sqrt(low * high)
        low, high = (middle, high) if taken(middle) < share else (low, middle)
    return lanes, np.concatenate([bed.lane_factor[0], [np.sqrt(low * high)]])


def _pad_lanes(bed: Bed, lanes: int) -> None:
    """Make room for more lanes; lanes without width change nothing."""
    more = lanes - bed.lane_share.shape[1]
    if more > 0:
        n = len(bed.lane_share)
        bed.lane_share = np.concatenate([bed.lane_share, np.zeros((n, more))], axis=1)
        bed.lane_factor = np.concatenate([bed.lane_factor, np.repeat(bed.lane_factor[:, :1], more, axis=1)], axis=1)


def apply_faults(
    faults: Sequence[Fault],
    mould: Mould,
    shots: Shots,
    truth: dict[str, Array],
    paths: Paths,
    alone: Bed,
    path_number: int,
    arrival_l: Array,
) -> dict[int, float]:
    """Change the inputs of the shots that have a fault; returns each fault's share of the arrival volume it begins at.

    paths, alone: the mould's one path and the beds with path number 0. Faults of sensors and of the catalyst leave the
    march alone; `sensors` applies them.
    """
    begins: dict[int, float] = {}
    if any(f.kind == "race_tracking" for f in faults):
        _pad_lanes(shots.bed, shots.bed.lane_share.shape[1] + 1)
    machine, gas, trouble = shots.machine, shots.gas, shots.troubles
    for number, f in enumerate(faults):
        i = f.shot
        begins[number] = 0.0
        if f.kind == "race_tracking":
            lanes, factor = race_track(paths, rows(alone, np.array([i])), f.severity)
            shots.bed.lane_share[i, : len(lanes)] = lanes
            shots.bed.lane_factor[i, : len(lanes)] = factor
        elif f.kind == "flow_restriction":
            trouble.restriction[i], trouble.restriction_from[i] = f.severity, f.begins
        elif f.kind == "early_gel":
            trouble.gel_s[i], trouble.gel_from[i] = f.severity, f.begins
        elif f.kind == "air_in_line":
            slugs = min(round(f.severity), SLUGS)
            trouble.slug_from[i, :slugs] = f.begins + np.arange(slugs) * f.span / max(slugs, 1)
            trouble.slug_s[i, :slugs] = f.lasts_s
        elif f.kind in ("short_fill", "stopped_before_vent"):
            machine.programmed_m3[i] = arrival_l[i] * (1 - f.severity) * machine.meter_gain[i] * 1e-3
            machine.operator_share[i] = 2.0
            machine.pack_s[i] = 0.0
            begins[number] = 1 - f.severity
        elif f.kind == "overfill":
            machine.programmed_m3[i] = (
                (arrival_l[i] * (1 + f.severity) + mould.bleed_target_l) * machine.meter_gain[i] * 1e-3
            )
            machine.operator_share[i] = 2.0
            begins[number] = 1.0
        elif f.kind == "clamp_margin_low":
            gas.clamp_set[i] += f.severity
        elif f.kind == "cover_lifting":
            trouble.lift_mm[i], trouble.lift_from[i] = f.severity, f.begins
        elif f.kind == "vent_blocked":
            trouble.blocked[i], trouble.blocked_from[i] = f.severity, f.begins
        elif f.kind == "vacuum_lost":
            trouble.vacuum_lost_mbar[i], trouble.vacuum_lost_from[i] = f.severity, f.begins
        elif f.kind in ("outer_seal_leak", "inner_seal_leak", "cavity_leak"):
            name = f.kind.split("_")[0]
            getattr(gas, name)[i] += f.severity
            truth[f"{name}_leak_mbar_l_s"][i] += f.severity
        if f.kind in (
            "flow_restriction", "early_gel", "air_in_line", "cover_lifting", "vent_blocked", "vacuum_lost", "ratio_off",
            "catalyst_starved", "sensor_stuck",
        ):  # fmt: skip
            begins[number] = f.begins
    return begins
