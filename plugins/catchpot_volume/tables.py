"""The tables of the volume analyses."""

from __future__ import annotations

from typing import Any

from catchpot.tables import Column, Table

FOUND_STEP = "change found in all moulds together"
"""What a step of a meter rests on that nobody noted."""

METER = Table(
    "meter",
    ("injector", "since"),
    (
        Column("injector", "str", "", "the injection machine"),
        Column("since", "datetime", "", "from when on the gain holds, UTC"),
        Column("gain", "f64", "", "gain: metered over true volume", 0.0),
        Column("gain_low", "f64", "", "lower end, 95 %", 0.0),
        Column("gain_high", "f64", "", "upper end, 95 %", 0.0),
        Column("until", "datetime", "", "when the next gain begins; null for the one in force"),
        Column("change_pct", "f64", "%", "step from the gain before; null for the first"),
        Column("change_low_pct", "f64", "%", "lower end, 95 %"),
        Column("change_high_pct", "f64", "%", "upper end, 95 %"),
        Column("moulds", "i64", "", "moulds that were compared over the step, or shot since the start", 0),
        Column("shots", "i64", "", "shots with this gain", 0),
        Column("source", "str", "", "what the gain rests on, in words"),
    ),
    doc="each injector's gain over time, from all its moulds and from checks by bucket and scales",
)

METER_WITNESS = Table(
    "meter_witness",
    ("injector", "at", "of_shot"),
    (
        Column("injector", "str", "", "the injection machine"),
        Column("at", "datetime", "", "start of the shot, UTC"),
        Column("of_shot", "str", "", "the shot"),
        Column("of_mould", "str", "", "its mould"),
        Column(
            "log_volume",
            "f64",
            "",
            "logarithm of the arrival volume over the mould's usual one, resin's expansion taken out",
        ),
        Column(
            "shared_sd",
            "f64",
            "",
            "s.d. of the error of it that the mould's shots share and that does not average out",
            0.0,
        ),
        Column("log_balance", "f64", "", "logarithm of injected over the resin weighed in part and catch pot"),
    ),
    doc="what every shot says of its injector's meter, for the other moulds of that injector",
)

VOLUME_CAUSE = Table(
    "volume_cause",
    ("mould", "since", "cause"),
    (
        Column("mould", "str", "", "the mould"),
        Column("since", "datetime", "", "start of the first shot of the later period, UTC"),
        Column("until", "datetime", "", "start of the last shot of the later period, UTC"),
        Column("cause", "str", "", "cause; two that can't be told apart joined by ' or '"),
        Column("change_l", "f64", "l", "its share of the change of the mean arrival volume (overflow: beside it)"),
        Column("change_low_l", "f64", "l", "lower end, 95 %"),
        Column("change_high_l", "f64", "l", "upper end, 95 %"),
        Column("chance", "f64", "", "chance that it changed beyond the everyday; null where it is measured", 0.0, 1.0),
        Column("rank", "i64", "", "1 for the likeliest cause", 1),
        Column(
            "measure_next",
            "str",
            "",
            "the cheapest measurement that would tell the two apart, or settle it; empty where it is settled",
        ),
        Column("minutes", "f64", "min", "working time of that measurement (common practice, no source)", 0.0),
        Column("in_doubt_l", "f64", "l", "litres in doubt that the measurement would settle", 0.0),
    ),
    doc="the change of a mould's volume between two periods, split into causes; all but overflow add up to it",
)

VOLUME_CHANGE = Table(
    "volume_change",
    ("mould", "since"),
    (
        Column("mould", "str", "", "the mould"),
        Column("since", "datetime", "", "start of the first shot of the later period, UTC"),
        Column("until", "datetime", "", "start of the last shot of the later period, UTC"),
        Column("against_from", "datetime", "", "start of the first shot of the earlier period, UTC"),
        Column("against_until", "datetime", "", "start of the last shot of the earlier period, UTC"),
        Column("why", "str", "", "why these periods: change found, event, halves of the history, or asked for"),
        Column("shots_before", "i64", "", "shots of the earlier period with an arrival volume", 0),
        Column("shots_after", "i64", "", "shots of the later period with an arrival volume", 0),
        Column("volume_from", "str", "", "where arrival volumes come from: the filling curve, or the catch pot"),
        Column("arrival_before_l", "f64", "l", "mean arrival volume before", 0.0),
        Column("arrival_after_l", "f64", "l", "mean arrival volume after", 0.0),
        Column("arrival_change_l", "f64", "l", "its change"),
        Column("arrival_change_low_l", "f64", "l", "lower end, 95 %"),
        Column("arrival_change_high_l", "f64", "l", "upper end, 95 %"),
        Column("arrival_change_pct", "f64", "%", "the change over the volume before"),
        Column("injected_before_l", "f64", "l", "mean injected volume of the same shots before", 0.0),
        Column("injected_after_l", "f64", "l", "mean injected volume of the same shots after", 0.0),
        Column("injected_change_l", "f64", "l", "its change"),
        Column("injected_change_low_l", "f64", "l", "lower end, 95 %"),
        Column("injected_change_high_l", "f64", "l", "upper end, 95 %"),
        Column("chance_pct", "f64", "%", "chance that the likeliest row holds the cause, all causes compared", 0, 100),
        Column("share_pct", "f64", "%", "share of the likeliest row in the change; null where it makes no sense"),
        Column("changed", "bool", "", "whether more than the everyday changed"),
        Column("clamp_change_mbar", "f64", "mbar", "change of the mean clamp pressure; null where not logged"),
        Column("other_moulds", "i64", "", "other moulds on the injector that were compared over the same time", 0),
        Column("other_moulds_step_pct", "f64", "%", "step of the metered volume that those share; null where none"),
        Column("sentence_1", "str", "", "what changed"),
        Column("sentence_2", "str", "", "the likeliest cause"),
        Column("sentence_3", "str", "", "what to measure next"),
    ),
    doc="two periods of a mould compared, with the answer in three sentences",
)

