"""The tables of the vacuum analyses."""

from __future__ import annotations

from catchpot.tables import Column, Table

SEALS = ("clamp", "outer", "inner", "cavity")

SEAL_LEAK = Table(
    "seal_leak",
    ("shot", "seal"),
    (
        Column("shot", "str", "", "the shot or hold check"),
        Column("seal", "str", "", "clamp (outer and inner together), outer, inner or cavity"),
        Column("leak_mbar_l_s", "f64", "mbar l/s", "leak at the reference states", 0.0),
        Column("leak_low_mbar_l_s", "f64", "mbar l/s", "lower end, 95 %, within the shot, given the book", 0.0),
        Column("leak_high_mbar_l_s", "f64", "mbar l/s", "upper end, 95 %, within the shot, given the book", 0.0),
        Column(
            "method",
            "str",
            "",
            "hold (lines logged as shut), rise found in the curve, top-ups (rises between them), two-step hold",
        ),
        Column("leak_absolute_low_mbar_l_s", "f64", "mbar l/s", "lower end, 95 %, with the book's tolerances", 0.0),
        Column("leak_absolute_high_mbar_l_s", "f64", "mbar l/s", "upper end, 95 %, with the book's tolerances", 0.0),
        Column("rise_mbar_min", "f64", "mbar/min", "rise at the reference states; needs no gas volume"),
        Column("rise_low_mbar_min", "f64", "mbar/min", "lower end, 95 %"),
        Column("rise_high_mbar_min", "f64", "mbar/min", "upper end, 95 %"),
        Column("outgassing_chance", "f64", "", "chance that part of the rise is outgassing, not leak", 0.0, 1.0),
    ),
    doc="leaks of each shot at the reference states: clamp 50, cavity 550, ambient 1013 mbar",
)

SEAL_HOLD = Table(
    "seal_hold",
    ("shot", "step"),
    (
        Column("shot", "str", "", "the shot or hold check"),
        Column("step", "i64", "", "1 for the first rise of the shot", 1),
        Column("method", "str", "", "hold, rise found in the curve, or top-ups"),
        Column("start_s", "f64", "s", "where the rise begins", 0.0),
        Column("end_s", "f64", "s", "where it ends", 0.0),
        Column("ambient_mbar", "f64", "mbar", "ambient pressure used"),
        Column("clamp_mbar", "f64", "mbar", "clamp pressure at its start"),
        Column("cavity_mbar", "f64", "mbar", "mean cavity pressure"),
        Column("clamp_rate_mbar_s", "f64", "mbar/s", "leak part of the clamp pressure's rise"),
        Column("clamp_rate_low_mbar_s", "f64", "mbar/s", "lower end, 95 %"),
        Column("clamp_rate_high_mbar_s", "f64", "mbar/s", "upper end, 95 %"),
        Column("clamp_outgassing_chance", "f64", "", "chance that part of it saturates", 0.0, 1.0),
        Column("clamp_noise_mbar", "f64", "mbar", "noise of one clamp reading", 0.0),
        Column("cavity_rate_mbar_s", "f64", "mbar/s", "leak part of the cavity pressure's rise; null where pumped"),
        Column("cavity_rate_low_mbar_s", "f64", "mbar/s", "lower end, 95 %"),
        Column("cavity_rate_high_mbar_s", "f64", "mbar/s", "upper end, 95 %"),
        Column("cavity_outgassing_chance", "f64", "", "chance that part of it saturates", 0.0, 1.0),
        Column("rate_hz", "f64", "1/s", "readings a second", 0.0),
    ),
    doc="every rise the leaks were read from, with the state it was read at",
)

SEAL_RESIN = Table(
    "seal_resin",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("clamp_per_line_mbar_bar", "f64", "mbar/bar", "clamp pressure that comes with line pressure"),
        Column("clamp_per_line_low_mbar_bar", "f64", "mbar/bar", "lower end, 99.9 %"),
        Column("clamp_per_line_high_mbar_bar", "f64", "mbar/bar", "upper end, 99.9 %"),
        Column(
            "rise_before_mbar_s", "f64", "mbar/s", "rise of the clamp channel before the injection, mould evacuated"
        ),
        Column("rise_during_mbar_s", "f64", "mbar/s", "its rise during the injection, between the pump's top-ups"),
        Column("rise_more_low_mbar_s", "f64", "mbar/s", "by how much it rises faster during it: lower end, 99.9 %"),
        Column("rise_more_high_mbar_s", "f64", "mbar/s", "upper end, 99.9 %"),
    ),
    doc="how the clamp channel rises and follows the line during injection: signs of resin past the inner seal",
)

