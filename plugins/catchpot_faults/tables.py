"""The tables of the two fault analyses."""

from __future__ import annotations

from catchpot.core_tables import FINDING
from catchpot.tables import Column, Table

POINTS = 75
"""Points along the volume, a fiftieth of the mould's first shot apart."""

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
        Column("usual_shots", "i64", "", "shots that the usual curve was learned from; 0: no curve judged", 0),
        Column("chance_healthy_pct", "f64", "%", "chance that nothing is wrong with it", 0.0, 100.0),
        Column("resistance_pct", "f64", "%", "level of its resistance against what was expected of this shot"),
        Column("resistance_scatter_pct", "f64", "%", "usual scatter of that from shot to shot", 0.0),
    ),
    doc="how each shot was judged",
)

FAULT_ODDS = Table(
    "fault_odds",
    ("shot", "kind"),
    (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        Column("kind", "str", "", "the finding's kind"),
        Column("chance_pct", "f64", "%", "its chance, among the kinds of its channels and healthy", 0.0, 100.0),
        Column("log_odds_before", "f64", "", "natural log of the odds for it before anything was seen"),
        Column("log_ratio", "f64", "", "log likelihood ratio against healthy, all channels in one sum"),
        Column("by_channel", "str", "", "what each channel adds to it"),
        Column("parameters", "str", "", "the likeliest parameters of the kind's model"),
        Column("runner_up", "str", "", "next likeliest explanation, or healthy"),
        Column("runner_up_chance_pct", "f64", "%", "its chance", 0.0, 100.0),
        Column("settles", "str", "", "what would settle it"),
    ),
    doc="the evidence behind each finding of `faults`",
)

ODD_CURVE = Table(
    "odd_curve",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        Column("usual_arrival_l", "f64", "l", "volume at which resin arrives in a usual shot", 0.0),
        Column("vol_l", f"f64[{POINTS}]", "l", "metered volume of the points", 0.0),
        Column("resistance_bar_min_l", f"f64[{POINTS}]", "bar min/l", "the shot's resistance"),
        Column("usual_bar_min_l", f"f64[{POINTS}]", "bar min/l", "what was expected of it, healthy"),
        Column("usual_low_bar_min_l", f"f64[{POINTS}]", "bar min/l", "lower edge of that, 95 %"),
        Column("usual_high_bar_min_l", f"f64[{POINTS}]", "bar min/l", "upper edge of that, 95 %"),
        Column("fault_bar_min_l", f"f64[{POINTS}]", "bar min/l", "what the named fault makes of the expected curve"),
    ),
    doc="curves of the shots with a finding, on what was expected of them",
)

SIGN_TABLES = (FAULT_SIGN,)
FAULT_TABLES = (FINDING, FAULT_EVIDENCE, FAULT_ODDS, ODD_CURVE)

__all__ = ["FAULT_EVIDENCE", "FAULT_ODDS", "FAULT_SIGN", "FAULT_TABLES", "ODD_CURVE", "POINTS", "SIGN_TABLES"]
