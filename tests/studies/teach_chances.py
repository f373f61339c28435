"""Makes `catchpot_faults/chances.csv`: how often findings said with some chance are right, by kind.

    python -m tests.studies.teach_chances OUT.csv

Moulds in two dimensions and straight channels with lanes are drawn with faults in them, judged without the table, and
each finding is held against the truth; then the log odds of being right are fitted as a straight line of the log odds
said and, for kinds of the curve, of how often the mould had the same lately. Kinds of the curve are drawn to what they
have in common, others to "as said"; none is made surer than its model. No seed of these is one of a study.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path
from unittest.mock import patch

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize
from tests.studies import faults_world
from tests.studies.plates_world import moulds
from tests.studies.study_faults import kinds_once
from tests.studies.study_faults_plates import CHANCE, MOULDS, SHOTS, judged

from catchpot_faults import chances

Floats = NDArray[np.float64]
PLATE_SEEDS, CHANNEL_SEEDS = range(910_000, 910_010), range(910_100, 910_110)
SHIFT_SD, SLOPE_SD, AGAIN_SD = 0.5, 0.2, 1.0
"""How far a line may lie off what it is drawn to before anything was counted."""
CURVE = frozenset({
    "race_tracking", "flow_restriction", "early_gel", "air_in_line", "unusual_shape", "cover_lifting",
})  # fmt: skip
"""Kinds that speak of the curve: what they have in common is taken for kinds from elsewhere."""


def findings() -> pl.DataFrame:
    """mould, number, kind, chance and whether it was right, of all findings of all moulds."""
    made = []
    columns = ("mould", "number", "found", "chance", "right")
    for seed in PLATE_SEEDS:
        for m in moulds(seed, MOULDS, SHOTS, fault_chance=CHANCE):
            number = pl.col("shot").str.slice(-3).cast(pl.Int64)
            made.append(judged(m).with_columns(mould=pl.lit(m.name), number=number).select(columns))
    for seed in CHANNEL_SEEDS:
        found, truth, _ = faults_world.findings(kinds_once(seed), seed)
        rows = faults_world.held_against(found, truth).with_columns(pl.col("mould") + f"-{seed}")
        made.append(rows.select(columns))
    return pl.concat(made, how="vertical_relaxed").filter(pl.col("found") != "")


def line(numbers: Floats, right: Floats, centre: Floats, sd: Floats) -> Floats:
    """Weights of the log odds of being right. numbers: (findings, 3): one, log odds said, log of one and the shots
    before that had the same. centre, sd: what the weights are drawn to, (3,)."""

    def loss(at: Floats) -> float:
        odds = numbers @ at
        return float(np.sum(np.logaddexp(0.0, odds) - right * odds) + 0.5 * np.sum(((at - centre) / sd) ** 2))

    bounds = [(None, 0.0), (0.0, 1.0), (None, 0.0)]
    return np.asarray(minimize(loss, centre, bounds=bounds, method="L-BFGS-B").x)


def lines(given: pl.DataFrame) -> list[tuple[str, Floats]]:
    """One for each kind, and one for kinds from elsewhere."""
    held = pl.col("chance").clip(chances.MOST_SURE, 1.0 - chances.MOST_SURE)
    before = pl.col("found").cum_count().over("mould", "found") - 1
    given = given.sort("mould", "number").with_columns(said=(held / (1.0 - held)).log(), before=before)

    def of(part: pl.DataFrame, centre: Floats, sd: Floats) -> Floats:
        numbers = np.column_stack([np.ones(part.height), part["said"], np.log1p(part["before"].to_numpy())])
        return line(numbers, part["right"].to_numpy().astype(float), centre, sd)

    as_said = np.array(chances.AS_SAID)
    common = of(given.filter(pl.col("found").is_in(list(CURVE))), as_said, np.array([2.0, 1.0, 2.0]))
    fixed = 1e-6
    made = []
    for kind in sorted(set(given["found"])):
        part = given.filter(pl.col("found") == kind)
        curve = kind in CURVE
        sd = np.array([SHIFT_SD, SLOPE_SD, AGAIN_SD if curve else fixed])
        made.append((kind, of(part, common if curve else as_said, sd)))
    return [*made, (chances.OTHERS, common)]


def write(made: list[tuple[str, Floats]], path: Path) -> None:
    """Write the table as `catchpot_faults.chances` reads it."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["kind", "shift", "slope", "again"])
        out.writerows([kind, *(f"{v:.3f}" for v in weights)] for kind, weights in made)


def main() -> None:
    """Make the table anew."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    given = parser.parse_args()
    with patch.object(chances, "_table", dict):  # as said
        write(lines(findings()), given.out)


if __name__ == "__main__":
    main()
