"""The tables of the two fault analyses."""

from __future__ import annotations

from catchpot.core_tables import FINDING
from catchpot.tables import Column, Table

POINTS = 160
"""Points along the share of the usual arrival volume, 0.005 to 1.1975."""

FAULT_SIGN = Table(
    "fault_sign",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("line_rest_bar", "f64", "bar", "line gauge at rest, before the first flow"),
        Column("line_rest_samples", "i64", "", "readings behind it", 0),
        Column("cavity_rest_mbar", "f64", "mbar", "cavity gauge before evacuation; null where the log begins later"),
        Column("cavity_rest_samples", "i64", "", "readings behind it", 0),
        Column("clamp_rest_mbar", "f64", "mbar", "clamp gauge before evacuation; null where the log begins later"),
        Column("ambient_logged_mbar", "f64", "mbar", "ambient pressure where a barometer is logged"),
        Column("cavity_least_mbar", "f64", "mbar", "lowest cavity pressure that lasted"),
        Column("clamp_least_mbar", "f64", "mbar", "lowest clamp pressure that lasted"),
        Column("slugs", "i64", "", "times the driving pressure collapsed with the meter turning", 0),
        Column("slugs_from_volume_l", "f64", "l", "where the first began"),
        Column("slugs_to_volume_l", "f64", "l", "where the last ended"),
        Column("slugs_s", "f64", "s", "how long they lasted together", 0.0),
        Column("slugs_depth_pct", "f64", "%", "most of the driving pressure that was gone", 0.0),
        Column("still_channel", "str", "", "channel that stood still during injection; null where none did"),
        Column("still_s", "f64", "s", "for how long", 0.0),
        Column("still_samples", "i64", "", "readings that were one and the same", 0),
        Column("still_value", "f64", "", "the reading, in the channel's unit"),
        Column("still_from_volume_l", "f64", "l", "where it began"),
        Column("still_to_volume_l", "f64", "l", "where it ended"),
        Column("still_log10_chance", "f64", "", "chance of so long a run in a sound channel, power of ten", None, 0.0),
    ),
    doc="what the samples of a shot themselves show",
)

FAULT_EVIDENCE = Table(
    "fault_evidence",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        Column("usual_shots", "i64", "", "healthy shots behind the usual curve; below 8 only physics judged", 0),
        Column("usual_arrival_l", "f64", "l", "the mould's usual arrival volume at that time", 0.0),
        Column("resistance_pct", "f64", "%", "bed's resistance against what was expected of this shot"),
        Column("resistance_scatter_pct", "f64", "%", "usual scatter of that from shot to shot", 0.0),
        Column("arrival_pct", "f64", "%", "arrival volume against the usual one"),
        Column("arrival_scatter_pct", "f64", "%", "usual scatter of that from shot to shot", 0.0),
        Column("step_pct", "f64", "%", "sudden rise of resistance within the shot"),
        Column(
            "growth_s", "f64", "s", "time in which the viscosity would have grown e-fold; null where it did not grow"
        ),
        Column("cavity_rise_mbar", "f64", "mbar", "rise of the cavity pressure before resin arrived"),
        Column("t2", "f64", "", "Hotelling's T2 of the whole curve", 0.0),
        Column("t2_limit", "f64", "", "its limit for a new healthy shot", 0.0),
        Column("squared_residual", "f64", "", "squared residual of the whole curve", 0.0),
        Column("squared_residual_limit", "f64", "", "its limit for a new healthy shot", 0.0),
        Column("false_alarm_pct", "f64", "%", "share of healthy shots beyond either limit, by bootstrap", 0.0, 100.0),
        Column("false_alarm_low_pct", "f64", "%", "lower end of its 95 % interval", 0.0, 100.0),
        Column("false_alarm_high_pct", "f64", "%", "upper end of its 95 % interval", 0.0, 100.0),
    ),
    doc="what each shot's curve was held against, and how far it lay off",
)

ODD_CURVE = Table(
    "odd_curve",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        Column("usual_arrival_l", "f64", "l", "what the share of the usual arrival volume is a share of", 0.0),
        Column("resistance_bar_min_l", f"f64[{POINTS}]", "bar min/l", "the shot's resistance"),
        Column("usual_bar_min_l", f"f64[{POINTS}]", "bar min/l", "usual resistance at this shot's viscosity"),
        Column("usual_low_bar_min_l", f"f64[{POINTS}]", "bar min/l", "lower edge of the usual band, 95 %"),
        Column("usual_high_bar_min_l", f"f64[{POINTS}]", "bar min/l", "upper edge of the usual band, 95 %"),
        Column("share_resistance_pct", f"f64[{POINTS}]", "%", "part of what is unusual, in the resistance"),
        Column("share_flow_pct", f"f64[{POINTS}]", "%", "part of what is unusual, in the flow"),
        Column("share_line_pressure_pct", f"f64[{POINTS}]", "%", "part of what is unusual, in the line pressure"),
        Column("share_cavity_pressure_pct", f"f64[{POINTS}]", "%", "part of what is unusual, in the cavity pressure"),
    ),
    doc="curves of the shots with a finding, on the usual band of their day; share of the usual arrival volume "
    "0.005, 0.0125 ... 1.1975",
)

SIGN_TABLES = (FAULT_SIGN,)
FAULT_TABLES = (FINDING, FAULT_EVIDENCE, ODD_CURVE)

__all__ = ["FAULT_EVIDENCE", "FAULT_SIGN", "FAULT_TABLES", "ODD_CURVE", "POINTS", "SIGN_TABLES"]
