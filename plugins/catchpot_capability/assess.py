"""One mould, month and measure: steady or not, by which law, how capable. Glue over `catchpot.stats`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchpot.report import words
from catchpot.stats.capability import PERCENTILES, Index, capability
from catchpot.stats.control import moving_ranges, range_constants
from catchpot.stats.laws import choose_law, is_autocorrelated, lag_one
from catchpot.stats.run_length import rate_sentence
from catchpot.stats.steady import Steadiness, judge
from catchpot_capability.settings import CapabilityParams, OverMouldsParams

Floats = NDArray[np.float64]
LEAST = 5
METHODS = {
    "normal": "normal law: Cp, Cpk by the spread from shot to shot, Pp, Ppk by the spread over the month",
    "lognormal": f"lognormal law, percentile form of ISO 22514-2 ({PERCENTILES} points)",
    "weibull": f"Weibull law, percentile form of ISO 22514-2 ({PERCENTILES} points); no Cp and Cpk in this form",
}
INDEX_COLUMNS = tuple(f"{n}{end}" for n in ("cp", "cpk", "pp", "ppk") for end in ("", "_low", "_high"))


@dataclass(frozen=True)
class Assessed:
    """Columns of `capability` (all but keys, words and events) and a mark a shot."""

    columns: dict[str, Any]
    marks: list[str]
    steadiness: Steadiness | None


def _ends(name: str, index: Index) -> dict[str, float | None]:
    return {name: index.value, f"{name}_low": index.low, f"{name}_high": index.high}


def _nothing(x: Floats, lower: float | None, upper: float | None) -> dict[str, Any]:
    ranges = moving_ranges(x)
    return {
        "n": x.size,
        "mean": float(x.mean()),
        "sd_shot_to_shot": float(ranges.mean()) / range_constants(2).d2 if x.size > 1 else None,
        "sd_total": float(x.std(ddof=1)) if x.size > 1 else None,
        **dict.fromkeys(INDEX_COLUMNS),
        "outside": int(sum(beyond(v, lower, upper) != "" for v in x)),
        "expected_outside_pct": None, "expected_outside_low_pct": None, "expected_outside_high_pct": None,
        "steady": None, "meaningful": False, "unsteady_because": "", "control_lower": None, "control_upper": None,
        "moving_range_upper": None, "control_limit_sd": None, "false_alarm_pct": None, "rules": "",
        "autocorrelation": None, "autocorrelated": None, "law": "", "law_reason": "", "method": "",
    }  # fmt: skip


def beyond(value: float, lower: float | None, upper: float | None) -> str:
    """Which specification limit a shot lies beyond, as a phrase; empty for none."""
    if upper is not None and value > upper:
        return "above the upper limit"
    return "below the lower limit" if lower is not None and value < lower else ""


def marks_of(x: Floats, lower: float | None, upper: float | None, found: Steadiness | None) -> list[str]:
    """A phrase for each shot that is out of the ordinary."""
    marks = [beyond(float(v), lower, upper) for v in x]
    for phrase, places in (found.hits if found else {}).items():
        for i in places:
            marks[i] = "; ".join(m for m in (marks[i], phrase) if m)
    return marks


def unsteady_words(found: Steadiness, day_of: Sequence[str], starts_word: str = "it drifted") -> str:
    """What spoke against a steady month. day_of: each shot's day in words."""
    said: list[str] = []
    if found.change is not None:
        verb = "it drifted" if found.change.kind == "trend" else starts_word
        said.append(f"{verb}: see the change on {day_of[found.change.at]}")
    for phrase, places in found.hits.items():
        which = words.listed([day_of[i] for i in places], 3)
        said.append(f'it broke the rule "{phrase}" ({which})')
    return ", and ".join(said)


def assess(
    x: Floats,
    before: Sequence[Floats],
    lower: float | None,
    upper: float | None,
    measure: str,
    day_of: Sequence[str],
    params: CapabilityParams | OverMouldsParams,
) -> Assessed:
    """Judge the shots of one month, in time order.

    before: the same measure's shots of earlier steady months, an array a month, for the choice of the law.
    """
    columns = _nothing(x, lower, upper)
    if x.size < LEAST or not x.std() > 0 or not moving_ranges(x).any():
        columns["verdict"] = "too few shots" if x.size < LEAST else "no curve fits"
        columns["law_reason"] = "all its values are equal, so no spread can be given" if x.size >= LEAST else ""
        return Assessed(columns, marks_of(x, lower, upper, None), None)
    fixed = params.laws.get(measure) if isinstance(params, CapabilityParams) else "normal"
    choice = choose_law(x, before, fixed)
    found = judge(x, choice.law, params.run_rules, params.limit_sd, params.false_alarm_share)
    # A month that drifted fits no law for that reason alone; its bare figures are those of a normal law.
    law = choice.law if choice.law is not None or found.steady else "normal"
    c = capability(x, lower, upper, law)
    columns |= {**_ends("cp", c.cp), **_ends("cpk", c.cpk), **_ends("pp", c.pp), **_ends("ppk", c.ppk)}
    expected = {"": c.expected_pct.value, "low_": c.expected_pct.low, "high_": c.expected_pct.high}
    columns |= {f"expected_outside_{k}pct": None if v is None else min(v, 100.0) for k, v in expected.items()}
    columns |= {
        "law": law or "",
        "law_reason": choice.reason,
        "method": METHODS.get(law or "", "shots outside are counted only: no curve fits"),
        "steady": found.steady,
        "meaningful": found.steady and law is not None,
        "unsteady_because": "" if found.steady else unsteady_words(found, day_of),
        "control_lower": found.lower,
        "control_upper": found.upper,
        "moving_range_upper": range_constants(2).D4 * float(moving_ranges(x).mean()),
        "control_limit_sd": found.limit_sd,
        "false_alarm_pct": 100 * found.false_share,
        "rules": f"{'; '.join(params.run_rules)}. {rate_sentence(params.run_rules, found.limit_sd)}",
        "autocorrelation": lag_one(x),
        "autocorrelated": is_autocorrelated(x),
    }
    index = columns["cpk"] if columns["cpk"] is not None else columns["ppk"]
    if not found.steady:
        columns["verdict"] = "not meaningful"
    elif law is None:
        columns["verdict"] = "no curve fits"
    else:
        columns["verdict"] = "capable" if index is not None and index >= params.capable_from else "not capable"
    return Assessed(columns, marks_of(x, lower, upper, found), found)
