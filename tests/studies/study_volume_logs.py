"""Study: the same questions from simulated logs through the whole way: reduction, fill, seals, meter, causes, next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
from tests.studies.harness import study
from tests.studies.study_volume import AT, DECLARED, HISTORIES, PACKS, Case, calibration, explained, history, judged
from tests.studies.volume_world import advised, pct, scenario, without

from catchpot.testing import made_up as mu
from catchpot_vacuum.leak_analysis import SealLeakAnalysis
from catchpot_vacuum.resin import SealResinAnalysis


def _c(cause: Any, amount: float, over: int = 0, clamp_mbar: float = 0.0) -> mu.Change:
    return mu.Change("hull", cause, amount, AT, over, clamp_mbar)


NOTHING = {"weigh_part": False}
MOST = 9
"""Seeds (315 next shots a mould) of the cases that `volume-causes` holds over 100 seeds without logs."""
CASES = (
    Case("nothing changed, parts weighed", (), {}, others=0, most=MOST),
    Case("meter +2 %, two others on the injector", (_c("flow_meter", 0.02),), NOTHING, others=2, most=MOST),
    Case("meter +4 %, another on the injector", (_c("flow_meter", 0.04),), NOTHING, others=1, most=MOST),
    Case("cavity +3 %, clamp pressure with it", (_c("cavity_thickness", 0.03, 0, 30.0),), NOTHING, others=0, most=MOST),
    Case("fabric +8 %, packs weighed", (_c("fabric_pack", 0.08),), PACKS, others=0, most=MOST),
    Case("overflow +0.15 l over 20 shots", (_c("overflow", 0.15, 20),), NOTHING, others=0, most=MOST),
    Case("resin past the inner seal, 0.08 l a shot", (_c("resin_past_seal", 0.08),), NOTHING, others=0),
    Case("resin past the inner seal, 0.05 l a shot", (_c("resin_past_seal", 0.05),), NOTHING, others=0, most=MOST),
    # the outer seal makes the clamp rise too: not to be taken for resin
    Case("meter +3 % and a leaking outer seal, alone", (_c("flow_meter", 0.03), _c("outer_leak", 0.2)), NOTHING,
         others=0, most=MOST),
)  # fmt: skip


def from_logs(made: mu.MadeUp) -> dict[str, pl.DataFrame]:
    """The tables of a simulated workshop with fill, permeability and the inner seal's sign, without its samples."""
    tables = made.tables()
    fill = mu.filled(tables, made.book())
    seal = mu.compute(SealResinAnalysis(), tables, made.book(), declared=DECLARED)
    leak = mu.compute(SealLeakAnalysis(), tables, made.book(), declared=DECLARED)
    kept = {n: tables[n] for n in ("shot", "part", "event", "curve")}
    return {
        **kept,
        **{n: fill.tables[n] for n in ("fill", "permeability")},
        "seal_resin": seal.tables["seal_resin"],
        "seal_leak": leak.tables["seal_leak"],
    }


@study("volume-from-logs", seeds=100, slice_seeds=1)
def volume_from_logs(seeds: Sequence[int]) -> pl.DataFrame:
    """Causes and the next shot from simulated logs, against the generator's truth.

    Bar: said 99 %, filled 97 to 100 %, the unannounced first shot after a step counted too: of 35 shots it is one, and
    a step of 4 % is wider than the margin that scatter demands, so an observer who learns of it by that shot alone
    leaves up to half of those dry, 1.4 %. Met where nothing steps (97.8 %); where something does, 96.8 to 98.4 %, that
    is within one standard error. Counted are shots whose arrival was read. Overflow is 1.0 to 1.1 times what scatter
    demands; where resin is lost up to 1.25 times, most of it since those arrivals read late (read_late_pct).
    """
    rows = []
    for case in CASES:
        answers: list[dict[str, Any]] = []
        checks: list[pl.DataFrame] = []
        scatters: list[np.ndarray[Any, np.dtype[np.float64]]] = []
        for seed in list(seeds)[: case.most]:
            made_up = scenario(case.changes, others=case.others, kind="all-round", **case.settings)
            made = mu.simulate(made_up, seed, dt_s=0.5)
            before = mu.simulate(without(made_up), seed, dt_s=0.5).truth_shot if case.changes else made.truth_shot
            tables = from_logs(made)
            causes, change = explained(tables, made.book(), True)
            truth = made.truth_shot.join(before.select("shot", was="arrival_volume_l"), on="shot", how="left")
            worth = truth.filter(pl.col("mould") == "hull").sort("number")
            moved = (worth["arrival_volume_l"] - worth["was"]).cast(pl.Float64).fill_null(float("nan")).to_numpy()
            answers.append(judged(case, causes, change, float(np.nanmean(moved[AT:]) - np.nanmean(moved[:AT]))))
            check = advised(tables, made.book())
            logs = np.log(worth["arrival_volume_l"].cast(pl.Float64).fill_null(float("nan")).to_numpy())
            scatters += [d[np.isfinite(d)] for d in (np.diff(logs[:AT]), np.diff(logs[AT:]))]
            checks.append(check.join(truth.select("shot", true_l="arrival_volume_l"), on="shot").drop_nulls("true_l"))
        frame, check = pl.DataFrame(answers, infer_schema_length=None), pl.concat(checks)
        left = check["volume_l"] - check["bleed_target_l"] - check["true_l"]
        # scatter within the mould's periods, without the step between them
        scatter = float(np.sqrt(np.mean(np.concatenate(scatters) ** 2) / 2))
        single = frame["covered"].drop_nulls()
        rows.append({
            "case": case.name, "tries": frame.height,
            "true_first_or_in_first_pair_pct": pct(frame["hit"]) if case.truths else None,
            "true_first_alone_pct": pct(frame["alone"]) if case.truths else None,
            "interval_holds_pct": pct(single) if len(single) and "overflow" not in case.truths else None,
            "said_changed_pct": pct(frame["said_changed"]), "next_shots": check.height,
            "next_filled_pct": pct(left >= 0), "next_overflow_pct": pct(left / check["true_l"]),
            "scatter_pct": 100 * scatter,
            "overflow_over_demanded": pct(left / check["true_l"]) / (232.6 * scatter),
            "read_late_pct": 100 * float(np.log((check["read_l"] / check["true_l"]).to_numpy()).mean()),
        })  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


KINDS = ("all-round", "wedge", "strip", "rim-fed", "all-round")


@study("next-from-logs", seeds=20, slice_seeds=1)
def next_from_logs(seeds: Sequence[int]) -> pl.DataFrame:
    """The histories of `next-shot` from simulated logs, a geometry a seed; bars and columns as there."""
    rows = []
    for name in HISTORIES:
        parts = []
        for seed in seeds:
            made = mu.simulate(history(name, kind=KINDS[seed % len(KINDS)]), seed + 700, dt_s=0.5)
            ahead = advised(from_logs(made), made.book())
            truth = made.truth_shot.select("shot", true_l=pl.col("arrival_volume_l").cast(pl.Float64))
            check = ahead.join(truth, on="shot").drop_nulls("true_l")
            parts.append(check.with_columns(seed=pl.lit(seed)))
        frame = pl.concat(parts)
        moves = [np.diff(np.log(f["true_l"].to_numpy())) for _, f in frame.group_by("seed", maintain_order=True)]
        rows.append(calibration(name, frame, float(np.std(np.concatenate(moves)) / np.sqrt(2))))
    return pl.DataFrame(rows)
