"""All moulds together: each shot's deviation from what was expected of its mould, with a capability of its own.

For workshops with few shots a month per mould (charting of short runs, as ISO 7870-8 treats it). The deviation is a
share of the room between what was expected and the mould's limit on that side, so that moulds of any size compare
and +-1 is the limit of each.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel

from catchpot.analysis import Job, Refused, Result
from catchpot.report import words
from catchpot.tables import Table, empty, shape
from catchpot_capability.assess import INDEX_COLUMNS, LEAST, assess
from catchpot_capability.months import spoken
from catchpot_capability.sentences import index_words
from catchpot_capability.settings import OverMouldsParams
from catchpot_capability.tables import OVER_MOULDS, OVER_MOULDS_SHOT

Floats = NDArray[np.float64]
NOTHING_SHARED = "no month has five shots or more of two moulds with limits for the same measure"
ROW = (
    "month", "measure", "label", "n", "moulds", "mean", "sd_shot_to_shot", "sd_total", *INDEX_COLUMNS, "outside",
    "steady", "unsteady_because", "control_lower", "control_upper", "verdict", "sentence",
)  # fmt: skip


def deviations(shots: pl.DataFrame) -> pl.DataFrame:
    """`shots` with `deviation`: share of the room between expected and limit; rows that have no such room left out.

    shots: value, expected, lower_limit, upper_limit. Expected is the mean of the mould's last shots before the month,
    else the middle of its limits. With one limit the room to it serves on both sides.

    >>> limits = {"lower_limit": [2.3, 2.3], "upper_limit": [2.7, 2.7]}
    >>> shots = pl.DataFrame({"value": [2.6, 2.4], "expected": [2.5, None], **limits})
    >>> deviations(shots)["deviation"].round(2).to_list()
    [0.5, -0.5]
    """
    low, high = pl.col("lower_limit"), pl.col("upper_limit")
    middle = pl.when(pl.col("expected").is_between(low.fill_null(-np.inf), high.fill_null(np.inf))).then("expected")
    at = pl.coalesce(middle, (low + high) / 2)
    up, down = pl.coalesce(high - at, at - low), pl.coalesce(at - low, high - at)
    off = pl.col("value") - at
    made = shots.with_columns((off / pl.when(off >= 0).then(up).otherwise(down)).alias("deviation"))
    return made.filter(pl.col("deviation").is_finite())


class OverMouldsAnalysis:
    """The analysis `capability_over_moulds`, the whole workshop at once."""

    name = "capability_over_moulds"
    part: Literal["shot", "mould", "workshop"] = "workshop"
    causal = False
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "capability_shot": ("started_at", "value", "expected", "lower_limit", "upper_limit"),
            "capability": ("label",),
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (OVER_MOULDS, OVER_MOULDS_SHOT)
    params: type[BaseModel] = OverMouldsParams

    def compute(self, job: Job) -> Result:
        """Compute every month and measure that at least two moulds share."""
        params = job.params if isinstance(job.params, OverMouldsParams) else OverMouldsParams()
        labels = dict(job.tables["capability"].select("measure", "label").iter_rows())
        made = deviations(job.tables["capability_shot"]).sort("started_at", "shot")
        rows: list[dict[str, Any]] = []
        frames: list[pl.DataFrame] = [empty(OVER_MOULDS_SHOT)]
        for (month, measure), frame in sorted(made.group_by("month", "measure"), key=lambda g: tuple(map(str, g[0]))):
            if frame["mould"].n_unique() < 2 or frame.height < LEAST:
                continue
            row, marks = self._judged(str(month), str(measure), labels.get(measure) or str(measure), frame, params)
            rows.append(row)
            columns = {n: frame[n] for n in OVER_MOULDS_SHOT.names if n != "mark"}
            frames.append(shape(OVER_MOULDS_SHOT, {**columns, "mark": marks}))
        table = shape(OVER_MOULDS, {n: [r.get(n) for r in rows] for n in ROW}) if rows else empty(OVER_MOULDS)
        refused = () if rows else (Refused("workshop", self.name, NOTHING_SHARED),)
        return Result({OVER_MOULDS.name: table, OVER_MOULDS_SHOT.name: pl.concat(frames)}, refused)

    def _judged(
        self, month: str, measure: str, label: str, frame: pl.DataFrame, params: OverMouldsParams
    ) -> tuple[dict[str, Any], list[str]]:
        u = frame["deviation"].to_numpy().astype(float)
        low = -1.0 if frame["lower_limit"].null_count() < frame.height else None
        high = 1.0 if frame["upper_limit"].null_count() < frame.height else None
        names = [f"shot {s}" for s in frame["shot"]]
        judged = assess(u, [], low, high, measure, names, params)
        moulds = frame["mould"].n_unique()
        row = {**judged.columns, "month": month, "measure": measure, "label": label, "moulds": moulds}
        row["sentence"] = _sentence(row)
        return row, judged.marks


def _sentence(row: Mapping[str, Any]) -> str:
    begin = f"All moulds, {spoken(row['month'])}: {row['label']}, {row['n']} shots of {row['moulds']} moulds"
    mean = f"on average {words.signed(100 * row['mean'], '%', 0)} of the room between expected and limit"
    outside = f"{row['outside'] or 'none'} beyond its mould's limits"
    if row["verdict"] == "not meaningful":
        return f"{begin}, was not steady ({row['unsteady_because']}); {mean}, {outside}."
    if row["verdict"] in ("capable", "not capable"):
        return f"{begin}, is {row['verdict']} ({index_words(row)}); {mean}, {outside}."
    return f"{begin}: no index; {mean}, {outside}."
