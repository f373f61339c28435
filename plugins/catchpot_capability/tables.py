"""The tables of the capability analyses."""

from __future__ import annotations

from catchpot.tables import Column, Table

_KEY = (
    Column("mould", "str", "", "the mould"),
    Column("month", "str", "", "calendar month in the workshop's time zone, as 2026-10"),
    Column("measure", "str", "", "the measure: a column of a shot table"),
)


def _indices(of: str = "") -> tuple[Column, ...]:
    said = {
        "cp": "Cp: width of the limits over the spread from shot to shot; null with one limit",
        "cpk": "Cpk: distance to the nearer limit over the spread from shot to shot",
        "pp": "Pp: width of the limits over the spread over the month; null with one limit",
        "ppk": "Ppk: distance to the nearer limit over the spread over the month",
    }
    made: list[Column] = []
    for name, doc in said.items():
        made += [
            Column(name, "f64", "", doc + of),
            Column(f"{name}_low", "f64", "", f"lower end of the 95 % interval of {name.capitalize()}"),
            Column(f"{name}_high", "f64", "", f"upper end of the 95 % interval of {name.capitalize()}"),
        ]
    return tuple(made)


CAPABILITY = Table(
    "capability",
    ("mould", "month", "measure"),
    (
        *_KEY,
        Column("n", "i64", "", "shots of the month with this measure", 0),
        Column("mean", "f64", "", "mean, in the measure's unit"),
        Column("sd_shot_to_shot", "f64", "", "spread from shot to shot (mean moving range / 1.128)", 0.0),
        Column("sd_total", "f64", "", "spread over the month (s.d. of all its shots)", 0.0),
        *_indices(),
        Column("method", "str", "", "law and form the indices were found by, in words"),
        Column("law", "str", "", "the law named: normal, lognormal, gamma, weibull, shifted, mixed; empty for none"),
        Column("law_reason", "str", "", "why that law, by the stated rule"),
        Column("unit", "str", "", "unit of the measure"),
        Column("label", "str", "", "the measure in words"),
        Column("lower_limit", "f64", "", "lower specification limit in force on the month's last day; null for none"),
        Column("upper_limit", "f64", "", "upper specification limit in force on the month's last day; null for none"),
        Column("outside", "i64", "", "shots beyond a specification limit", 0),
        Column("by_count", "f64", "", "index (-z/3) of the share of shots outside, by the count alone; null for none"),
        Column("by_count_low", "f64", "", "its lower end (95 %, exact binomial): holds under any law, and is wide"),
        Column("by_count_high", "f64", "", "its upper end; null where no shot was outside"),
        Column(
            "gauge_sd", "f64", "", "scatter of the gauge by repeat readings, in the measure's unit; null for none", 0.0
        ),
        Column("ppk_without_gauge", "f64", "", "Ppk with the gauge's scatter taken out"),
        Column("ppk_without_gauge_low", "f64", "", "lower end of its 95 % interval"),
        Column("ppk_without_gauge_high", "f64", "", "upper end; null where the gauge may explain all the spread"),
        Column("expected_outside_pct", "f64", "%", "share the fitted curve expects outside", 0.0, 100.0),
        Column("expected_outside_low_pct", "f64", "%", "lower end of its 95 % interval", 0.0, 100.0),
        Column("expected_outside_high_pct", "f64", "%", "upper end of it", 0.0, 100.0),
        Column("steady", "bool", "", "whether the month was steady; null with fewer than 5 shots"),
        Column("meaningful", "bool", "", "whether the indices say what the mould can do: steady, and a curve fits"),
        Column("unsteady_because", "str", "", "what spoke against a steady month, in words"),
        Column("changed_at", "datetime", "", "first shot after a step or trend within the month"),
        Column("control_lower", "f64", "", "lower control limit of single shots"),
        Column("control_upper", "f64", "", "upper control limit of single shots"),
        Column("moving_range_upper", "f64", "", "upper control limit of the moving range", 0.0),
        Column("control_limit_sd", "f64", "", "where the control limits stand, in spreads from shot to shot", 0.0),
        Column("false_alarm_pct", "f64", "%", "share of steady months of as many shots called unsteady", 0.0, 100.0),
        Column("rules", "str", "", "run rules in use, by phrase, and how often they ring falsely"),
        Column("autocorrelation", "f64", "", "lag-1 correlation of the shots", -1.0, 1.0),
        Column("autocorrelated", "bool", "", "whether neighbours are more alike than independent shots are"),
        Column("events", "str", "", "seals, batches and meters changed within the month, in words"),
        Column("first_shot_at", "datetime", "", "start of the month's first shot, UTC"),
        Column("last_shot_at", "datetime", "", "start of its last shot, UTC"),
        Column("verdict", "str", "", "capable, not capable, not meaningful, too few shots or no curve fits"),
        Column("sentence", "str", "", "the verdict as a sentence"),
    ),
    doc="capability of each mould and measure, month by month",
)

