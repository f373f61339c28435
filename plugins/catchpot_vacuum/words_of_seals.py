"""Sentences about seals, for the report and the command."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, Final

from catchpot.report import words
from catchpot.shop_dates import written

Row = dict[str, Any]
SUDDEN: Final = "Sudden damage is not predicted."
NAMES: Final = {
    "clamp": "clamp channel (outer and inner seal together)", "outer": "outer seal", "inner": "inner seal",
    "cavity": "cavity",
}  # fmt: skip
SHORT: Final = {"clamp": "clamp channel", "outer": "outer seal", "inner": "inner seal", "cavity": "cavity"}
FAR_SHOTS: Final = 5000.0
HORIZON_DAYS: Final = 30


def leak(row: Row) -> str:
    """A leak with its 95 % interval, in mbar/min where the gas volume is missing."""
    if row["leak_mbar_l_s"] is None:
        return words.with_interval(
            row["rise_mbar_min"], row["rise_low_mbar_min"], row["rise_high_mbar_min"], "mbar/min"
        )
    if row.get("seal") in ("outer", "inner"):
        return between(row)
    return words.with_interval(row["leak_mbar_l_s"], row["leak_low_mbar_l_s"], row["leak_high_mbar_l_s"], "mbar l/s")


def between(row: Row) -> str:
    """A range without a middle: which leak law holds is not known, and the middle depends on it."""
    low, high = (words.number(row[f"leak_{end}_mbar_l_s"], "mbar l/s", 2) for end in ("low", "high"))
    return f"between {low.partition(' ')[0]} and {high} (95 %, whichever leak law holds)"


def both_between(outer: Row, inner: Row) -> str:
    """The ranges of both seals in one sentence."""
    ends = (words.number(outer[f"leak_{end}_mbar_l_s"], "mbar l/s", 2) for end in ("low", "high"))
    low, high = (end.partition(" ")[0] for end in ends)
    return f"outer seal between {low} and {high}, inner seal {between(inner)}"


def day(when: date | None, *, year: bool = True) -> str:
    """A day as people write it."""
    if when is None:
        return "later than can be said"
    return written(when, year=year)


def due(row: Row) -> str:
    """The day it is due, with its 80 % interval; "now" where none of it lies ahead."""
    if _over(row):
        return "now"
    low, high = row["due_low"], row["due_high"]
    same = low is not None and high is not None and low.year == high.year
    return f"{day(row['due_on'])} (80 %: {day(low, year=not same)} to {day(high)})"


def left(row: Row) -> str:
    """Shots left with the 80 % interval; "or more" where the upper end is too far to be told."""
    unit = row["unit"]
    middle, low, high = row["shots_left"], row["shots_left_low"], row["shots_left_high"]
    if middle is None:
        return "no date"
    if _over(row):
        return "none left, at its limit now"
    if high >= FAR_SHOTS:
        return f"{middle:.0f} {unit} (80 %: {low:.0f} or more)"
    return f"{middle:.0f} {unit} (80 %: {low:.0f} to {high:.0f})"


def _over(row: Row) -> bool:
    """Whether the limit is met for certain (80 %), not only by the median."""
    return row["shots_left_high"] is not None and row["shots_left_high"] <= 0


def forecast(row: Row) -> str:
    """One seal's forecast in a sentence or two."""
    name = f"{row['mould']}, {NAMES[row['seal']]}"
    age = f"{row['age_shots']:.0f} {row['unit']}"
    level, limit = row["leak_mbar_l_s"], row["limit_mbar_l_s"]
    if limit is None:
        return f"{name}: no limit in the mould book, so no forecast."
    if level is None:
        return f"{name}: too few leaks known for a forecast ({row['leaks']} since the seal was new)."
    allowed = f"{words.number(limit, 'mbar l/s', 2).partition(' ')[0]} is allowed"
    leaks = words.number(level, "mbar l/s", 2)
    assumed = " (replacement assumed, not logged)" if row["assumed_replacement"] else ""
    if row["shots_left"] is None and row.get("told_apart") is False:
        return (
            f"{name}: no date of its own{assumed}, as the holds can't tell it from the other seal closely enough; the"
            " clamp channel's date stands, and a third hold with the cavity as deep as the clamp channel would tell."
        )
    if (
        row["shots_left"] is None
        and row["seal"] != "clamp"
        and row["leak_low_mbar_l_s"] < limit < row["leak_high_mbar_l_s"]
    ):
        low, high = (words.number(row[f"leak_{end}_mbar_l_s"], "mbar l/s", 2) for end in ("low", "high"))
        low = low.partition(" ")[0]
        return (
            f"{name}: no date{assumed}; it leaks between {low} and {high}, by whichever leak law holds, and "
            f"its limit of {words.number(limit, 'mbar l/s', 2)} lies between."
        )
    if row["shots_left"] is None and level >= limit:
        return f"{name}: over its limit in all {age}{assumed}, no growth seen: it leaks {leaks}, {allowed}."
    if row["shots_left"] is None:
        return f"{name}: no wear seen in {age}{assumed}, and no date is made out of noise; it leaks {leaks}, {allowed}."
    pooled = f", with the lives of {row['pooled_moulds']} other seals" if row["pooled_moulds"] else ""
    if (row.get("widened_by") or 1.0) > 1.0:
        pooled += (
            f", interval widened {row['widened_by']:.1f} times since only {row['back_tests_held']} of"
            f" {row['back_tested_seals']} earlier ones held"
        )
    now = f"it leaks {leaks} after {age}{assumed}{pooled}, {allowed}"
    if _over(row):
        return f"{name}: at its limit; {now}. See to it before the next shot."
    if row["shots_left"] <= 0:
        return (
            f"{name}: at its limit by now, or within {row['shots_left_high']:.0f} {row['unit']} (80 %); {now}. {SUDDEN}"
        )
    at_day = f"due {due(row)}" if row["due_on"] else "with no date, since too few shots a day are known"
    return f"{name}: {left(row)} left, {at_day}; {now}. {SUDDEN}"


