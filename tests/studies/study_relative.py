"""Relative volume over months: against what the moulds of the made-up demo workshop took, in metered litres.

Bar: 95 % intervals hold 90-99 %. An error shared by all later shots of a mould counts here: the truth is what the first
ten shots took, not what the estimate makes of the rest. Peer: the set volume, which people move after what they see.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import polars as pl
from tests.studies.harness import analysed, study

from catchpot.testing.demo import write_demo

FIRST = 10


def workshop(seed: int) -> pl.DataFrame:
    """Healthy shots of one workshop: mould, number, relative value with its ends, and its truths."""
    from catchpot.api import open_session

    with tempfile.TemporaryDirectory() as d:
        folder = Path(d) / "w"
        write_demo(folder, seed=seed)
        analysed(folder, f"seed {seed}")
        truth = pl.read_csv(folder / "truth" / "shot.csv", infer_schema_length=None)
        session = open_session(folder)
        said = session.table("fill").select(
            "shot", "arrival_relative", "arrival_relative_low", "arrival_relative_high", "injected_volume_l"
        )
        programmed = session.table("shot").select("shot", "programmed_volume_l")
    healthy = truth.filter(pl.col("faults").is_null() | (pl.col("faults") == ""))
    own = healthy.select(
        "shot", "mould", "number", took_l=pl.col("pore_volume_l") * pl.col("meter_gain"), arrival_l="arrival_volume_l"
    )
    frame = own.join(said, on="shot").join(programmed, on="shot").sort("mould", "number")
    usual = [
        (pl.col(of).cast(pl.Float64) / pl.col(of).cast(pl.Float64).head(FIRST).median().over("mould")).alias(name)
        for of, name in (("took_l", "took"), ("arrival_l", "arrival"), ("programmed_volume_l", "set"))
    ]
    return frame.drop_nulls("arrival_relative").with_columns(usual).with_columns(seed=pl.lit(seed))


@study("relative", seeds=8, slice_seeds=1)
def relative(seeds: Sequence[int]) -> pl.DataFrame:
    """Relative volume of the demo workshop's moulds, from the eleventh shot on, against what they took and arrivals."""
    frame = pl.concat([workshop(700 + s) for s in seeds], how="vertical_relaxed")
    late = frame.filter(pl.int_range(pl.len()).over("seed", "mould") >= FIRST)
    whole = pl.concat([late, late.with_columns(mould=pl.lit("all"))])

    def held(truth: str) -> pl.Expr:
        inside = (pl.col("arrival_relative_low") <= pl.col(truth)) & (pl.col(truth) <= pl.col("arrival_relative_high"))
        return 100 * inside.mean()

    error = 100 * (pl.col("arrival_relative") / pl.col("took") - 1)
    half = 50 * (pl.col("arrival_relative_high") - pl.col("arrival_relative_low")) / pl.col("took")
    return (
        whole.group_by("mould")
        .agg(
            shots=pl.len(), error_median=error.abs().median(), error_p95=error.abs().quantile(0.95),
            bias=error.median(), half_width=half.median(), held=held("took"), held_of_arrivals=held("arrival"),
            set_volume_median=(100 * (pl.col("set") / pl.col("took") - 1)).abs().median(),
        )
        .sort(pl.col("mould") == "all", "mould")
    )  # fmt: skip
