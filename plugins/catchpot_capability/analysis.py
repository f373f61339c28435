"""Capability of a mould, month by month. Glue; the maths is in `catchpot.stats`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel

from catchpot.analysis import Job, Refused, Result
from catchpot.happened import SHOT_COLUMNS, Happened
from catchpot.report import words
from catchpot.stats.capability import capability
from catchpot.tables import Table, from_rows
from catchpot.workshop import Mould
from catchpot_capability import happened, sentences
from catchpot_capability.assess import assess
from catchpot_capability.months import ends, month_of
from catchpot_capability.settings import SPLIT_SHOTS, CapabilityParams
from catchpot_capability.tables import CAPABILITY, CAPABILITY_PART, CAPABILITY_SHOT

Rows = list[dict[str, Any]]
Floats = NDArray[np.float64]
NO_LIMITS = "the mould book gives no specification limits for this mould, so there is nothing to be capable of"
BEFORE_SHOTS, BEFORE_LEAST, LAW_MONTHS = 30, 5, 11


def column_of(measure: str, columns: list[str]) -> str | None:
    """The wide frame's column of a measure: of that name, or `table.name` (fill's first)."""
    if measure in columns:
        return measure
    named = sorted((c for c in columns if c.endswith(f".{measure}")), key=lambda c: (not c.startswith("fill."), c))
    return named[0] if named else None


class CapabilityAnalysis:
    """The analysis `capability`, a mould at a time."""

    name = "capability"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False  # a later shot of the month changes its row
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({"shot": SHOT_COLUMNS, "*": ()})
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({"event": ("time", "mould", "kind", "detail")})
    yields: tuple[Table, ...] = (CAPABILITY, CAPABILITY_SHOT, CAPABILITY_PART)
    params: type[BaseModel] = CapabilityParams

    def __init__(self, zone: str = "UTC") -> None:
        """zone: the workshop's time zone: its calendar makes the months."""
        self.zone = zone

    def compute(self, job: Job) -> Result:
        """Compute the moulds of the job."""
        params = job.params if isinstance(job.params, CapabilityParams) else CapabilityParams()
        rows: dict[str, Rows] = {t.name: [] for t in self.yields}
        refused: list[Refused] = []
        for mould in job.units:
            wide = job.tables["*"].filter((pl.col("mould") == mould) & pl.col("started_at").is_not_null())
            wide = wide.with_columns(month_of("started_at", self.zone).alias("month"))
            shots = job.tables["shot"].filter(pl.col("mould") == mould)
            events = job.tables.get("event")
            if events is not None:
                events = events.filter(pl.col("mould").is_null() | (pl.col("mould") == mould))
            cuts = happened.cuts(events, shots)
            entry = job.book.moulds.get(mould)
            named = _with_limits(entry) if entry is not None else []
            if not named:
                refused.append(Refused(mould, "capability", NO_LIMITS))
            for measure in named:
                column = column_of(measure, wide.columns)
                if column is None or wide[column].null_count() == wide.height:
                    refused.append(Refused(mould, f"capability.{measure}", "no shot has this measure"))
                    continue
                self._measure(job, mould, measure, column, wide, cuts, params, rows)
        tables = {t.name: from_rows(t, rows[t.name]) for t in self.yields}
        return Result(tables, refused)

    def _measure(
        self, job: Job, mould: str, measure: str, column: str, wide: pl.DataFrame, cuts: list[Happened],
        params: CapabilityParams, rows: dict[str, Rows],
    ) -> None:  # fmt: skip
        known = wide.filter(pl.col(column).is_not_null()).select("shot", "started_at", "month", value=column)
        declared = job.declared["*"].column(column)
        label = (declared.label or declared.doc.split(";")[0].split(" (")[0]).split(":")[0].split(",")[0]
        earlier: list[Floats] = []
        steady: list[Floats] = []
        for (month,), frame in known.group_by("month", maintain_order=True):
            x = frame["value"].to_numpy().astype(float)
            last_day = (ends(str(month), self.zone) - timedelta(days=1)).date()
            low, high = job.book.at(mould, last_day).limits.get(measure, (None, None))
            if low is not None or high is not None:
                key = {"mould": mould, "month": str(month), "measure": measure}
                about = {"label": label, "unit": declared.unit, "lower_limit": low, "upper_limit": high}
                self._month(key, about, frame, x, earlier, steady, cuts, params, rows)
            earlier.append(x)

    def _month(
        self, key: dict[str, str], about: dict[str, Any], frame: pl.DataFrame, x: Floats,
        earlier: list[Floats], steady: list[Floats], cuts: list[Happened], params: CapabilityParams,
        rows: dict[str, Rows],
    ) -> None:  # fmt: skip
        low, high = about["lower_limit"], about["upper_limit"]
        starts = frame["started_at"].to_list()
        days = [words.day(s, self.zone) for s in starts]
        judged = assess(x, steady[-LAW_MONTHS:], low, high, key["measure"], days, params)
        if judged.columns["steady"] and judged.log_likelihood is not None:
            steady.append(judged.log_likelihood)
        inside = happened.within(cuts, starts[0], starts[-1])
        change = judged.steadiness.change if judged.steadiness else None
        row: dict[str, Any] = {
            **key, **about, **judged.columns,
            "events": "; ".join(f"{c.text}, {words.day(c.at, self.zone)}" for c in inside),
            "changed_at": starts[change.at] if change else None,
            "first_shot_at": starts[0], "last_shot_at": starts[-1],
        }  # fmt: skip
        row["sentence"] = sentences.sentence(row)
        rows["capability"].append(row)
        past = np.concatenate(earlier)[-BEFORE_SHOTS:] if earlier else np.empty(0)
        expected = float(past.mean()) if past.size >= BEFORE_LEAST else None
        for i, (shot, at) in enumerate(frame.select("shot", "started_at").iter_rows()):
            rows["capability_shot"].append(
                {**key, "shot": shot, "started_at": at, "value": float(x[i]),
                 "moving_range": abs(float(x[i] - x[i - 1])) if i else None, "mark": judged.marks[i],
                 "expected": expected, "lower_limit": low, "upper_limit": high}
            )  # fmt: skip
        for n, (text, first, last) in enumerate(happened.stretches(starts, inside, SPLIT_SHOTS), 1):
            part = x[first:last]
            if part.size < 3 or not np.abs(np.diff(part)).any():
                continue
            c = capability(part, low, high, params.laws.get(key["measure"]))
            rows["capability_part"].append(
                {**key, "part": n, "begins_with": text, "from_at": starts[first], "to_at": starts[last - 1],
                 "n": c.n, "mean": c.mean, "sd_shot_to_shot": c.sd_shot_to_shot, "sd_total": c.sd_total,
                 "ppk": c.ppk.value, "ppk_low": c.ppk.low, "ppk_high": c.ppk.high, "outside": c.outside}
            )  # fmt: skip


def _with_limits(entry: Mould) -> list[str]:
    """Measures that have limits at any time, each once."""
    return list(dict.fromkeys([*entry.limits, *(m for c in entry.in_order() for m in c.limits or ())]))
