"""Named faults over five geometries, with nuisances on: confusion, recall against severity, false alarms, drift.

The confusion study draws each fault from the severity that must be found to twice that; the recall study puts it at a
few severities around it. What counts as found stands in `faults_world.py`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from tests.studies.faults_world import (
    BESIDES,
    FAINTER,
    FIRST_FAULT,
    MOULD_SHOTS,
    MUST_BE_FOUND,
    confusion,
    findings,
    moulds,
    outcomes,
)
from tests.studies.harness import study

from catchpot.testing import made_up as mu


@study("faults", seeds=12, slice_seeds=1)
def faults(seeds: Sequence[int]) -> pl.DataFrame:
    """Confusion matrix over five geometries: after thirteen shots every second has a fault, nuisances on."""
    return confusion(pl.concat([each_kind_once(seed) for seed in seeds]))


def each_kind_once(seed: int) -> pl.DataFrame:
    """Outcomes of five moulds, each with every kind once; shots named apart by seed."""
    found, truth, _ = findings(kinds_once(seed), seed)
    return outcomes(found, truth).with_columns(pl.concat_str("shot", pl.lit(f"/{seed}")).alias("shot"))


def kinds_once(seed: int) -> mu.Scenario:
    """Five moulds, each with every kind once, in an order of its own."""
    rng = np.random.default_rng([seed, 7])
    kinds = {**MUST_BE_FOUND, **BESIDES}
    put = []
    made_moulds = moulds(seed)
    for mould in made_moulds:
        order = list(rng.permutation(list(kinds)))
        for n, kind in enumerate(order):
            at = FIRST_FAULT + n * (MOULD_SHOTS - FIRST_FAULT) // len(order) + int(rng.integers(0, 2))
            put.append(mu.Fault(mould.name, kind, min(at, MOULD_SHOTS - 1), **kinds[kind](rng)))
    return mu.Scenario(moulds=made_moulds, faults=tuple(put))


@study("faults-recall", seeds=6, slice_seeds=1)
def faults_recall(seeds: Sequence[int]) -> pl.DataFrame:
    """Recall against severity: the same fault at each of some severities, every second shot."""
    rows = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 8])
        jobs = [(k, s) for k, (severities, _) in FAINTER.items() for s in severities]
        rng.shuffle(jobs)
        per = -(-len(jobs) // 5)
        made_moulds = moulds(seed, shots=FIRST_FAULT + 2 * per)
        put = []
        for m, mould in enumerate(made_moulds):
            for n, (kind, severity) in enumerate(jobs[m * per : (m + 1) * per]):
                at = FIRST_FAULT + 2 * n + int(rng.integers(0, 2))
                put.append(mu.Fault(mould.name, kind, at, severity=severity, **FAINTER[kind][1]))
        found, truth, _ = findings(mu.Scenario(moulds=made_moulds, faults=tuple(put)), seed)
        rows.append(outcomes(found, truth))
    every = pl.concat(rows).filter(pl.col("true") != "")
    return (
        every.group_by("true", "severity")
        .agg(pl.len().alias("shots"), (pl.col("found") == pl.col("true")).mean().round(3).alias("recall"))
        .sort("true", "severity")
    )


def drifting(seed: int, shots: int = 80) -> mu.Scenario:
    """Moulds that wear, drift and go through half a year, without a fault in any shot."""
    made = moulds(seed, shots=shots, shots_per_week=4.0)
    names = [m.name for m in made]
    changes = (
        mu.Change(names[0], "permeability", -0.25, 15, 60),
        mu.Change(names[1], "cavity_thickness", 0.04, 15, 60),
        mu.Change(names[2], "outer_leak", 0.3, 15, 60, clamp_mbar=60.0),
        mu.Change(names[3], "resin_viscosity", 0.3, 15, 60),
        mu.Change(names[4], "fabric_pack", 0.05, 40),
    )
    return mu.Scenario(moulds=made, changes=changes)


@study("faults-drift", seeds=3, slice_seeds=1)
def faults_drift(seeds: Sequence[int]) -> pl.DataFrame:
    """Shots flagged in moulds that drift over months but have no faults, by what drifts.

    A note that a shot stopped before the vent is none where it did: a cavity that grows outgrows a fixed programme.
    """
    return flagged_by_drift(pl.concat([drift_outcomes(seed) for seed in seeds]))


def drift_outcomes(seed: int) -> pl.DataFrame:
    """Outcomes of five moulds that drift, with what drifts."""
    what = ("permeability -25 %", "cavity +4 %", "outer leak and clamp", "viscosity +30 %", "pack +5 %, a step")
    scenario = drifting(seed)
    found, truth, _ = findings(scenario, seed)
    about = dict(zip([m.name for m in scenario.moulds], what, strict=True))
    never = truth.filter(pl.col("arrival_volume_l").is_null())["shot"]
    noted = (pl.col("found") == "stopped_before_vent") & pl.col("shot").is_in(never.implode())
    rows = outcomes(found, truth).with_columns(drift=pl.col("mould").replace_strict(about))
    return rows.with_columns(found=pl.when(noted).then(pl.lit("")).otherwise("found"))


def flagged_by_drift(every: pl.DataFrame) -> pl.DataFrame:
    """Shots, share flagged and kinds found, by what drifts."""
    flagged = pl.col("found") != ""
    table = every.group_by("drift").agg(
        pl.col("shot").count().alias("shots"), (100 * flagged.mean()).round(2).alias("flagged_pct"),
        pl.col("found").filter(flagged).unique().sort().str.join(", ").alias("kinds"),
    )  # fmt: skip
    return table.sort("drift")


@study("faults-first-shots", seeds=5, slice_seeds=1)
def faults_first_shots(seeds: Sequence[int]) -> pl.DataFrame:
    """Three faults among a mould's first eight shots: what the shots after them are called."""
    rows = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 9])
        made, put = moulds(seed, shots=40), []
        for mould in made:
            at = rng.choice(8, 3, replace=False)
            for shot, kind in zip(at, ("race_tracking", "early_gel", "flow_restriction"), strict=True):
                put.append(mu.Fault(mould.name, kind, int(shot), **MUST_BE_FOUND[kind](rng)))
            put += [mu.Fault(mould.name, "race_tracking", s, severity=0.4) for s in (20, 30)]
        found, truth, simulated = findings(mu.Scenario(moulds=made, faults=tuple(put)), seed)
        number = simulated.truth_shot.select("shot", "number")
        rows.append(outcomes(found, truth).join(number, on="shot"))
    every = pl.concat(rows).filter(pl.col("number") >= 8)
    healthy = every.filter(pl.col("true") == "")
    race = every.filter(pl.col("true") == "race_tracking")
    return pl.DataFrame(
        {
            "healthy_shots": [healthy["shot"].count()],
            "flagged_pct": [round(100 * healthy.filter(pl.col("found") != "").height / max(healthy.height, 1), 2)],
            "race_tracks": [race["shot"].count()],
            "recall": [round(race.filter(pl.col("found") == "race_tracking").height / max(race.height, 1), 3)],
        }
    )