CAPABILITY_SHOT = Table(
    "capability_shot",
    ("mould", "month", "measure", "shot"),
    (
        *_KEY,
        Column("shot", "str", "", "the shot"),
        Column("started_at", "datetime", "", "start of the shot, UTC"),
        Column("value", "f64", "", "the measure, in its unit"),
        Column("moving_range", "f64", "", "distance to the shot before it in the month", 0.0),
        Column("mark", "str", "", "the pattern this shot completes, or the limit it lies beyond; empty for none"),
        Column("expected", "f64", "", "mean of the mould's last shots before the month; null with fewer than 5"),
        Column("lower_limit", "f64", "", "lower specification limit"),
        Column("upper_limit", "f64", "", "upper specification limit"),
    ),
    doc="the shots behind each monthly capability",
)

CAPABILITY_PART = Table(
    "capability_part",
    ("mould", "month", "measure", "part"),
    (
        *_KEY,
        Column("part", "i64", "", "1 for the stretch before the first event", 1),
        Column("begins_with", "str", "", "the event it begins with; empty for the first"),
        Column("from_at", "datetime", "", "its first shot"),
        Column("to_at", "datetime", "", "its last shot"),
        Column("n", "i64", "", "shots", 0),
        Column("mean", "f64", "", "mean, in the measure's unit"),
        Column("sd_shot_to_shot", "f64", "", "spread from shot to shot", 0.0),
        Column("sd_total", "f64", "", "spread over the stretch", 0.0),
        Column("ppk", "f64", "", "Ppk of the stretch"),
        Column("ppk_low", "f64", "", "lower end of its 95 % interval"),
        Column("ppk_high", "f64", "", "upper end of it"),
        Column("outside", "i64", "", "shots beyond a specification limit", 0),
    ),
    doc="months split where a seal, a batch or a meter changed",
)

OVER_MOULDS = Table(
    "capability_over_moulds",
    ("month", "measure"),
    (
        Column("month", "str", "", "calendar month in the workshop's time zone"),
        Column("measure", "str", "", "the measure"),
        Column("label", "str", "", "the measure in words"),
        Column("n", "i64", "", "shots of all moulds", 0),
        Column("moulds", "i64", "", "moulds with shots in it", 0),
        Column("mean", "f64", "", "mean deviation, in shares of the room between expected and limit"),
        Column("sd_shot_to_shot", "f64", "", "its spread from shot to shot", 0.0),
        Column("sd_total", "f64", "", "its spread over the month", 0.0),
        *_indices(", of the deviation"),
        Column("outside", "i64", "", "shots beyond their own mould's limits", 0),
        Column("steady", "bool", "", "whether the deviations were steady over the month"),
        Column("unsteady_because", "str", "", "what spoke against it, in words"),
        Column("control_lower", "f64", "", "lower control limit of the deviation"),
        Column("control_upper", "f64", "", "upper control limit of the deviation"),
        Column("verdict", "str", "", "capable, not capable, not meaningful or no curve fits"),
        Column("sentence", "str", "", "the verdict as a sentence"),
    ),
    doc="all moulds together: each shot's deviation from what was expected of its mould, month by month",
)

OVER_MOULDS_SHOT = Table(
    "capability_over_moulds_shot",
    ("month", "measure", "shot"),
    (
        Column("month", "str", "", "calendar month in the workshop's time zone"),
        Column("measure", "str", "", "the measure"),
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "its mould"),
        Column("started_at", "datetime", "", "start of the shot, UTC"),
        Column("deviation", "f64", "", "deviation from what was expected, in shares of the room to the limit"),
        Column("mark", "str", "", "the pattern this shot completes, or the limit it lies beyond; empty for none"),
    ),
    doc="the shots behind the chart over moulds",
)
