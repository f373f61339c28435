"""Forecasts of wear in worlds whose laws are none of the tool's, at five shares of the life, beside plain peers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl
from tests.studies.harness import study
from tests.studies.life_peers import FARTHEST, PEERS, interval_score
from tests.studies.life_worlds import WORLDS, Unit, lasers

from catchpot.stats.degradation import fit_wear

SHARES = (0.3, 0.45, 0.6, 0.75, 0.9)
LEAST_READINGS = 5


def _units(seeds: Sequence[int]) -> Iterator[tuple[str, int, Unit]]:
    for number, (name, made) in enumerate(WORLDS.items()):
        for seed in seeds:
            unit = made(np.random.default_rng([seed, number, 117]))
            if unit is not None:
                yield name, seed, unit
    for number, unit in enumerate(lasers()):
        yield "lasers (open data)", number, unit


def _forecast(unit: Unit, share: float, seed: int) -> dict[str, tuple[bool, tuple[float, float, float]]]:
    """By method: whether it gives a date (the peers always), and the ends and middle of its 80 % interval."""
    known = unit.ages <= share * unit.life
    age, seen, sd = unit.ages[known], unit.readings[known], unit.sd[known]
    if age.size < LEAST_READINGS:
        return {}
    wear = fit_wear(age, seen, sd, unit.limit)
    low, middle, high = (v + wear.now for v in wear.shots_left(*wear.eighty))
    out = {"catchpot": (wear.seen, (low, middle, high))}
    rng = np.random.default_rng([seed, 118])
    for name, peer in PEERS.items():
        meets = np.maximum(peer(age, np.maximum(seen, 1e-3 * unit.limit), unit.limit, rng), age[-1])
        out[name] = (True, tuple(np.quantile(meets, [0.1, 0.5, 0.9]).tolist()))
    return {k: (v[0], tuple(min(e, FARTHEST * age[-1]) for e in v[1])) for k, v in out.items()}


@study("seal-life-worlds", seeds=50, slice_seeds=2)
def seal_life_worlds(seeds: Sequence[int]) -> pl.DataFrame:
    """Held shares and interval scores by world and by share of the life, all forecasts, those without a date too.

    score: interval score over the life, 80 %, no end farther than ten times the age; of_best_peer: ours over the best
    peer's of the row's case.
    """
    rows: list[dict[str, object]] = []
    for world, seed, unit in _units(seeds):
        for share in SHARES:
            for name, (dated, (low, middle, high)) in _forecast(unit, share, seed).items():
                rows.append({
                    "world": world, "share_of_life": share, "method": name, "dated_pct": 100.0 * dated,
                    "held_pct": 100.0 * (low <= unit.life <= high), "met_before_pct": 100.0 * (unit.life < low),
                    "median_error_pct": 100.0 * abs(middle / unit.life - 1.0),
                    "score": interval_score(low, high, unit.life) / unit.life,
                })  # fmt: skip
    frame = pl.DataFrame(rows)
    return pl.concat([
        _table(frame.with_columns(pl.lit(None, pl.Float64).alias("share_of_life"))),
        _table(frame.with_columns(pl.lit("all").alias("world"))),
    ])  # fmt: skip


def _table(frame: pl.DataFrame) -> pl.DataFrame:
    case = ["world", "share_of_life"]
    made = frame.group_by([*case, "method"], maintain_order=True).agg(
        pl.len().alias("tries"), pl.col("dated_pct", "held_pct", "met_before_pct").mean(),
        pl.col("median_error_pct").median(), pl.col("score").mean(),
    )  # fmt: skip
    peers = made.filter(pl.col("method") != "catchpot").group_by(case).agg(pl.col("score").min().alias("best"))
    return made.join(peers, on=case, how="left", nulls_equal=True, maintain_order="left").select(
        pl.exclude("best"),
        pl.when(pl.col("method") == "catchpot").then(pl.col("score") / pl.col("best")).alias("of_best_peer"),
    )