def track_record(history: list[Row], seals: tuple[str, ...] = ("clamp", "outer", "inner")) -> str:
    """For how many seals the 80 % interval held; stands beside every forecast."""
    judged = [h for h in history if h["seal"] in seals and h["half_life_forecast_held"] is not None]
    met = [h for h in judged if h["crossed_at_shots"] is not None]
    early = [h for h in judged if h["crossed_at_shots"] is None]
    if not judged:
        return "No seal has yet run long enough to judge a past forecast by."
    said = []
    if met:
        held = sum(bool(h["half_life_forecast_held"]) for h in met)
        said.append(
            f"{words.count(len(met), 'seal')} reached {'its' if len(met) == 1 else 'their'} limit since a forecast was "
            f"made half way: the 80 % interval held for {held} of {len(met)} and missed for "
            f"{len(met) - held or 'none'}."
        )
    if early:
        wrong = sum(not h["half_life_forecast_held"] for h in early)
        if len(early) == 1:
            said.append(
                f"1 seal was replaced before its limit, {'after' if wrong else 'and before'} the interval ended."
            )
        else:
            which = f"{wrong or 'none'} of them after the interval had ended"
            said.append(f"{len(early)} seals were replaced before their limit, {which}.")
    return " ".join(said)


def past_lives(history: list[Row]) -> list[str]:
    """Lives of past seals as a survival curve, once there are enough, with how few they are."""
    import numpy as np

    from catchpot.stats.survival import kaplan_meier, weibull_life

    out = []
    for seal in ("clamp", "outer", "inner"):
        lives = [h for h in history if h["seal"] == seal and h["whole"] and h["age_shots"] > 0]
        ended = np.array([h["crossed_at_shots"] is not None for h in lives], dtype=bool)
        if ended.sum() < 3:
            continue
        time = np.array([h["crossed_at_shots"] or h["age_shots"] for h in lives], dtype=float)
        time = np.maximum(time, 0.5)
        curve = kaplan_meier(time, ended)
        text = (
            f"{NAMES[seal].capitalize()}: {len(lives)} seals, of which {int(ended.sum())} reached the limit and "
            f"{int((~ended).sum())} were replaced or are in use before it"
        )
        below = np.flatnonzero(curve.share <= 0.5)
        text += f"; half of them reached it by {curve.time[below[0]]:.0f} shots" if len(below) else ""
        if len(set(time[ended])) >= 2:
            fit = weibull_life(time, ended)
            low, high = (
                fit.life(0.5) * np.exp(-1.96 * fit.log_scale_sd),
                fit.life(0.5) * np.exp(1.96 * fit.log_scale_sd),
            )
            text += f", by a Weibull life {fit.life(0.5):.0f} (95 %: {low:.0f} to {high:.0f})"
        few = " These are few: take the numbers as a rough guide." if ended.sum() < 10 else ""
        out.append(f"{text}.{few}")
    return out


def due_soon(rows: list[Row], as_of: date) -> list[Row]:
    """Forecasts that may come due within 30 days, the soonest first.

    A clamp channel gives way to one of its own seals that is due no later.
    """
    end = as_of + timedelta(days=HORIZON_DAYS)
    soon = [r for r in rows if r["shots_left"] is not None and (r["due_low"] or date.max) <= end]
    own = {r["mould"]: r["due_on"] or date.max for r in soon if r["seal"] != "clamp"}
    soon = [r for r in soon if r["seal"] != "clamp" or own.get(r["mould"], date.max) > (r["due_on"] or date.max)]
    return sorted(soon, key=lambda r: (r["due_on"] or date.max, r["shots_left"], r["mould"], r["seal"]))
