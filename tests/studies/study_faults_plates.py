"""Named faults on moulds in two dimensions: recall, precision, false alarms by outline, chances beside how often right.

The seeds are none of those that priors and widths were set on. A short fill is right where resin had not arrived, an
overfill where 9.5 % or more went past, whoever put it in: moulds stop short and run over of their own. A shot whose log
has no readable curve (a line gauge at its floor throughout) is counted apart: the tool says that it did not judge it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import polars as pl
from tests.studies.harness import study
from tests.studies.plates_world import PlateMould, moulds

from catchpot.testing.jobs import compute
from catchpot_faults.analysis import Faults
from catchpot_faults.signs import FaultSigns
from catchpot_faults.tables import FAULT_SIGN
from catchpot_fill.tables import FILL, INJECTION

MOULDS, SHOTS, CHANCE = 12, 50, 0.15
FIRST_SEED = 60_000
STATED = {"race_tracking": 0.25, "overfill": 0.10}
"""Least severities that count for recall; the other kinds are put in at severities that all must be found."""
BINS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)


def judged(m: PlateMould) -> pl.DataFrame:
    """One row a shot and finding (one with none): truth, kind found, chance, severity, whether its curve was judged."""
    tables = m.filled()
    declared = {t.name: t for t in (FILL, INJECTION, FAULT_SIGN)}
    tables |= dict(compute(FaultSigns(), tables, m.book).tables)
    result = compute(Faults(), tables, m.book, declared=declared).tables
    found = result["finding"].join(result["fault_odds"].select("shot", "kind", "chance_pct"), on=["shot", "kind"])
    found = found.select("shot", found="kind", found_severity="severity", chance=pl.col("chance_pct") / 100)
    read = tables["injection"].select("shot", readable=pl.col("resistance_per_m3").arr.max().is_not_null())
    past = pl.col("injected_l") / pl.col("arrival_l") - 1
    truth = m.truth.select("shot", "kind", "severity", past=past, arrived=pl.col("arrived") > 0)
    rows = truth.join(read, on="shot", how="left").join(found, on="shot", how="left")
    short = pl.col("found").is_in(["short_fill", "stopped_before_vent"]) & ~pl.col("arrived")
    over = (pl.col("found") == "overfill") & (pl.col("past") >= 0.095)
    return rows.with_columns(
        family=pl.lit(m.family), found=pl.col("found").fill_null(""),
        right=((pl.col("found") == pl.col("kind")) | short | over).fill_null(True),
    )  # fmt: skip


@lru_cache(maxsize=2)
def all_rows(seeds: tuple[int, ...]) -> pl.DataFrame:
    """Rows of all moulds, shots named apart by mould and seed."""
    frames = [judged(m) for s in seeds for m in moulds(FIRST_SEED + s, MOULDS, SHOTS, fault_chance=CHANCE)]
    return pl.concat(frames)


@study("faults-plates", seeds=8, slice_seeds=1)
def by_kind(seeds: Sequence[int]) -> pl.DataFrame:
    """Recall and precision by kind, at the stated severities and above."""
    rows = all_rows(tuple(seeds))
    made = []
    for kind in sorted(set(rows["kind"]) - {""}):
        least = STATED.get(kind, 0.0)
        mine = rows.filter((pl.col("kind") == kind) & (pl.col("severity") >= least))
        shots = mine.group_by("shot").agg(hit=(pl.col("found") == kind).any(), readable=pl.col("readable").first())
        readable = shots.filter("readable")
        called = rows.filter(pl.col("found") == kind)
        made.append({
            "kind": kind, "least_severity": least, "shots": shots.height, "recall": shots["hit"].mean(),
            "readable": readable.height, "recall_readable": readable["hit"].mean(), "called": called.height,
            "precision": called["right"].mean(),
        })  # fmt: skip
    return pl.DataFrame(made)


@study("faults-plates-healthy", seeds=8, slice_seeds=1)
def by_family(seeds: Sequence[int]) -> pl.DataFrame:
    """Healthy shots with a finding that is not so, by outline; those told to act on; the kinds."""
    healthy = all_rows(tuple(seeds)).filter(pl.col("kind") == "")
    wrong = ~pl.col("right")
    shots = healthy.group_by("family", "shot").agg(
        wrong=wrong.any(), act=(wrong & (pl.col("found_severity") == "act")).any(),
        kinds=pl.col("found").filter(wrong),
    )  # fmt: skip
    whole = pl.concat([shots, shots.with_columns(family=pl.lit("all"))])
    return (
        whole.group_by("family")
        .agg(
            shots=pl.len(), flagged_pct=100 * pl.col("wrong").mean(), act_pct=100 * pl.col("act").mean(),
            kinds=pl.col("kinds").explode(empty_as_null=True).drop_nulls().unique().sort().str.join(", "),
        )
        .sort(pl.col("family") == "all", "family")
    )  # fmt: skip


@study("faults-plates-chances", seeds=8, slice_seeds=1)
def chances(seeds: Sequence[int]) -> pl.DataFrame:
    """Chance said against share right, by what was said."""
    return reliability(all_rows(tuple(seeds)).filter(pl.col("found") != ""))


def reliability(found: pl.DataFrame) -> pl.DataFrame:
    """Findings with `chance` and `right`, in bins of the chance."""
    labels = ["below 0.5", *(f"{a:.2f} to {b:.2f}" for a, b in pairwise(BINS))]
    cut = found.with_columns(said=pl.col("chance").cut(list(BINS[:-1]), labels=labels).cast(pl.String))
    return (
        cut.group_by("said")
        .agg(findings=pl.len(), said_pct=100 * pl.col("chance").mean(), right_pct=100 * pl.col("right").mean())
        .sort("said_pct")
    )
