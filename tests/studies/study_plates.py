"""Moulds in two dimensions: relative and absolute arrival, what the part took, advice, beside what a workshop does.

Bars: relative volume from the tenth shot on: median <= 0.5 %, 95th percentile <= 1.5 %; absolute arrival from logs and
book alone: median <= 2 %, interval holds 90-99 %, at most 5 % of shots that arrived without one; shots that stopped
before: at most 1 % given one; what the part took (injected less pot), one pot weighed: median <= 0.5 %, interval holds
90-99 %; first five shots: interval holds 90-99 %.

Advice is judged by the truth: share of shots in which resin would have arrived, and litres past the arrival. Beside it
what workshops do: 5 % over what the first three shots took (by the truth, as an eye at the vent would have it), the
volume that was set last, and stopping by eye two seconds late (which always fills).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import polars as pl
from tests.studies.harness import study
from tests.studies.plates_world import PlateMould, moulds

from catchpot_volume import predict
from catchpot_volume.gather import joined

MOULDS, SHOTS, PARTS = 10, 30, ("logs and book", "one pot weighed")
WEIGHED = 5
"""Number of the one shot whose pot is weighed."""
FIRST, SETTLED = 10, 9
"""Shots that say what is usual; from the tenth shot on."""


def rows_of(m: PlateMould, part: str) -> pl.DataFrame:
    """One row a shot: truth, what was said of it, and what the advice before it would have done."""
    tables = m.filled()
    fill = tables["fill"].drop("mould")
    frame = m.truth.join(fill, on="shot", how="left", maintain_order="left").with_row_index("number")
    gathered = joined(tables, m.book, m.name)
    read = predict.readings(gathered)
    ahead = predict.looked_ahead(read, [(0.01, 0.03)] * (read.found + 1))
    names = gathered["shot"].gather(read.rows).to_list()
    known = [(n, a) for n, a in zip(names, ahead[:-1], strict=True) if a is not None]
    advice = {n: float(np.exp(a.to_set(0.99))) for n, a in known}
    chance = {n: a.arrival.chance_below(a.to_set(0.99)) for n, a in known}
    ratio = pl.col("arrival_relative") / pl.col("arrival_l")
    settled = pl.col("number") >= SETTLED
    first = pl.col("arrival_l").filter((pl.col("number") < FIRST) & (pl.col("arrived") > 0)).median()
    return frame.with_columns(
        mould=pl.lit(m.name), family=pl.lit(m.family), part=pl.lit(part),
        advised_l=pl.col("shot").replace_strict(advice, default=None, return_dtype=pl.Float64),
        advised_chance=pl.col("shot").replace_strict(chance, default=None, return_dtype=pl.Float64),
        relative_error=100 * (ratio / ratio.filter(settled & (pl.col("arrived") > 0)).median() - 1),
        true_relative=pl.col("arrival_l") / first,
        habit_l=1.05 * pl.col("arrival_l").head(3).mean(), last_set_l=pl.col("injected_l").shift(1),
        by_pot_l=pl.col("injected_l") - pl.col("pot_kg") / 1.1,
    )  # fmt: skip


@lru_cache(maxsize=2)
def all_rows(seeds: tuple[int, ...]) -> pl.DataFrame:
    """Rows of all moulds, with and without a weighed pot."""
    frames = []
    for seed in seeds:
        for part, weigh in zip(PARTS, ((), (WEIGHED,)), strict=True):
            frames += [rows_of(m, part) for m in moulds(10_000 + seed, MOULDS, SHOTS, weigh=weigh)]
    return pl.concat(frames, how="vertical_relaxed")


def _share(of: pl.Expr, among: pl.Expr) -> pl.Expr:
    return 100 * of.filter(among).mean()


def summary(frame: pl.DataFrame) -> pl.DataFrame:
    """Errors in % of the truth, shares in %, by what was known; families and, last, all together."""
    whole = pl.concat([frame, frame.with_columns(family=pl.lit("all"))])
    arrived, settled, late = pl.col("arrived") > 0, pl.col("number") >= SETTLED, pl.col("number") >= WEIGHED
    told = pl.col("arrival_volume_l").is_not_null()
    error = 100 * (pl.col("arrival_volume_l") / pl.col("arrival_l") - 1)
    held = (pl.col("arrival_volume_low_l") <= pl.col("arrival_l") * 1.001) & (
        pl.col("arrival_volume_high_l") >= pl.col("arrival_l") * 0.999
    )
    usual = 100 * (pl.col("arrival_relative") / pl.col("true_relative") - 1)
    usual_held = (pl.col("arrival_relative_low") <= pl.col("true_relative")) & (
        pl.col("arrival_relative_high") >= pl.col("true_relative")
    )
    took = 100 * (pl.col("taken_volume_l") / pl.col("by_pot_l") - 1)
    took_held = (pl.col("taken_volume_low_l") <= pl.col("by_pot_l") * 1.001) & (
        pl.col("taken_volume_high_l") >= pl.col("by_pot_l") * 0.999
    )
    unweighed = late & (pl.col("number") != WEIGHED)
    advised = pl.col("advised_l").is_not_null() & (pl.col("number") >= 5)
    sure = advised & (pl.col("advised_chance") >= 0.985)

    def past(volume: str) -> pl.Expr:
        return 100 * (pl.col(volume) / pl.col("arrival_l") - 1).filter(advised).mean()

    return (
        whole.group_by("part", "family", maintain_order=True)
        .agg(
            moulds=pl.col("mould").n_unique(),
            relative_median=pl.col("relative_error").abs().filter(settled & arrived).median(),
            relative_p95=pl.col("relative_error").abs().filter(settled & arrived).quantile(0.95),
            usual_median=usual.abs().filter(settled & arrived).median(),
            usual_held=_share(usual_held, settled & arrived),
            arrival_median=error.abs().filter(arrived & told).median(),
            arrival_held=_share(held, arrived & told),
            half_width=(50 * (pl.col("arrival_volume_high_l") - pl.col("arrival_volume_low_l")) / pl.col("arrival_l"))
            .filter(arrived & told).median(),
            untold=_share(~told, arrived),
            first_five_held=_share(held, arrived & told & (pl.col("number") < 5)),
            false_arrivals=_share(told, ~arrived),
            took_median=took.abs().filter(unweighed).median(),
            took_held=_share(took_held, unweighed),
            advised=_share(advised, pl.col("number") >= 5),
            fills=_share(pl.col("advised_l") >= pl.col("arrival_l"), advised),
            fills_said_99=_share(pl.col("advised_l") >= pl.col("arrival_l"), sure),
            past=past("advised_l"),
            habit_fills=_share(pl.col("habit_l") >= pl.col("arrival_l"), advised), habit_past=past("habit_l"),
            last_set_fills=_share(pl.col("last_set_l") >= pl.col("arrival_l"), advised),
            last_set_past=past("last_set_l"),
        )
        .sort("part", pl.col("family") == "all", "family")
    )  # fmt: skip


@study("plates", seeds=20, slice_seeds=1)
def plates(seeds: Sequence[int]) -> pl.DataFrame:
    """Two-dimensional moulds: arrival, what the part took and advice, ten moulds a seed, thirty shots each."""
    return summary(all_rows(tuple(seeds)))