_LIFE = (
    Column("mould", "str", "", "the mould"),
    Column("seal", "str", "", "clamp, outer or inner"),
    Column("as_of", "date", "", "forecast with only what was known at the end of this day"),
    Column("shots_left", "f64", "shots", "shots before the fitted leak meets its limit, median", 0.0),
    Column("shots_left_low", "f64", "shots", "lower end, 80 %", 0.0),
    Column("shots_left_high", "f64", "shots", "upper end, 80 %", 0.0),
    Column("due_on", "date", "", "day of the median at the mould's own rate of shots"),
    Column("due_low", "date", "", "lower end, 80 %, with the rate's uncertainty"),
    Column("due_high", "date", "", "upper end, 80 %, with the rate's uncertainty"),
    Column("fitted_since", "datetime", "", "start of the history that was fitted: the last replacement"),
    Column("age_shots", "f64", "shots", "shots since then", 0.0),
    Column("leaks", "i64", "", "leaks fitted", 0),
    Column("leak_mbar_l_s", "f64", "mbar l/s", "fitted leak now, median", 0.0),
    Column("leak_low_mbar_l_s", "f64", "mbar l/s", "lower end, 80 %, under any leak law", 0.0),
    Column("leak_high_mbar_l_s", "f64", "mbar l/s", "upper end, 80 %, under any leak law", 0.0),
    Column("limit_mbar_l_s", "f64", "mbar l/s", "limit in the mould book", 0.0),
    Column("wear_chance", "f64", "", "chance that the leak grows", 0.0, 1.0),
    Column("noise_share", "f64", "", "scatter of one leak about the curve, share", 0.0),
    Column("unit", "str", "", "shots, or hold checks where no shots are logged"),
    Column("assumed_replacement", "bool", "", "whether the history begins at a replacement nobody logged"),
    Column("pooled_moulds", "i64", "", "other seals whose lives were taken into account", 0),
    Column("shots_per_day", "f64", "1/d", "the mould's rate of shots", 0.0),
    Column("told_apart", "bool", "", "whether the holds tell this seal's leak from the other's; else it has no date"),
    Column("widened_by", "f64", "", "factor on the interval's halves, from this workshop's back-tests", 1.0),
    Column("back_tested_seals", "i64", "", "seals whose forecast at half their life was looked back on", 0),
    Column("back_tests_held", "i64", "", "of these, how many the 80 % interval held before it was widened", 0),
)

SEAL_LIFE = Table(
    "seal_life",
    ("mould", "seal", "as_of"),
    _LIFE,
    doc="forecasts of each seal, a row a day with shots; later shots never change one",
)

SEAL_LIFE_POOLED = Table(
    "seal_life_pooled",
    ("mould", "seal", "as_of"),
    _LIFE,
    doc="the latest forecast where the workshop's other seals have a word: a short history, or back-tests that missed",
)

SEAL_HISTORY = Table(
    "seal_history",
    ("mould", "seal", "since"),
    (
        Column("mould", "str", "", "the mould"),
        Column("seal", "str", "", "clamp, outer or inner"),
        Column("since", "datetime", "", "when this seal went in, or the first log"),
        Column("until", "datetime", "", "when it was replaced; null for the one in use"),
        Column("assumed", "bool", "", "whether its start is assumed from a fall of the leak, not logged"),
        Column("whole", "bool", "", "whether its start is known"),
        Column("age_shots", "f64", "shots", "shots it has seen", 0.0),
        Column("crossed_at_shots", "f64", "shots", "age at which the fitted leak met the limit; null if it never did"),
        Column("forecasts", "i64", "", "forecasts with a date made during its life", 0),
        Column("half_life_forecast_held", "bool", "", "whether the forecast made about half way held"),
    ),
    doc="every seal a mould has had, with how long it lasted and whether its forecast held",
)

