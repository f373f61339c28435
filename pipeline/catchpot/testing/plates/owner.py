"""What the owner of a made-up plate writes into the mould book: taped lengths, nearest fill, nominal thickness."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.random import Generator

from catchpot.testing.plates.bed import FIBRE_KG_M3, Bed
from catchpot.testing.plates.fill import Marched
from catchpot.testing.plates.outline import Feed, Outline, inside

AREA_WITHIN = 0.03
LENGTH_WITHIN = 0.04
GEL_TIME_S = 2400


def _side_length(outline: Outline, side: int) -> float:
    a, b = outline.corners[side], outline.corners[(side + 1) % len(outline.corners)]
    return float(np.hypot(*(b - a)))


def _from_feed(outline: Outline, feed: Feed, points: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    """Straight distance from the feed to the farthest of some points."""
    if feed.kind == "port":
        return float(np.max(np.hypot(*(points - np.array(feed.at)).T)))
    a = outline.corners[list(feed.sides)]
    b = outline.corners[[(s + 1) % len(outline.corners) for s in feed.sides]]
    d = b - a
    away = []
    for p in points:
        share = np.clip(np.sum((p - a) * d, axis=1) / np.sum(d * d, axis=1), 0.0, 1.0)
        away.append(float(np.min(np.hypot(*(a + share[:, None] * d - p).T))))
    return max(away)


def _port_share(outline: Outline, feed: Feed) -> float:
    """Share of a full circle the port opens into, as an owner sees it: 1 inside, 1/4 in a corner, 1/2 at an edge."""
    reach = 0.12 * float(np.sqrt(outline.area_m2))
    t = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    ring = np.array(feed.at) + reach * np.stack([np.cos(t), np.sin(t)], axis=1)
    share = float(inside(outline.corners, ring).mean())
    return min((0.25, 0.5, 1.0), key=lambda s: abs(s - share))


def book_entry(rng: Generator, bed: Bed, trial: Marched) -> dict[str, Any]:
    """Keys of moulds.toml for a plate: area within 3 %, lengths within 4 %, ribs and gaps unknown to it.

    A core is booked where there is one (then the thickness is the mean one); hose and runner only sometimes.
    """
    outline, feed = bed.outline, bed.outline.feed
    vents = np.array([v.at for v in bed.vents])
    area = outline.area_m2 * (1 + rng.uniform(-AREA_WITHIN, AREA_WITHIN))
    taped = 1 + rng.uniform(-LENGTH_WITHIN, LENGTH_WITHIN, 2)
    around = len(feed.sides) == len(outline.corners)
    if feed.kind == "port":
        fill, width = "radial", 2 * np.pi * feed.radius_m * _port_share(outline, feed)
    elif around:
        fill, width = "peripheral", outline.perimeter_m
    else:
        fill, width = "linear", sum(_side_length(outline, s) for s in feed.sides)
    length = _from_feed(outline, feed, vents)
    if outline.family == "bend":
        length = outline.area_m2 / width
    width, length = width * taped[0], length * taped[1]
    length = min(length, 1.96 * area / width)
    thickness = bed.thickness_m
    made: dict[str, Any] = {
        "resin": "ve-p", "fill": fill, "inlet_width_m": round(float(width), 4),
        "flow_length_m": round(float(length), 3), "part_area_m2": round(float(area), 4),
    }  # fmt: skip
    core_l = 0.0
    for core in bed.cores:
        low = np.array(core.middle) - np.array(core.half)
        high = np.array(core.middle) + np.array(core.half)
        x, y = np.meshgrid(np.linspace(low[0], high[0], 60), np.linspace(low[1], high[1], 60))
        grid = np.stack([x.ravel(), y.ravel()], axis=1)
        here = core.share(grid) * inside(outline.corners, grid)
        for hole in outline.holes:
            here = here * ~inside(hole, grid)
        core_l += float(here.mean()) * 4 * core.half[0] * core.half[1] * core.thickness_m * 1e3
    made["thickness_mm"] = round((thickness + core_l * 1e-3 / outline.area_m2) * 1e3, 2)
    made["fibre_areal_weight_g_m2"] = round(bed.areal_weight_kg_m2 * 1e3)
    made["fibre_density_kg_m3"] = FIBRE_KG_M3
    if core_l > 0:
        made["core_volume_l"], made["core_uptake_fraction"] = round(core_l, 4), 0.5
    hose_l = sum(v.hose_m3 for v in bed.vents) * 1e3
    if hose_l > 0 and rng.random() < 0.6:
        made["vent_hose_volume_l"] = round(hose_l * float(rng.uniform(0.9, 1.1)), 3)
    if feed.kind == "runner" and rng.random() < 0.6:
        runner_l = feed.runner_area_m2 * sum(_side_length(outline, s) for s in feed.sides) * 1e3
        made["runner_volume_l"] = round(runner_l * float(rng.uniform(0.85, 1.15)), 3)
    made["gel_time_s"] = GEL_TIME_S
    return made
