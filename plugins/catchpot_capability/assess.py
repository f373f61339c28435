"""One mould, month and measure: steady or not, by which law, how capable. Glue over `catchpot.stats`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchpot.report import words
from catchpot.stats.capability import PERCENTILES, Index, capability, gauge_of, without_gauge
from catchpot.stats.control import moving_ranges, range_constants
from catchpot.stats.laws import is_autocorrelated, lag_one, weigh
from catchpot.stats.run_length import rate_sentence
from catchpot.stats.steady import Steadiness, judge
from catchpot_capability.settings import CapabilityParams, OverMouldsParams

Floats = NDArray[np.float64]
LEAST = 5
METHOD = (
    f"percentile form of ISO 22514-2 ({PERCENTILES} points; of a normal law the mean -+ 3 s.d.); values by the"
    " named law, intervals over every law the shots allow"
)
FIXED_METHOD = f"law from the settings, percentile form of ISO 22514-2 ({PERCENTILES} points)"
LAW_WORDS = {
    "normal": "normal", "lognormal": "lognormal", "gamma": "gamma", "weibull": "Weibull",
    "shifted": "skewed law with an origin of its own", "mixed": "mixture of two normal laws",
}  # fmt: skip
GAUGE_COLUMNS = ("gauge_sd", "ppk_without_gauge", "ppk_without_gauge_low", "ppk_without_gauge_high")
INDEX_COLUMNS = tuple(f"{n}{end}" for n in ("cp", "cpk", "pp", "ppk") for end in ("", "_low", "_high"))


@dataclass(frozen=True)
class Assessed:
    """Columns of `capability` (all but keys, words and events) and a mark a shot.

    log_likelihood: of each law, for the months after; None where none was fitted.
    """

    columns: dict[str, Any]
    marks: list[str]
    steadiness: Steadiness | None
    log_likelihood: Floats | None


def _ends(name: str, index: Index) -> dict[str, float | None]:
    return {name: index.value, f"{name}_low": index.low, f"{name}_high": index.high}


def _nothing(x: Floats, lower: float | None, upper: float | None) -> dict[str, Any]:
    ranges = moving_ranges(x)
    return {
        "n": x.size,
        "mean": float(x.mean()),
        "sd_shot_to_shot": float(ranges.mean()) / range_constants(2).d2 if x.size > 1 else None,
        "sd_total": float(x.std(ddof=1)) if x.size > 1 else None,
        **dict.fromkeys((*INDEX_COLUMNS, *GAUGE_COLUMNS)),
        "outside": int(sum(beyond(v, lower, upper) != "" for v in x)),
        "by_count": None, "by_count_low": None, "by_count_high": None,
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


HIT_WORDS = {"one beyond the control limits": "a shot lay further out than chance puts one"}
"""What a pattern is in a sentence, where its name alone would not be understood."""


def unsteady_words(found: Steadiness, day_of: Sequence[str], starts_word: str = "it drifted") -> str:
    """What spoke against a steady month. day_of: each shot's day in words."""
    said: list[str] = []
    if found.change is not None:
        verb = "it drifted" if found.change.kind == "trend" else starts_word
        said.append(f"{verb}: see the change on {day_of[found.change.at]}")
    for phrase, places in found.hits.items():
        which = words.listed([day_of[i] for i in places], 3)
        said.append(f"{HIT_WORDS.get(phrase, phrase)} ({which})")
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

    before: `Weighed.log_likelihood` of the same measure's earlier steady months, an array a month.
    """
    columns = _nothing(x, lower, upper)
    if x.size < LEAST or not float(np.ptp(x)) > 1e-9 * float(np.abs(x).max()) or not moving_ranges(x).any():
        columns["verdict"] = "too few shots" if x.size < LEAST else "no curve fits"
        columns["law_reason"] = "all its values are equal, so no spread can be given" if x.size >= LEAST else ""
        return Assessed(columns, marks_of(x, lower, upper, None), None, None)
    fixed = params.laws.get(measure) if isinstance(params, CapabilityParams) else None
    if fixed is not None and fixed != "normal" and not (x > 0).all():
        columns["verdict"] = "no curve fits"
        columns["law_reason"] = f"the settings name the {fixed} law, but not every value lies above zero"
        return Assessed(columns, marks_of(x, lower, upper, None), None, None)
    laws = weigh(x, before, fixed)
    found = judge(x, laws, params.run_rules, params.limit_sd, params.false_alarm_share)
    c = capability(x, lower, upper, laws)
    gauge = (
        gauge_of([np.array(r) for r in params.repeats.get(measure, [])])
        if isinstance(params, CapabilityParams)
        else None
    )
    if gauge is not None:
        columns |= {"gauge_sd": gauge.sd, **_ends("ppk_without_gauge", without_gauge(c.ppk, c.sd_total, c.n, gauge))}
    columns |= {**_ends("cp", c.cp), **_ends("cpk", c.cpk), **_ends("pp", c.pp), **_ends("ppk", c.ppk)}
    expected = {"": c.expected_pct.value, "low_": c.expected_pct.low, "high_": c.expected_pct.high}
    columns |= {f"expected_outside_{k}pct": None if v is None else min(v, 100.0) for k, v in expected.items()}
    columns |= {
        **_ends("by_count", c.by_count),
        "law": laws.name,
        "law_reason": laws.reason,
        "method": f"{LAW_WORDS[laws.name]}: {METHOD if laws.fixed is None else FIXED_METHOD}",
        "steady": found.steady,
        "meaningful": found.steady,
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
    index = columns["cpk"]
    if not found.steady:
        columns["verdict"] = "not meaningful"
    else:
        columns["verdict"] = "capable" if index is not None and index >= params.capable_from else "not capable"
    return Assessed(columns, marks_of(x, lower, upper, found), found, laws.log_likelihood)
