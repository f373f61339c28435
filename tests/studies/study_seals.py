"""Leaks, seals told apart and findings over many seeds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray
from tests.studies.harness import interval_table, study

from catchpot.core_tables import PHASE, SAMPLE, SHOT
from catchpot.physics.vacuum import Law, relative_flow
from catchpot.tables import shape
from catchpot.testing import made_up as mu
from catchpot.workshop import MouldBook
from catchpot_vacuum.leak_analysis import SealLeakAnalysis
from catchpot_vacuum.resin import SealResinAnalysis
from catchpot_vacuum.split import pooled
from catchpot_vacuum.tables import SEAL_HOLD, SEAL_LEAK, SEAL_RESIN
from catchpot_vacuum.watch_analysis import SealWatchAnalysis

Floats = NDArray[np.float64]
DECLARED = {t.name: t for t in (SEAL_LEAK, SEAL_HOLD, SEAL_RESIN)}
NO_FLAG = tuple(c for c in mu.Mould("m", mu.five_geometries()["strip"]).channels if c != "vacuum_isolated")


def _mould(leak: float, **other: object) -> mu.Mould:
    base = mu.Mould("m", mu.five_geometries()["strip"], shots=6)
    inner = 0.12 * leak
    seal = mu.Seal(floor=leak - inner, start=0.0, noise=0.2)
    given = {"outer": seal, "inner": mu.Seal(floor=inner, start=0.0, noise=0.2, limit=0.05), **other}
    return replace(base, **given)  # type: ignore[arg-type]  # fields by name, checked by the dataclass


LEAK_CASES: dict[str, dict[str, object]] = {
    "hold 45 s": {"holds": 1},
    "hold 20 s": {"holds": 1, "hold_s": 20.0},
    "hold 120 s": {"holds": 1, "hold_s": 120.0},
    "hold 45 s at 1 Hz": {"holds": 1, "sampling_hz": 1.0},
    "hold 45 s at 10 Hz": {"holds": 1, "sampling_hz": 10.0},
    "worn, clamp at 200 mbar": {"holds": 1, "clamp_set_mbar": 200.0},
    "clamp at 300 mbar": {"holds": 1, "clamp_set_mbar": 300.0},
    "two steps": {"holds": 2},
    "hold not logged": {"holds": 1, "channels": NO_FLAG},
    "hold not logged, receiver": {"holds": 1, "channels": NO_FLAG, "pump": "receiver"},
    "no hold, switching pump": {"holds": 0},
    "no hold, receiver": {"holds": 0, "pump": "receiver"},
}


@study("seal-leaks", seeds=12, slice_seeds=1)
def seal_leaks(seeds: Sequence[int]) -> pl.DataFrame:
    """Clamp leak at the reference states: error, coverage and refusals, by case and size of the leak."""
    rows = []
    for case, other in LEAK_CASES.items():
        for leak in (0.05, 0.1, 0.3):
            for seed in seeds:
                made = mu.simulate(mu.Scenario(moulds=(_mould(leak, **other),)), seed=seed)
                table = mu.compute(SealLeakAnalysis(), made.tables(), made.book()).tables["seal_leak"]
                truth = made.truth_shot.select("shot", "clamp_leak_mbar_l_s")
                clamp = table.filter(pl.col("seal") == "clamp")
                joined = truth.join(clamp, on="shot", how="left")
                rows.append(joined.with_columns(pl.lit(case).alias("case"), pl.lit(leak).alias("about_mbar_l_s")))
    frame = pl.concat(rows)
    return interval_table(
        frame, ["case", "about_mbar_l_s"], value="leak_mbar_l_s", low="leak_low_mbar_l_s", high="leak_high_mbar_l_s",
        truth="clamp_leak_mbar_l_s",
    )  # fmt: skip


BOOK = MouldBook.model_validate(
    {
        "moulds": {
            "m": {
                "clamp_volume_l": 0.8, "cavity_gas_volume_l": 5.0, "outer_leak_limit_mbar_l_s": 0.30,
                "inner_leak_limit_mbar_l_s": 0.05,
            }
        }
    }
)  # fmt: skip


Laws = tuple[Law, ...]


def stepped_logs(
    rng: np.random.Generator, law: Laws, outer: Floats, inner: Floats, squeeze: float, cavities: Sequence[float]
) -> dict[str, pl.DataFrame]:
    """Holds of 45 s at these cavity pressures at 4 Hz and 0.5 mbar noise, integrated on their own, as core tables.

    law: of both seals, in equal parts. outer, inner: leak of each shot (shots,). The gauge drifts by 0.1 mbar a minute
    (s.d.), in each hold anew.
    """
    rate, length, gap, shots = 4.0, 45.0, 20.0, len(outer)
    clamp, cavity, flag = [], [], []
    rest, steps = int(gap * rate), int(length * rate)
    for state in cavities:
        p = np.full(shots, 50.0)
        loose = 1.0 + squeeze * (state - 550.0) / (1013.0 - 550.0)
        drift = rng.normal(0.0, 0.1 / 60.0, shots)
        clamp += [p] * rest
        for step in range(steps):
            clamp.append(p + drift * step / rate)
            past_outer = np.mean([relative_flow(one, 1013.0, p) / relative_flow(one, 1013.0, 50.0) for one in law], 0)
            past_inner = np.mean([relative_flow(one, state, p) / relative_flow(one, 550.0, 50.0) for one in law], 0)
            p = p + (outer * loose * past_outer + inner * past_inner) / 0.8 / rate
        cavity += [state] * (rest + steps)
        flag += [0.0] * rest + [1.0] * steps
    n = len(clamp)
    names = [f"s{k:04d}" for k in range(shots)]
    sample = {
        "shot": np.repeat(names, n), "t_s": np.tile(np.arange(n) / rate, shots),
        "clamp_pressure_mbar": np.stack(clamp, axis=1).ravel() + rng.normal(0.0, 0.5, n * shots),
        "cavity_pressure_mbar": np.tile(cavity, shots) + rng.normal(0.0, 0.5, n * shots),
        "vacuum_isolated": np.tile(flag, shots),
    }  # fmt: skip
    start = datetime(2026, 3, 2, 8, tzinfo=UTC)
    shot = {
        "shot": names, "mould": ["m"] * shots, "started_at": [start + timedelta(hours=k) for k in range(shots)],
    }  # fmt: skip
    return {"shot": shape(SHOT, shot), "sample": shape(SAMPLE, sample), "phase": shape(PHASE, {"shot": [], "step": []})}


SPLIT_CASES: dict[str, tuple[Laws, float, tuple[float, ...]]] = {
    "linear": (("linear",), 0.0, (1013.0, 550.0)),
    "linear, vacuum first": (("linear",), 0.0, (550.0, 1013.0)),
    "laminar": (("laminar",), 0.0, (1013.0, 550.0)),
    "choked": (("choked",), 0.0, (1013.0, 550.0)),
    "linear, outer squeezed less": (("linear",), 0.25, (1013.0, 550.0)),
    "laminar, outer squeezed less": (("laminar",), 0.25, (1013.0, 550.0)),
    "choked, outer squeezed less": (("choked",), 0.25, (1013.0, 550.0)),
    "laminar, a third hold at 780": (("laminar",), 0.0, (1013.0, 780.0, 550.0)),
    "linear, a third hold at 60": (("linear",), 0.0, (1013.0, 550.0, 60.0)),
    "laminar, a third hold at 60": (("laminar",), 0.0, (1013.0, 550.0, 60.0)),
    "choked, a third hold at 60": (("choked",), 0.0, (1013.0, 550.0, 60.0)),
    "laminar and choked": (("laminar", "choked"), 0.0, (1013.0, 550.0)),
    "laminar and choked, a third hold at 60": (("laminar", "choked"), 0.0, (1013.0, 550.0, 60.0)),
    "linear, outer squeezed less, a third hold at 60": (("linear",), 0.25, (1013.0, 550.0, 60.0)),
    "laminar, outer squeezed less, a third hold at 60": (("laminar",), 0.25, (1013.0, 550.0, 60.0)),
}
SPLIT_LEAKS = ((0.1, 0.01), (0.2, 0.03), (0.25, 0.05))
SPLIT_SHOTS = 8


@study("seal-split", seeds=100, slice_seeds=3)
def seal_split(seeds: Sequence[int]) -> pl.DataFrame:
    """Outer and inner seal from holds in steps: s.d., bias and coverage under each leak law.

    Eight shots a seed, each seal's leak scattered by 15 % from shot to shot. `shots`: 1 for each shot's own answer, 8
    for the pooled one (against the mean of the eight).
    """
    rows: list[tuple[object, ...]] = []
    for case, (law, squeeze, cavities) in SPLIT_CASES.items():
        for outer, inner in SPLIT_LEAKS:
            for seed in seeds:
                rng = np.random.default_rng(seed)
                truth = {
                    "outer": outer * np.exp(rng.normal(0.0, 0.15, SPLIT_SHOTS)),
                    "inner": inner * np.exp(rng.normal(0.0, 0.15, SPLIT_SHOTS)),
                }
                tables = stepped_logs(rng, law, truth["outer"], truth["inner"], squeeze, cavities)
                made = mu.compute(SealLeakAnalysis(), tables, BOOK).tables
                together = pooled(
                    made["seal_hold"], 1.0 + np.arange(float(made["seal_hold"].height)), -np.inf, 0.8, 0.05
                )
                for seal, true in truth.items():
                    part = made["seal_leak"].filter(pl.col("seal") == seal).sort("shot")
                    columns = (part[f"leak_{end}mbar_l_s"].to_list() for end in ("", "low_", "high_"))
                    single = zip(true, *columns, strict=True)
                    rows += [(case, seal, outer, inner, 1, *(float(v) for v in one)) for one in single]
                    answer = together.outer if seal == "outer" else together.inner
                    if answer is not None:
                        rows.append((case, seal, outer, inner, SPLIT_SHOTS, float(true.mean()), *answer))
    by = ["case", "seal", "outer", "inner", "shots"]
    frame = pl.DataFrame(rows, schema=[*by, "truth", "value", "low", "high"], orient="row")
    inside = (pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high"))
    return frame.group_by(by, maintain_order=True).agg(
        pl.len().alias("n"),
        (pl.col("value") - pl.col("truth")).std().alias("sd_mbar_l_s"),
        (pl.col("value") - pl.col("truth")).mean().alias("bias_mbar_l_s"),
        (100.0 * inside.mean()).alias("covered_pct"),
        (pl.col("high") - pl.col("low")).median().alias("width_mbar_l_s"),
    )


FAULTY = range(12, 60, 4)
KINDS = {"outer_seal_leak": 0.3, "inner_seal_leak": 0.15, "cavity_leak": 0.5}


def _findings(mould: mu.Mould, faults: Sequence[mu.Fault], seed: int) -> tuple[mu.MadeUp, pl.DataFrame]:
    """A made-up mould and its leak findings, with the number of each shot."""
    made = mu.simulate(mu.Scenario(moulds=(mould,), faults=tuple(faults)), seed=seed)
    tables = made.tables()
    for analysis in (SealLeakAnalysis(), SealResinAnalysis()):
        tables |= dict(mu.compute(analysis, tables, made.book(), declared=DECLARED).tables)
    found = mu.compute(SealWatchAnalysis(), tables, made.book(), declared=DECLARED).tables["finding"]
    return made, found.join(made.truth_shot.select("shot", "number"), on="shot", how="inner")


@study("seal-findings", seeds=30, slice_seeds=1)
def seal_findings(seeds: Sequence[int]) -> pl.DataFrame:
    """Leak faults among healthy shots with one hold, two, or none: found by the right kind, found at all, false.

    Short shots (the injection does not matter here). found_pct: a finding of any leak of that channel. check_named_pct:
    of those whose finding can't tell the seal, how many name the hold check and its minutes.
    """
    rows = []
    for holds in (0, 1, 2):
        for noise, correlation in ((0.15, 0.0), (0.3, 0.6)):
            outer = mu.Seal(floor=0.05, start=0.0, noise=noise, autocorrelation=correlation)
            mould = replace(_mould(0.06), shots=60, holds=holds, outer=outer, fill_s=40.0, settle_s=3.0)
            faults = [mu.Fault("m", k, shot, KINDS[k]) for shot, k in zip(FAULTY, list(KINDS) * 4, strict=True)]
            true = {f.shot: f.kind for f in faults}
            count = {k: [0, 0, 0, 0, 0] for k in KINDS}
            for seed in seeds:
                _, found = _findings(mould, faults, seed)
                for shot, kind in (
                    found.filter(~pl.col("number").is_in(list(true))).select("number", "kind").iter_rows()
                ):
                    count[kind][2] += 1 if shot not in true and kind in KINDS else 0
                for shot, kind in true.items():
                    own = found.filter(pl.col("number") == shot)
                    channel = ["cavity_leak"] if kind == "cavity_leak" else ["outer_seal_leak", "inner_seal_leak"]
                    alike = own.filter(pl.col("kind").is_in(channel))
                    untold = alike.filter(pl.col("message").str.contains("can't be told"))
                    count[kind][0] += kind in own["kind"].to_list()
                    count[kind][1] += alike.height > 0
                    count[kind][3] += untold.height
                    count[kind][4] += untold.filter(
                        pl.col("advice").str.contains(r"\d+ s .*minutes|third hold of")
                    ).height
            there, healthy = len(FAULTY) // 3 * len(seeds), (60 - len(FAULTY)) * len(seeds)
            for kind, (right, seen, false, untold_count, named) in count.items():
                rows.append((holds, noise, correlation, kind, KINDS[kind], there, 100.0 * seen / there,
                             100.0 * right / there, 100.0 * untold_count / there,
                             100.0 * named / untold_count if untold_count else None,
                             100.0 * false / healthy))  # fmt: skip
    names = [
        "holds", "noise", "autocorrelation", "kind", "size_mbar_l_s", "faults", "found_pct", "recall_pct", "untold_pct",
        "check_named_pct", "false_per_100_healthy",
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=names, orient="row")


@study("seal-resin", seeds=20, slice_seeds=1)
def seal_resin(seeds: Sequence[int]) -> pl.DataFrame:
    """Resin past the inner seal from the sixth of 10 shots on: shots found, against how much passes, and false ones.

    past_l: what passes in a shot, mean. follows_pct: found by the clamp pressure following the line alone.
    """
    rows = []
    for case, other in {"one hold": {"holds": 1}, "no hold": {"holds": 0}}.items():
        for amount in (0.02, 0.05, 0.1, 0.3):
            there, found, follows, false, past = 0, 0, 0, 0, []
            for seed in seeds:
                mould = replace(_mould(0.07), shots=10, **other)  # type: ignore[arg-type]  # fields by name
                change = mu.Change("m", "resin_past_seal", amount, 5)
                made = mu.simulate(mu.Scenario(moulds=(mould,), changes=(change,)), seed=seed)
                tables = made.tables()
                for analysis in (SealLeakAnalysis(), SealResinAnalysis()):
                    tables |= dict(mu.compute(analysis, tables, made.book(), declared=DECLARED).tables)
                resin = tables["seal_resin"].join(made.truth_shot.select("shot", "number", "past_seal_l"), on="shot")
                shows = pl.col("rise_more_low_mbar_s") > pl.max_horizontal(0.1 * pl.col("rise_before_mbar_s"), 0.003)
                after, before = resin.filter(pl.col("number") >= 5), resin.filter(pl.col("number") < 5)
                there += after.height
                found += after.filter(shows).height
                follows += after.filter(pl.col("clamp_per_line_low_mbar_bar") > 2.0).height
                false += before.filter(shows | (pl.col("clamp_per_line_low_mbar_bar") > 2.0)).height
                past += after["past_seal_l"].to_list()
            rows.append((case, float(np.mean(past)), there, 100.0 * found / there, 100.0 * follows / there,
                         100.0 * false / there))  # fmt: skip
    names = ["case", "past_l", "shots", "found_pct", "follows_pct", "false_pct"]
    return pl.DataFrame(rows, schema=names, orient="row")
