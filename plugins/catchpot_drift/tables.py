"""The tables of the drift analysis."""

from __future__ import annotations

from catchpot.tables import Column, Table

DRIFT = Table(
    "drift",
    ("mould", "measure", "changed_at"),
    (
        Column("mould", "str", "", "the mould"),
        Column("measure", "str", "", "the measure that changed: a column of a shot table"),
        Column("changed_at", "datetime", "", "start of the first shot of the new state, UTC"),
        Column("before", "f64", "", "level before the change, in the measure's unit, season taken out"),
        Column("after", "f64", "", "level after it; of a trend, where it stands at its end"),
        Column("kind", "str", "", "step or trend"),
        Column("unit", "str", "", "unit of the measure"),
        Column("label", "str", "", "the measure in words"),
        Column("before_low", "f64", "", "lower end of the 95 % interval of before"),
        Column("before_high", "f64", "", "upper end of it"),
        Column("after_low", "f64", "", "lower end of the 95 % interval of after"),
        Column("after_high", "f64", "", "upper end of it"),
        Column("change", "f64", "", "after less before"),
        Column("change_low", "f64", "", "lower end of its 95 % interval"),
        Column("change_high", "f64", "", "upper end of it"),
        Column("per_shot", "f64", "", "slope of a trend, per shot; null for a step"),
        Column("per_shot_low", "f64", "", "lower end of its 95 % interval"),
        Column("per_shot_high", "f64", "", "upper end of it"),
        Column("shot", "str", "", "first shot of the new state"),
        Column("changed_low_at", "datetime", "", "earliest start of the change, 95 %"),
        Column("changed_high_at", "datetime", "", "latest start of it, 95 %"),
        Column("seen_at", "datetime", "", "the shot with which it became certain enough to be called"),
        Column("until", "datetime", "", "when the next change of the measure began; null while the state stands"),
        Column("shots", "i64", "", "shots of the new state", 0),
        Column("event", "str", "", "the nearest event within reach before it, in words; empty for none"),
        Column("event_at", "datetime", "", "when that event was"),
        Column("shots_after_event", "i64", "", "shots from the event to the change", 0),
        Column("autocorrelation", "f64", "", "lag-1 correlation of the shots that was allowed for", 0.0, 1.0),
    ),
    doc="each change of a tracked measure, dated, with the event it follows",
)

DRIFT_VALUE = Table(
    "drift_value",
    ("mould", "measure", "shot"),
    (
        Column("mould", "str", "", "the mould"),
        Column("measure", "str", "", "the tracked measure"),
        Column("shot", "str", "", "the shot"),
        Column("started_at", "datetime", "", "start of the shot, UTC"),
        Column("value", "f64", "", "the measure as it was found"),
        Column("adjusted", "f64", "", "the measure with season and resin batch taken out; what is watched"),
        Column("smooth", "f64", "", "exponentially weighted moving average since the last change; null before it"),
    ),
    doc="the tracked measures shot by shot, as watched",
)

DRIFT_WATCH = Table(
    "drift_watch",
    ("mould", "measure"),
    (
        Column("mould", "str", "", "the mould"),
        Column("measure", "str", "", "the tracked measure"),
        Column("label", "str", "", "the measure in words"),
        Column("unit", "str", "", "unit of the measure"),
        Column("shots", "i64", "", "shots with this measure", 0),
        Column("since", "datetime", "", "first shot of the present state"),
        Column("state_shots", "i64", "", "shots of the present state", 0),
        Column("level", "f64", "", "mean of the present state's first shots, the baseline"),
        Column("spread", "f64", "", "spread from shot to shot over the baseline (moving range)", 0.0),
        Column("smooth_lower", "f64", "", "lower limit of the moving average"),
        Column("smooth_upper", "f64", "", "upper limit of the moving average"),
        Column("smooth_beyond", "bool", "", "whether the moving average lies beyond its limits at the newest shot"),
        Column("sum_up", "f64", "", "upper CUSUM at the newest shot, in spreads", 0.0),
        Column("sum_down", "f64", "", "lower CUSUM at the newest shot, in spreads", 0.0),
        Column("sum_limit", "f64", "", "decision limit of both, in spreads", 0.0),
        Column("smooth_weight", "f64", "", "weight of the moving average", 0.0, 1.0),
        Column("slack_spreads", "f64", "", "slack of the CUSUM, in spreads", 0.0),
        Column("baseline_shots", "i64", "", "shots the baseline is taken from", 0),
        Column("stretch_shots", "i64", "", "length of the steady stretch the limits are set for, in shots", 0),
        Column("stretch_share_pct", "f64", "%", "share of such stretches that pass a limit, each chart", 0.0, 100.0),
        Column("smooth_run_shots", "f64", "", "shots between false rings of the moving average, baseline known", 0.0),
        Column("sum_run_shots", "f64", "", "shots between false rings of the CUSUM, baseline known", 0.0),
        Column("taken_out", "str", "", "what was taken out before watching, in words; empty for nothing"),
        Column("measures_watched", "i64", "", "measures of the mould watched at once", 1),
    ),
    doc="the present state of each tracked measure: moving average and CUSUM against the state's own baseline",
)
