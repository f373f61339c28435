"""The kinds of fault this plugin knows; one file each, registered here as anyone's would be."""

from __future__ import annotations

from catchpot_faults.hypothesis import register
from catchpot_faults.kinds.air_in_line import AirInLine
from catchpot_faults.kinds.catalyst import CatalystStarved, RatioOff
from catchpot_faults.kinds.cavity_pressure import VacuumLost, VentBlocked
from catchpot_faults.kinds.clamp_margin_low import ClampMarginLow
from catchpot_faults.kinds.cover_lifting import CoverLifting
from catchpot_faults.kinds.early_gel import EarlyGel
from catchpot_faults.kinds.flow_restriction import FlowRestriction
from catchpot_faults.kinds.gauges import SensorOffset, SensorStuck
from catchpot_faults.kinds.race_tracking import RaceTracking
from catchpot_faults.kinds.unusual_shape import UnusualShape
from catchpot_faults.kinds.volumes import Overfill, ShortFill, StoppedBeforeVent

OURS = tuple(
    register(kind())
    for kind in (
        RaceTracking, FlowRestriction, EarlyGel, CoverLifting, AirInLine, ShortFill, Overfill, StoppedBeforeVent,
        RatioOff, CatalystStarved, VacuumLost, VentBlocked, ClampMarginLow, SensorStuck, SensorOffset, UnusualShape,
    )
)  # fmt: skip

__all__ = ["OURS"]