SEAL_SPLIT = Table(
    "seal_split",
    ("mould", "seal"),
    (
        Column("mould", "str", "", "the mould"),
        Column("seal", "str", "", "outer or inner"),
        Column("leak_mbar_l_s", "f64", "mbar l/s", "pooled leak at the reference states", 0.0),
        Column("leak_low_mbar_l_s", "f64", "mbar l/s", "lower end, 95 %", 0.0),
        Column("leak_high_mbar_l_s", "f64", "mbar l/s", "upper end, 95 %", 0.0),
        Column("shots", "i64", "", "shots pooled, the last ones since the seals were replaced", 0),
        Column("since", "datetime", "", "the first of them"),
        Column("needed_hold_s", "f64", "s", "length of each of two holds that would settle it"),
    ),
    doc="outer and inner seal told apart by the last holds together, not by one shot",
)

CLAMP_CHANGE = Table(
    "clamp_change",
    ("mould", "changed_at"),
    (
        Column("mould", "str", "", "the mould"),
        Column("changed_at", "datetime", "", "first shot of the move"),
        Column("changed_low_at", "datetime", "", "earliest shot it may have begun with"),
        Column("changed_high_at", "datetime", "", "latest shot it may have begun with"),
        Column("until", "datetime", "", "when the next move began; null while it stands"),
        Column("last_at", "datetime", "", "its last shot"),
        Column("seen_at", "datetime", "", "the shot with whose log it is first told"),
        Column("shot", "str", "", "first shot of the move"),
        Column("kind", "str", "", "step or trend"),
        Column("before_mbar", "f64", "mbar", "clamp pressure before, absolute", 0.0),
        Column("after_mbar", "f64", "mbar", "clamp pressure of its last shots, absolute", 0.0),
        Column("supply_chance", "f64", "", "chance that the supply (pump, filter, valve, line, gauge) is behind a rise"
               " and not a seal; null where no hold check tells", 0.0, 1.0),
        Column("rise_before_mbar_min", "f64", "mbar/min", "the channel's rise in hold checks before"),
        Column("rise_after_mbar_min", "f64", "mbar/min", "the same since"),
        Column("holds", "i64", "", "hold checks since", 0),
        Column("margin", "str", "", "which margin lost most: clamp_margin_n or blocked_vent_margin_n"),
        Column("margin_before_n", "f64", "N", "that margin as usual before; an upper estimate"),
        Column("margin_after_n", "f64", "N", "that margin in the last shots; an upper estimate"),
        Column("shots_left", "f64", "shots", "until it is nought at this pace; null where it does not go on", 0.0),
        Column("sentence_1", "str", "", "what the clamp did and what is left of its margin"),
        Column("sentence_2", "str", "", "which end it is, by the hold checks"),
    ),
    doc="moves of the clamp pressure that last, with what they cost in margin and at which end they arise",
)  # fmt: skip

SUPPLY_CHANGE = Table(
    "supply_change",
    ("source", "measure", "mould", "changed_at"),
    (
        Column("source", "str", "", "what draws the vacuum, as the mould book names it"),
        Column("measure", "str", "", "clamp_pressure_mbar or cavity_pressure_mbar"),
        Column("mould", "str", "", "the mould"),
        Column("changed_at", "datetime", "", "first shot of the move, as in clamp_change or drift"),
        Column("before_mbar", "f64", "mbar", "the pressure before, absolute"),
        Column("after_mbar", "f64", "mbar", "the pressure since, absolute"),
        Column("moved", "i64", "", "other moulds of the source that moved the same way at the same time", 0),
        Column("compared", "i64", "", "other moulds of the source that were shot before it and in its course", 0),
        Column("moulds", "str", "", "those that moved"),
        Column("source_chance", "f64", "", "chance that the source itself is behind it", 0.0, 1.0),
        Column("supply_chance", "f64", "", "chance that the source or the mould's own branch of it is, by the other"
               " moulds and the mould's hold checks together", 0.0, 1.0),
        Column("sentence", "str", "", "what the other moulds did meanwhile"),
    ),
    doc="moves of clamp and cavity pressure held against the other moulds that the same pump draws",
)  # fmt: skip
