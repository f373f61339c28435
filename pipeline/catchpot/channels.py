"""The channels of a log: name, unit, plausible range. The canonical units of everything past the door."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Channel:
    """A log channel.

    reference: what a pressure is kept against, "gauge" or "absolute"; None for the rest.
    low, high: readings outside are physically impossible for a sound sensor (said as log quality, never clipped).
    """

    name: str
    unit: str
    doc: str
    low: float
    high: float
    required: bool = False
    reference: Literal["gauge", "absolute"] | None = None


CHANNELS: tuple[Channel, ...] = (
    Channel("flow_l_min", "l/min", "flow of mixed resin into the mould", -0.5, 200.0, required=True),
    Channel("line_pressure_bar", "bar", "line pressure at the mix head, gauge", -1.1, 20.0, True, "gauge"),
    Channel("cavity_pressure_mbar", "mbar", "cavity pressure at the vent, absolute", -5.0, 2500.0, True, "absolute"),
    Channel(
        "clamp_pressure_mbar",
        "mbar",
        "clamp pressure between outer and inner seal, absolute",
        -5.0,
        1200.0,
        False,
        "absolute",
    ),
    Channel("resin_temp_c", "deg C", "resin temperature", -20.0, 120.0),
    Channel("mould_temp_c", "deg C", "mould temperature", -20.0, 200.0),
    Channel("catalyst_flow_ml_min", "ml/min", "catalyst flow", -5.0, 5000.0),
    Channel("pump_strokes", "strokes", "pump strokes counted so far", 0.0, 1e6),
    Channel("vent_open", "0/1", "1 while the vent is open", 0.0, 1.0),
    Channel("resin_at_vent", "0/1", "1 once resin is seen at the vent", 0.0, 1.0),
    Channel("flange_gap_mm", "mm", "gap at the flange", -5.0, 50.0),
    Channel("ambient_pressure_mbar", "mbar", "ambient pressure, absolute", 500.0, 1100.0, False, "absolute"),
    Channel("vacuum_isolated", "0/1", "1 while both vacuum lines are shut for a hold check", 0.0, 1.0),
)
BY_NAME = {c.name: c for c in CHANNELS}
REQUIRED = tuple(c.name for c in CHANNELS if c.required)
OPTIONAL = tuple(c.name for c in CHANNELS if not c.required)
