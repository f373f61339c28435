"""Leaks, seals told apart, forecasts and findings over many seeds."""

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
from catchpot.stats.degradation import EIGHTY_PERCENT, fit_wear
from catchpot.tables import shape
from catchpot.testing import made_up as mu
from catchpot.workshop import MouldBook
from catchpot_vacuum.leak_analysis import SealLeakAnalysis
from catchpot_vacuum.resin import SealResinAnalysis
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


@study("seal-leaks", seeds=4, slice_seeds=1)
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


def two_step_logs(
    rng: np.random.Generator,
    shots: int,
    law: Law,
    outer: float,
    inner: float,
    squeeze: float,
    cavities: Sequence[float],
) -> dict[str, pl.DataFrame]:
    """Holds of 45 s at these cavity pressures at 4 Hz and 0.5 mbar noise, integrated on their own, as core tables."""
    rate, length, gap = 4.0, 45.0, 20.0
    reference_outer = outer / float(relative_flow(law, 1013.0, 50.0))
    reference_inner = inner / float(relative_flow(law, 550.0, 50.0))
    clamp, cavity, flag = [], [], []
    for state in cavities:
        p, steps = 50.0, []
        loose = 1.0 + squeeze * (state - 550.0) / (1013.0 - 550.0)
        for _ in range(int(length * rate)):
            steps.append(p)
            flow = reference_outer * loose * float(relative_flow(law, 1013.0, p))
            p += (flow + reference_inner * float(relative_flow(law, state, p))) / 0.8 / rate
        rest = int(gap * rate)
        clamp += [*([50.0] * rest), *steps]
        cavity += [state] * (rest + len(steps))
        flag += [0.0] * rest + [1.0] * len(steps)
    n = len(clamp)
    names = [f"s{k:04d}" for k in range(shots)]
    t = np.arange(n) / rate
    sample = {
        "shot": np.repeat(names, n), "t_s": np.tile(t, shots),
        "clamp_pressure_mbar": np.tile(clamp, shots) + rng.normal(0.0, 0.5, n * shots),
        "cavity_pressure_mbar": np.tile(cavity, shots) + rng.normal(0.0, 0.5, n * shots),
        "vacuum_isolated": np.tile(flag, shots),
    }  # fmt: skip
    start = datetime(2026, 3, 2, 8, tzinfo=UTC)
    shot = {
        "shot": names, "mould": ["m"] * shots, "started_at": [start + timedelta(hours=k) for k in range(shots)],
    }  # fmt: skip
    return {"shot": shape(SHOT, shot), "sample": shape(SAMPLE, sample), "phase": shape(PHASE, {"shot": [], "step": []})}


SPLIT_CASES: dict[str, tuple[Law, float, tuple[float, ...]]] = {
    "linear": ("linear", 0.0, (1013.0, 550.0)),
    "linear, vacuum first": ("linear", 0.0, (550.0, 1013.0)),
    "laminar": ("laminar", 0.0, (1013.0, 550.0)),
    "choked": ("choked", 0.0, (1013.0, 550.0)),
    "linear, outer squeezed less": ("linear", 0.25, (1013.0, 550.0)),
    "laminar, outer squeezed less": ("laminar", 0.25, (1013.0, 550.0)),
    "laminar, a third hold at 780": ("laminar", 0.0, (1013.0, 780.0, 550.0)),
}


@study("seal-split", seeds=10, slice_seeds=1)
def seal_split(seeds: Sequence[int]) -> pl.DataFrame:
    """Inner leak from two-step holds: s.d., bias and coverage under each leak law, 40 shots a seed."""
    rows = []
    for case, (law, squeeze, cavities) in SPLIT_CASES.items():
        for outer, inner in ((0.1, 0.01), (0.2, 0.03), (0.25, 0.05)):
            for seed in seeds:
                tables = two_step_logs(np.random.default_rng(seed), 40, law, outer, inner, squeeze, cavities)
                found = mu.compute(SealLeakAnalysis(), tables, BOOK).tables["seal_leak"]
                for seal, truth in (("outer", outer), ("inner", inner)):
                    part = found.filter(pl.col("seal") == seal).select(
                        "leak_mbar_l_s", "leak_low_mbar_l_s", "leak_high_mbar_l_s"
                    )
                    rows.append(
                        part.with_columns(
                            pl.lit(case).alias("case"), pl.lit(seal).alias("seal"), pl.lit(outer).alias("outer"),
                            pl.lit(inner).alias("inner"), pl.lit(truth).alias("truth"),
                        )
                    )  # fmt: skip
    inside = (pl.col("leak_low_mbar_l_s") <= pl.col("truth")) & (pl.col("truth") <= pl.col("leak_high_mbar_l_s"))
    return (
        pl.concat(rows)
        .group_by("case", "seal", "outer", "inner", maintain_order=True)
        .agg(
            pl.len().alias("n"),
            (pl.col("leak_mbar_l_s") - pl.col("truth")).std().alias("sd_mbar_l_s"),
            (pl.col("leak_mbar_l_s") - pl.col("truth")).mean().alias("bias_mbar_l_s"),
            (100.0 * inside.mean()).alias("covered_pct"),
            (pl.col("leak_high_mbar_l_s") - pl.col("leak_low_mbar_l_s")).median().alias("width_mbar_l_s"),
        )
    )


