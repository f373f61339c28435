"""Two gas volumes, clamp channel and cavity, with leaks, outgassing, pumps and hold checks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.testing.geometry import Array

# What the valves do in a segment of the shot.
REST, CLAMP_ONLY, HOLD_OPEN, EVACUATE, HOLD, INJECT, MIDDLE = range(7)
SEGMENTS = 9

CLAMP_REF, CAVITY_REF, AMBIENT_REF = 50.0, 550.0, 1013.0  # mbar: the reference states of `seal_leak`


@dataclass
class Gas:
    """One row a shot. Pressures mbar absolute, volumes l, leaks mbar l/s at the reference states.

    outer, inner, cavity: leaks at the reference states; outer includes the clamp line's fittings. *_choked: share of
    the leak that follows the choked law, the rest is laminar. squeeze: relative rise of the outer leak with the cavity
    at ambient instead of 550 mbar. wetted: factor on the inner leak once resin is in. clamp_set, clamp_band:
    pressure and band of the switching pump; clamp_receiver: a central receiver or bleed regulator holds it instead.
    pump_l_s, cavity_pump_l_s: speed. cavity_set. outgas, outgas_s: into the cavity at first, and its time constant.
    warming_k_s: gas temperature drift in holds. segment, segment_end_s (shots, SEGMENTS): what follows what;
    the last is INJECT and ends with the shot. MIDDLE draws the cavity half way only.
    """

    ambient: Array
    clamp_volume: Array
    cavity_volume: Array
    outer: Array
    inner: Array
    cavity: Array
    outer_choked: Array
    inner_choked: Array
    cavity_choked: Array
    squeeze: Array
    wetted: Array
    clamp_set: Array
    clamp_band: Array
    clamp_receiver: Array
    pump_l_s: Array
    cavity_set: Array
    cavity_pump_l_s: Array
    outgas: Array
    outgas_s: Array
    warming_k_s: Array
    segment: NDArray[np.intp]
    segment_end_s: Array


def choked_flow(high: Array, low: Array) -> Array:
    """Relative flow of air through an orifice from high to low pressure; proportional to `high` where choked."""
    ratio = np.clip(low / np.maximum(high, 1e-9), 0.0, 1.0)
    critical = (2 / 2.4) ** 3.5
    r = np.maximum(ratio, critical)
    return np.asarray(high * np.sqrt(np.maximum(r ** (2 / 1.4) - r ** (2.4 / 1.4), 0.0)))


def leak(at_reference: Array, choked: Array, high: Array, low: Array, high_ref: float, low_ref: float) -> Array:
    """Leak between two pressures, from its value at the reference state; against the usual direction it is negative.

    Laminar leaks go with the difference of squared pressures.
    """
    laminar = (high**2 - low**2) / (high_ref**2 - low_ref**2)
    top, bottom = np.maximum(high, low), np.minimum(high, low)
    unit = float(choked_flow(np.array(high_ref), np.array(low_ref)))
    orifice = np.sign(high - low) * choked_flow(top, bottom) / unit
    return np.asarray(at_reference * (choked * orifice + (1 - choked) * laminar))


@dataclass
class Pressures:
    """State of the gas: clamp, cavity (mbar), whether the clamp pump runs, seconds since the cavity was pumped."""

    clamp: Array
    cavity: Array
    pumping: NDArray[np.bool_]
    pumped_s: Array

    @staticmethod
    def at_rest(gas: Gas) -> Pressures:
        """Everything at ambient."""
        return Pressures(
            gas.ambient.copy(), gas.ambient.copy(), np.ones(len(gas.ambient), bool), np.zeros_like(gas.ambient)
        )


def advance(
    gas: Gas,
    state: Pressures,
    mode: NDArray[np.intp],
    dt_s: float,
    wet: NDArray[np.bool_],
    cavity_set: Array,
    blocked: Array,
    swept_m3_s: Array,
    free_l: Array,
    seal_m3_s: Array,
) -> Pressures:
    """One step of both volumes.

    wet: resin is at the inner seal. cavity_set: of this moment (a lost vacuum raises it). blocked: share of the vent
    that is shut. swept_m3_s, free_l: resin entering and gas space ahead of it, which a blocked vent compresses.
    seal_m3_s: resin running past the inner seal into the clamp channel.
    """
    clamp, cavity = state.clamp, state.cavity
    open_cavity = (mode == REST) | (mode == CLAMP_ONLY) | (mode == HOLD_OPEN)
    hold = (mode == HOLD) | (mode == HOLD_OPEN)
    loose = 1 + gas.squeeze * np.clip((cavity - CAVITY_REF) / (AMBIENT_REF - CAVITY_REF), -0.5, 1.2)
    outer = leak(gas.outer * loose, gas.outer_choked, gas.ambient, clamp, AMBIENT_REF, CLAMP_REF)
    inner = leak(gas.inner * np.where(wet, gas.wetted, 1.0), gas.inner_choked, cavity, clamp, CAVITY_REF, CLAMP_REF)
    fittings = leak(gas.cavity, gas.cavity_choked, gas.ambient, cavity, AMBIENT_REF, CAVITY_REF)
    outgas = gas.outgas * np.exp(-state.pumped_s / gas.outgas_s)
    warm = np.where(hold, gas.warming_k_s / 293.0, 0.0)
    seal_l_s = seal_m3_s * 1e3

    new_clamp = clamp + dt_s * ((outer + inner + clamp * seal_l_s) / gas.clamp_volume + clamp * warm)
    base = np.where(gas.clamp_receiver > 0, gas.clamp_set, np.maximum(gas.clamp_set - 30.0, 5.0))
    drawn = base + (new_clamp - base) * np.exp(-gas.pump_l_s * dt_s / gas.clamp_volume)
    switching = np.where(state.pumping, new_clamp > gas.clamp_set, new_clamp > gas.clamp_set + gas.clamp_band)
    on = (mode != REST) & ~hold & (switching | (gas.clamp_receiver > 0))
    new_clamp = np.where(on, drawn, new_clamp)
    new_clamp = np.where(mode == REST, gas.ambient, new_clamp)

    squeezed = blocked * cavity * swept_m3_s * 1e3 / np.maximum(free_l, 0.02 * gas.cavity_volume)
    new_cavity = cavity + dt_s * ((fittings - inner + outgas) / gas.cavity_volume + cavity * warm + squeezed)
    speed = gas.cavity_pump_l_s * (1 - blocked) / gas.cavity_volume
    pulled = cavity_set + (new_cavity - cavity_set) * np.exp(-speed * dt_s)
    half_way = (gas.ambient + gas.cavity_set) / 2
    halved = half_way + (new_cavity - half_way) * np.exp(-speed * dt_s)
    new_cavity = np.where((mode == EVACUATE) | (mode == INJECT), pulled, new_cavity)
    new_cavity = np.where(mode == MIDDLE, halved, new_cavity)
    new_cavity = np.where(open_cavity, gas.ambient, new_cavity)
    pumped = state.pumped_s + np.where(open_cavity, 0.0, dt_s)
    return Pressures(new_clamp, new_cavity, np.asarray(on), pumped)
