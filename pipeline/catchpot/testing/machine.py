"""The injection machine: a pump with a set flow and a pressure limit, which stops on its own meter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catchpot.testing.front import Step
from catchpot.testing.geometry import Array


@dataclass
class Machine:
    """One row a shot; SI units, volumes and flows as the meter counts them.

    meter_gain: metered over true volume. set_flow_m3_s: metered. limit_pa: line pressure limit, gauge.
    ramp_s: time to reach the set flow. programmed_m3: metered volume at which it stops. operator_share: filled share of
    the leading lane at which the operator stops (2: never). pack_s, pack_pa: after the stop, vent shut, that pressure
    (gauge) is held so long. ripple, ripple_hz: relative size and frequency of the pump's ripple. longest_s: gives up.
    """

    meter_gain: Array
    set_flow_m3_s: Array
    limit_pa: Array
    ramp_s: Array
    programmed_m3: Array
    operator_share: Array
    pack_s: Array
    pack_pa: Array
    ripple: Array
    ripple_hz: Array
    longest_s: Array


def inlet_pressure(
    step: Step, start_pa: Array, wanted_m3_s: Array, limit_pa: Array, line_pa_s_m3: Array
) -> tuple[Array, Array]:
    """Inlet pressure (Pa, absolute) and true pump flow of a step.

    The pump gives `wanted_m3_s` or what keeps the line pressure at `limit_pa` (absolute), whichever is less.
    Both conditions rise with the pressure and are concave, so Newton's steps close in from below.
    """
    carry = step.front.carry_m3 / step.dt_s
    floor = np.minimum(step.ahead_pa.min(axis=1), step.out_pa)
    p = np.maximum(start_pa, floor + 1.0)
    q = np.zeros_like(p)
    for _ in range(40):
        q, dq = step.flow(p)
        by_flow = p - (q - carry - wanted_m3_s) / np.maximum(dq, 1e-20)
        by_pressure = p - (p + line_pa_s_m3 * (q - carry) - limit_pa) / (1 + line_pa_s_m3 * dq)
        ahead = np.minimum(by_flow, by_pressure)
        ahead = np.maximum(ahead, floor + 0.05 * (p - floor))
        done = np.abs(ahead - p) <= 1e-3 + 1e-7 * np.abs(p)
        p = ahead
        if bool(done.all()):
            break
    q, _ = step.flow(p)
    return p, np.maximum(q - carry, 0.0)