CHOICES = (0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999)
"""Chances to fill for which a volume is worked out, so that waste can be weighed against short shots."""
_OUTLOOK = (
    Column("volume_l", "f64", "l", "volume to set: fills with the wanted chance, wanted bleed included", 0.0),
    Column("volume_low_l", "f64", "l", "lower end of what the shot will need, 95 %", 0.0),
    Column("volume_high_l", "f64", "l", "upper end of what it will need, 95 %; never below the volume to set", 0.0),
    Column(
        "fill_chance", "f64", "", "chance that resin arrives at the vent and the wanted bleed goes past it", 0.0, 1.0
    ),
    Column("arrival_volume_l", "f64", "l", "arrival volume expected (median)", 0.0),
    Column("arrival_volume_low_l", "f64", "l", "lower end, 95 %", 0.0),
    Column("arrival_volume_high_l", "f64", "l", "upper end, 95 %", 0.0),
    Column("expected_overflow_l", "f64", "l", "overflow expected (mean), wanted bleed included"),
    Column("bleed_target_l", "f64", "l", "wanted past the vent", 0.0),
)

NEXT_SHOT = Table(
    "next_shot",
    ("mould",),
    (
        Column("mould", "str", "", "the mould"),
        Column("go", "str", "", "go, care or no-go"),
        Column("reasons", "str", "", "why it is not simply a go, a sentence a line, the gravest first; empty for a go"),
        Column("clears", "str", "", "who may clear each reason and how, a line each in the same order"),
        *_OUTLOOK[:3],
        Column("line_pressure_limit_bar", "f64", "bar", "line pressure limit, gauge: keeps the cover shut with the "
               "vent blocked, never above the book's; null where neither is known"),
        Column("expected_fill_time_s", "f64", "s", "fill time expected", 0.0),
        Column("fill_time_low_s", "f64", "s", "lower end, 95 %", 0.0),
        Column("fill_time_high_s", "f64", "s", "upper end, 95 %", 0.0),
        *_OUTLOOK[3:],
        Column("temperature_c", "f64", "deg C", "temperature the times are for"),
        Column("gel_time_s", "f64", "s", "gel time at that temperature by the book; null where none is given", 0.0),
        Column("catalyst_l", "f64", "l", "catalyst for the volume to set", 0.0),
        Column("catalyst_kg", "f64", "kg", "the same by mass", 0.0),
        Column("blocked_vent_margin_n", "f64", "N", "lowest blocked-vent margin of the last shots at the book's limit"),
        Column("from_history", "i64", "", "shots the volume rests on; 0: from the mould book alone", 0),
        Column("last_shot", "str", "", "the newest shot"),
        Column("last_shot_at", "datetime", "", "when it was, UTC"),
        Column("last_set_l", "f64", "l", "volume set for it; what was injected where the log does not say", 0.0),
        Column("advised_volume_l", "f64", "l", "volume that is advised, also where another is set by hand", 0.0),
        Column("set_by_hand", "str", "", "when and why another volume was set than advised; empty where none was"),
        Column("valid_until", "datetime", "", "until when this holds if nothing happens, UTC; null: no shot is known"),
        Column("hold_check", "str", "", "the newest hold check, in words; empty where none is known"),
        Column("changes_since", "str", "", "events since then, in words"),
        Column("open_findings", "str", "", "open findings of the mould, in words"),
        Column("cautions", "str", "", "what to mind first, a sentence a line, the gravest first"),
        Column("choice_chance", f"f64[{len(CHOICES)}]", "", "chances to fill among which may be chosen", 0.0, 1.0),
        Column("choice_volume_l", f"f64[{len(CHOICES)}]", "l", "volume to set for that chance, wanted bleed included",
               0.0),
        Column("curve_share", "f64[20]", "", "filled share along the expected filling curve", 0.0, 1.0),
        Column("curve_time_s", "f64[20]", "s", "time at that share", 0.0),
    ),
    doc="go or no-go, and what to set, for each mould's next shot; null volumes where none is given",
)  # fmt: skip


def nothing(mould: str) -> dict[str, Any]:
    """A row of `next_shot` without any value; texts are empty."""
    texts = {c.name: "" for c in NEXT_SHOT.columns if c.dtype == "str" and c.name != "last_shot"}
    return dict.fromkeys(NEXT_SHOT.names) | texts | {"mould": mould, "from_history": 0}


NEXT_SHOT_CHECK = Table(
    "next_shot_check",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        *_OUTLOOK[:7],
        _OUTLOOK[8],
        Column("observed_arrival_l", "f64", "l", "what the part took, by the weighed catch pot", 0.0),
        Column(
            "would_fill",
            "bool",
            "",
            "whether the volume to set, less the wanted bleed, reached what the part took",
        ),
        Column("would_overflow_l", "f64", "l", "volume to set less what the part took"),
        Column("rank_chance", "f64", "", "chance said beforehand of no more than what was found", 0.0, 1.0),
    ),
    doc="each shot with a weighed catch pot against what would have been said before it; never changed later",
)