def noise_of(rng: np.random.Generator, n: int, sd: float, correlation: float) -> Floats:
    """Logarithmic noise that lasts from shot to shot."""
    out = np.zeros(n)
    out[0] = rng.normal(0.0, sd)
    for i in range(1, n):
        out[i] = correlation * out[i - 1] + rng.normal(0.0, sd * np.sqrt(1.0 - correlation**2))
    return out


def worn_seal(
    rng: np.random.Generator, growth: str, floor: bool, n: int, life: float, limit: float
) -> tuple[Floats, Floats]:
    """Ages and true leaks of a seal that meets the limit at `life`; new it leaks 10 to 33 % of the limit."""
    age = np.arange(1.0, n + 1.0)
    new = limit * rng.uniform(0.1, 0.33)
    if growth == "linear":
        base = new if floor else 0.0
        return age, base + (limit - base) * age / life
    base = new * rng.uniform(0.3, 0.7) if floor else 0.0
    return age, base + (new - base) * np.exp(np.log((limit - base) / (new - base)) * age / life)


LIFE_CASES = [
    (growth, floor, noise, correlation, n)
    for growth in ("proportional", "linear")
    for floor in (False, True)
    for noise in (0.15, 0.3)
    for correlation in (0.0, 0.6)
    for n in (20, 60)
]


@study("seal-life", seeds=200, slice_seeds=4)
def seal_life(seeds: Sequence[int]) -> pl.DataFrame:
    """Forecasts of worn seals, the history being 30-95 % of the life: how many get a date, how many intervals hold."""
    rows = []
    for growth, floor, noise, correlation, n in LIFE_CASES:
        given, held, error = 0, 0, []
        for seed in seeds:
            rng = np.random.default_rng(seed)
            life = n / rng.uniform(0.3, 0.95)
            age, leak = worn_seal(rng, growth, floor, n, life, 0.3)
            seen = leak * np.exp(noise_of(rng, n, noise, correlation)) + rng.normal(0.0, 0.004, n)
            wear = fit_wear(age, seen, np.full(n, 0.004), 0.3)
            if wear.seen:
                low, middle, high = wear.shots_left(*EIGHTY_PERCENT)
                given, held = given + 1, held + int(low <= life - n <= high)
                error.append(abs(middle / (life - n) - 1.0))
        rows.append((growth, floor, noise, correlation, n, len(seeds), 100.0 * given / len(seeds),
                     100.0 * held / max(given, 1), 100.0 * float(np.median(error)) if error else None))  # fmt: skip
    names = ["growth", "floor", "noise", "autocorrelation", "shots", "n", "dated_pct", "held_pct", "median_error_pct"]
    return pl.DataFrame(rows, schema=names, orient="row")


