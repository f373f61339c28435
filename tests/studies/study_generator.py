"""What the generator itself makes: how far uneven lanes bring the arrival forward, and how full parts come out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl
from tests.studies.harness import study

from catchpot.testing import made_up as mu

LANE_SD = (0.0, 0.10, 0.17)


@study("generator-lanes", seeds=20, slice_seeds=2)
def lanes(seeds: Sequence[int]) -> pl.DataFrame:
    """Share of the pore volume that is in when the first lane reaches the vent, and when injection stops."""
    frames = []
    for seed in seeds:
        for sd in LANE_SD:
            nuisances = replace(mu.Nuisances.off(), lane_sd=sd, lanes=8)
            made = mu.simulate(mu.Scenario(moulds=mu.five_moulds(6), nuisances=nuisances), seed, dt_s=0.5)
            frames.append(made.truth_shot.with_columns(pl.lit(sd).alias("lane_sd")))
    return (
        pl.concat(frames)
        .group_by("mould", "lane_sd")
        .agg(
            pl.len().alias("n"),
            (pl.col("arrival_true_l") / pl.col("pore_volume_l") * 100).mean().alias("arrival_pct"),
            (pl.col("arrival_true_l") / pl.col("pore_volume_l") * 100).quantile(0.05).alias("arrival_p5_pct"),
            (pl.col("filled_share") * 100).mean().alias("filled_at_stop_pct"),
        )
        .sort("mould", "lane_sd")
    )
