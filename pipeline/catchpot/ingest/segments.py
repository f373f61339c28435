"""Whole columns of many shots at once: one array a channel, the shots end to end, and where each begins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Samples:
    """Samples of n shots, end to end.

    shots: names, in order. starts, counts: first row and number of rows of each shot. shot_of: place of the shot of
    each row. step_s: each shot's median sampling interval. Columns are f64 with NaN for missing.
    """

    shots: list[str]
    starts: NDArray[np.int64]
    counts: NDArray[np.int64]
    shot_of: NDArray[np.int64]
    step_s: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]

    def rows(self, shot: int) -> slice:
        """Rows of a shot."""
        return slice(int(self.starts[shot]), int(self.starts[shot] + self.counts[shot]))

    def has(self, name: str) -> bool:
        """Whether the channel holds a reading anywhere in the batch."""
        return name in self.columns


def from_frame(frame: pl.DataFrame) -> Samples:
    """From a sample frame ordered by shot, then t_s. Shots without rows are not in it."""
    runs = frame["shot"].rle().struct.unnest()
    counts = runs["len"].to_numpy().astype(np.int64)
    starts = np.concatenate(([0], np.cumsum(counts)))[:-1].astype(np.int64)
    shot_of = np.repeat(np.arange(len(counts)), counts)
    columns: dict[str, NDArray[np.float64]] = {}
    for name in frame.columns:
        if name == "shot" or frame[name].null_count() == frame.height:
            continue
        columns[name] = frame[name].to_numpy().astype(np.float64, copy=False)
    t = columns["t_s"]
    step = np.diff(t, prepend=np.nan)
    step[starts] = np.nan
    mid = pl.DataFrame({"s": shot_of, "d": step}).select(pl.col("s"), pl.col("d").fill_nan(None))
    middle = mid.group_by("s", maintain_order=True).agg(pl.col("d").median())["d"].fill_null(1.0).to_numpy()
    return Samples(runs["value"].to_list(), starts, counts, shot_of, np.maximum(middle, 1e-3), columns)


def filled(samples: Samples, name: str, otherwise: float = 0.0) -> NDArray[np.float64]:
    """A channel with missing readings put on a straight line between their neighbours of the same shot."""
    values = samples.columns.get(name)
    if values is None:
        return np.full(len(samples.shot_of), otherwise)
    if not np.isnan(values).any():
        return values
    frame = pl.DataFrame({"s": samples.shot_of, "v": values}).with_columns(pl.col("v").fill_nan(None))
    line = pl.col("v").interpolate().forward_fill().backward_fill().over("s")
    return frame.select(line.fill_null(otherwise))["v"].to_numpy()


def moving_mean(samples: Samples, values: NDArray[np.float64], window_s: float, least: int = 3) -> NDArray[np.float64]:
    """Centred mean over about window_s, at least `least` samples, never across the border of a shot."""
    half = np.maximum(np.round(window_s / samples.step_s), least).astype(np.int64) // 2
    rows = np.arange(len(values))
    low = np.maximum(rows - half[samples.shot_of], samples.starts[samples.shot_of])
    high = np.minimum(rows + half[samples.shot_of] + 1, (samples.starts + samples.counts)[samples.shot_of])
    total = np.zeros(len(values) + 1)
    made = np.empty(len(values))
    for shot in range(len(samples.starts)):
        # shot by shot: in one sum over all, a shot's last digits would hang on what it is read with
        mine = samples.rows(shot)
        total[: samples.counts[shot] + 1] = np.concatenate(([0.0], np.cumsum(values[mine])))
        made[mine] = total[high[mine] - mine.start] - total[low[mine] - mine.start]
    return np.asarray(made / (high - low))


def middle_of_three(samples: Samples, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each value's median with its two neighbours of the same shot: a spike of one sample is gone, an edge stays."""
    rows = np.arange(len(values))
    before = values[np.maximum(rows - 1, samples.starts[samples.shot_of])]
    after = values[np.minimum(rows + 1, (samples.starts + samples.counts - 1)[samples.shot_of])]
    low, high = np.minimum(before, after), np.maximum(before, after)
    return np.asarray(np.clip(values, low, high))


def by_shot(
    samples: Samples, values: NDArray[np.float64], where: NDArray[np.bool_] | None, *quantiles: float
) -> list[NDArray[np.float64]]:
    """Quantiles of a column for each shot, over the rows chosen; NaN where none is."""
    frame = pl.DataFrame({"s": samples.shot_of, "v": values})
    if where is not None:
        frame = frame.filter(pl.Series(where))
    wanted = [pl.col("v").fill_nan(None).quantile(q, "linear").alias(str(i)) for i, q in enumerate(quantiles)]
    got = frame.group_by("s").agg(wanted)
    found = []
    for i in range(len(quantiles)):
        out = np.full(len(samples.shots), np.nan)
        out[got["s"].to_numpy()] = got[str(i)].fill_null(float("nan")).to_numpy()
        found.append(out)
    return found


def runs_of(samples: Samples, mask: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last rows of the runs where the mask holds; a run never crosses the border of a shot."""
    before = np.concatenate(([False], mask[:-1]))
    after = np.concatenate((mask[1:], [False]))
    before[samples.starts] = False
    after[samples.starts[1:] - 1] = False
    return np.flatnonzero(mask & ~before), np.flatnonzero(mask & ~after)