@study("seal-half-life", seeds=200, slice_seeds=4)
def seal_half_life(seeds: Sequence[int]) -> pl.DataFrame:
    """Error of the forecast at half life, noise 0.15, beside that of a fit that is told the shape and the floor."""
    rows: list[tuple[object, ...]] = []
    every: list[float] = []
    for growth, floor, _, correlation, n in [c for c in LIFE_CASES if c[2] == 0.15]:
        error, told = [], []
        for seed in seeds:
            rng = np.random.default_rng(seed)
            age, leak = worn_seal(rng, growth, floor, n, 2.0 * n, 0.3)
            seen = leak * np.exp(noise_of(rng, n, 0.15, correlation)) + rng.normal(0.0, 0.004, n)
            wear = fit_wear(age, seen, np.full(n, 0.004), 0.3)
            if wear.seen:
                error.append(abs(wear.shots_left(0.5)[0] / n - 1.0))
            if growth == "linear":
                slope, start = np.polyfit(age, seen, 1, w=1.0 / leak)
                told.append(abs((0.3 - start) / slope / n - 2.0))
            elif not floor:
                slope, start = np.polyfit(age, np.log(np.maximum(seen, 1e-3)), 1)
                told.append(abs((np.log(0.3) - start) / slope / n - 2.0))
        every += error
        rows.append((growth, floor, correlation, n, len(error), 100.0 * float(np.median(error)) if error else None,
                     100.0 * float(np.median(told)) if told else None))  # fmt: skip
    rows.append(("all", None, None, None, len(every), 100.0 * float(np.median(every)), None))
    names = ["growth", "floor", "autocorrelation", "shots", "dated", "median_error_pct", "shape_known_pct"]
    return pl.DataFrame(rows, schema=names, orient="row")


@study("seal-no-wear", seeds=400, slice_seeds=10)
def seal_no_wear(seeds: Sequence[int]) -> pl.DataFrame:
    """Seals without wear: how many are given a date."""
    rows = []
    for noise in (0.15, 0.3):
        for correlation in (0.0, 0.6):
            for n in (20, 60):
                dated = 0
                for seed in seeds:
                    rng = np.random.default_rng(seed)
                    seen = rng.uniform(0.05, 0.2) * np.exp(noise_of(rng, n, noise, correlation))
                    dated += fit_wear(np.arange(1.0, n + 1.0), seen, np.full(n, 0.004), 0.3).seen
                rows.append((noise, correlation, n, len(seeds), 100.0 * dated / len(seeds)))
    return pl.DataFrame(rows, schema=["noise", "autocorrelation", "shots", "n", "dated_pct"], orient="row")


@study("seal-findings", seeds=2, slice_seeds=1)
def seal_findings(seeds: Sequence[int]) -> pl.DataFrame:
    """Leak faults among healthy shots: recall by kind, and false findings, with one hold, two, or none."""
    rows = []
    kinds = {"outer_seal_leak": 0.3, "inner_seal_leak": 0.15, "cavity_leak": 0.5}
    for holds in (0, 1, 2):
        for noise, correlation in ((0.15, 0.0), (0.3, 0.6)):
            outer = mu.Seal(floor=0.05, start=0.0, noise=noise, autocorrelation=correlation)
            mould = replace(_mould(0.06), shots=150, holds=holds, outer=outer)
            at = range(20, 150, 10)
            faults = tuple(
                mu.Fault("m", kind, shot, kinds[kind]) for shot, kind in zip(at, list(kinds) * 5, strict=False)
            )
            found: dict[str, list[int]] = {k: [0, 0, 0] for k in kinds}
            healthy = 0
            for seed in seeds:
                made = mu.simulate(mu.Scenario(moulds=(mould,), faults=faults), seed=seed)
                tables = made.tables()
                for analysis in (SealLeakAnalysis(), SealResinAnalysis()):
                    tables |= dict(mu.compute(analysis, tables, made.book()).tables)
                finding = mu.compute(SealWatchAnalysis(), tables, made.book(), declared=DECLARED).tables["finding"]
                number = dict(zip(made.truth_shot["shot"], made.truth_shot["number"], strict=True))
                true = {(f.shot, f.kind) for f in faults}
                faulty = {f.shot for f in faults}
                healthy += made.shot.height - len(faulty)
                for shot, kind in finding.select("shot", "kind").iter_rows():
                    if kind not in found:
                        continue
                    if (number.get(shot), kind) in true:
                        found[kind][0] += 1
                    elif number.get(shot) not in faulty:
                        found[kind][2] += 1
                for kind in kinds:
                    found[kind][1] += sum(f.kind == kind for f in faults)
            for kind, (hits, there, false) in found.items():
                rows.append((holds, noise, correlation, kind, kinds[kind], there, 100.0 * hits / there,
                             100.0 * false / healthy))  # fmt: skip
    names = [
        "holds",
        "noise",
        "autocorrelation",
        "kind",
        "size_mbar_l_s",
        "faults",
        "recall_pct",
        "false_per_100_healthy",
    ]
    return pl.DataFrame(rows, schema=names, orient="row")
