"""Verdicts as sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from catchpot.report import words
from catchpot.shop_units import in_shop
from catchpot_capability.months import spoken
from catchpot_capability.settings import FEW_SHOTS

Row = Mapping[str, Any]
VERDICTS = ("not capable", "not meaningful", "no curve fits", "too few shots", "capable")


def plain(value: float | None, places: int = 2) -> str:
    """An index as printed."""
    if value is None:
        return words.NOT_KNOWN
    return f"{round(value, places) + 0.0:.{places}f}".replace("-", "−")  # + 0.0 takes the sign off a rounded zero


def index_of(row: Row) -> tuple[str, float | None, float | None, float | None]:
    """The index a verdict is about: Cpk, or Ppk in months closed when a law had no Cpk."""
    name = "cpk" if row["cpk"] is not None else "ppk"
    return name.capitalize(), row[name], row[f"{name}_low"], row[f"{name}_high"]


def index_words(row: Row) -> str:
    """The index with its interval: "Cpk 1.52, 95 %: 1.18 to 1.86"."""
    name, value, low, high = index_of(row)
    return f"{name} {plain(value)}, 95 %: {plain(low)} to {plain(high)}"


def limits_words(lower: float | None, upper: float | None, unit: str) -> str:
    """The specification limits in words."""
    if lower is None:
        return f"at most {words.number(upper, unit)}"
    if upper is None:
        return f"at least {words.number(lower, unit)}"
    unit, factor, _ = in_shop(unit)
    lower, upper = lower * factor, upper * factor
    exponent = words.tenfold([lower, upper])
    scale = 10.0**exponent
    times = f" × {words.power(exponent)}" if exponent else ""
    low, high = words.number(lower / scale), words.number(upper / scale)
    return f"{low} to {high}{times} {words.pretty_unit(unit)}".strip()


def outside_words(row: Row) -> str:
    """ "2 of 41 outside; the fitted curve expects 1.8 % (0.6 to 4.1)"."""
    said = f"{row['outside'] if row['outside'] else 'none'} of {row['n']} outside"
    if row["expected_outside_pct"] is not None:
        expected, low, high = (percent(row[f"expected_outside_{k}pct"]) for k in ("", "low_", "high_"))
        if high == percent(0.0):
            said += "; the fitted curve expects less than 0.01 %"
        else:
            said += f"; the fitted curve expects {expected} % ({low} to {high})"
    return said


def percent(value: float) -> str:
    """A share in per cent, at the digits it deserves.

    >>> percent(1.84), percent(0.034), percent(0.0000012)
    ('1.8', '0.03', 'below 0.01')
    """
    if value >= 10:
        return f"{value:.0f}"
    if value >= 0.1:
        return f"{value:.1f}"
    return f"{value:.2f}" if value >= 0.01 else "below 0.01"


def sentence(row: Row) -> str:
    """The verdict on one mould, month and measure."""
    begin = f"{row['mould']}, {spoken(row['month'])}: {row['label']}"
    both = row["lower_limit"] is not None and row["upper_limit"] is not None
    within = f"limit{'s' if both else ''} {limits_words(row['lower_limit'], row['upper_limit'], row['unit'])}"
    shots = words.count(row["n"], "shot")
    if row["verdict"] == "too few shots":
        return f"{begin} is not judged: {shots}, and five are needed ({within}). {_cap(outside_words(row))}."
    if row["verdict"] == "no curve fits":
        return f"{begin} is given no index: {row['law_reason']} ({within}). {_cap(outside_words(row))}."
    if row["verdict"] == "not meaningful":
        said = f"{begin} was not steady ({row['unsteady_because']}), so no index is given ({within})."
        said += f" {row['outside'] or 'None'} of {row['n']} outside."
    else:
        state = "is capable" if row["verdict"] == "capable" else "is not capable"
        said = f"{begin} {state} ({index_words(row)}; {shots}, {within}). {_cap(outside_words(row))}."
    if row["n"] < FEW_SHOTS:
        said += f" Only {shots}: the intervals are wide, and a slow change would not be seen."
    if row["autocorrelated"]:
        said += (
            f" Shots resemble the one before them (correlation {plain(row['autocorrelation'])}),"
            " so the intervals are those of fewer shots."
        )
    if row["events"]:
        said += f" Changed within the month: {row['events']}."
    return said


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]


def mould_month(rows: Sequence[Row]) -> str:
    """All measures of one mould and month in one sentence, the capable first."""
    if not rows:
        return ""
    first = rows[0]
    parts: list[str] = []
    for row in sorted(rows, key=lambda r: VERDICTS.index(r["verdict"]), reverse=True):
        label = row["label"]
        if row["verdict"] == "capable":
            parts.append(f"{label} capable ({index_words(row)})")
        elif row["verdict"] == "not capable":
            parts.append(f"{label} is not ({index_words(row)})")
        elif row["verdict"] == "not meaningful":
            parts.append(f"{label} was not steady, so no index is given: {row['unsteady_because']}")
        else:
            parts.append(f"{label} is not judged ({row['verdict']})")
    shots = max(r["n"] for r in rows)
    return f"{first['mould']}, {spoken(first['month'])}: {words.count(shots, 'shot')}, {'; '.join(parts)}."


def count_words(row: Row) -> str:
    """What the count of shots outside says without any law: "at least 0.49"."""
    low, high = row["by_count_low"], row["by_count_high"]
    if low is None:
        return words.NOT_KNOWN if high is None else f"at most {plain(high)}"
    return f"at least {plain(low)}" if high is None else f"{plain(low)} to {plain(high)}"


def scaled_number(value: float | None, row: Row) -> str:
    """A number of the measure with its unit."""
    return words.number(value, row["unit"])
