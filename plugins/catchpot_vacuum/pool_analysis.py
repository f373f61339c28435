"""Forecasts in which the workshop's other seals have a word.

Their lives, where a history is short (partial pooling); what came of their forecasts, where too few held (conformal
widening).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType
from typing import Any, Final, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Kept, Refused, Result
from catchpot.keeping import Worked
from catchpot.stats.degradation import FARTHEST_SHOTS, WEAR_SEEN, Wear, pooled_kinds
from catchpot.tables import Table, empty
from catchpot_vacuum.forecast import LEAST_LEAKS, SHORT_HISTORY, Forecast, days_of, fit, forecasts
from catchpot_vacuum.life_analysis import HISTORY_NEEDS, history, life_rows
from catchpot_vacuum.series import Clock, Seal
from catchpot_vacuum.tables import SEAL_LIFE_POOLED

Floats = NDArray[np.float64]
LEAST_LIVES: Final = 3
LEAST_TESTED: Final = 5
FEW_LIVES: Final = "no pooled forecast: fewer than three seals of the workshop have a life of their own to go by"
FEW_LEAKS: Final = "no pooled forecast: too few leaks of its own since the seal was new"


class PoolParams(BaseModel):
    """Settings, `[analyses.seal_pool]`: none."""

    model_config = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Life:
    """Log of a seal's life in shots and its s.d.; whose it is (mould, seal, since when); how likely each kind of growth
    is."""

    mould: str
    seal: str
    since: float
    log_life: float
    sd: float
    kinds: tuple[float, ...] = ()


class SealPoolAnalysis:
    """The analysis `seal_pool`, over the workshop: only the newest forecast of each seal in use.

    Of those with fewer than 15 leaks; of all, where the workshop's back-tests ask for wider intervals.
    """

    name = "seal_pool"
    part: Literal["shot", "mould", "workshop"] = "workshop"
    causal = True
    keeps = "worked_out"
    needs: Mapping[str, tuple[str, ...]] = HISTORY_NEEDS
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (SEAL_LIFE_POOLED,)
    params: type[BaseModel] = PoolParams

    def compute(self, job: Job) -> Result:
        """Compute the workshop."""
        worked = Worked(job.kept.state if job.kept is not None else None)
        # A mould without a new leak says what it said before; only those that need a word get their history anew.
        said = {mould: worked.out("mould", content, partial(_of_mould, job, mould))
                for mould, content in _contents(job).items()}  # fmt: skip
        lives = [Life(mould, seal, since, log_life, sd, tuple(kinds))
                 for mould, told in said.items() for seal, since, log_life, sd, kinds in told["lives"]]  # fmt: skip
        past = [score for told in said.values() for score in told["scores"]]
        wider, held = widening(past)
        frames, refused = [], []
        short = 0
        for mould, told in said.items():
            if not told["short"] and wider <= 1.0:
                continue
            counter, found = history(job, mould)
            if counter is None:
                continue
            days = days_of(counter.at, job.book.zone)
            made = []
            for seal in found:
                if np.isfinite(seal.until):
                    continue
                few = len(seal.leak) < SHORT_HISTORY
                if not few and wider <= 1.0:
                    continue
                others = [x for x in lives if x.seal == seal.seal and (x.mould, x.since) != (mould, seal.since)]
                kinds = pooled_kinds([x.kinds for x in others])
                own = forecasts(seal, counter, job.book.zone, days, only_last=True, kinds=kinds)
                if not few:
                    made += widened(own, wider, len(past), held)
                    continue
                short += 1
                pooled = widened(pooled_forecast(own, others), wider, len(past), held)
                made += pooled
                if not pooled:
                    reason = FEW_LEAKS if len(others) >= LEAST_LIVES else FEW_LIVES
                    refused.append(Refused(mould, f"{self.name}.{seal.seal}", reason))
            frames.append(life_rows(mould, made, counter.unit, SEAL_LIFE_POOLED))
        if not short:
            refused.append(
                Refused("workshop", self.name, "no seal has so short a history that others' lives would help")
            )
        table = pl.concat(frames) if frames else empty(SEAL_LIFE_POOLED)
        return Result({SEAL_LIFE_POOLED.name: table}, refused, Kept(0, worked.state()))


def _contents(job: Job) -> dict[str, tuple[Any, ...]]:
    """What each mould's seals are worked out from."""
    injected = job.tables["phase"].filter(pl.col("phase") == "inject").select("mould", "shot")
    tables = [
        job.tables["shot"].select("mould", "shot", "started_at", "resin_batch"),
        injected,
        job.tables["seal_leak"],
    ]
    apart = [{m: rows.rechunk() for (m,), rows in t.partition_by("mould", as_dict=True).items()} for t in tables]
    events = job.tables["event"].filter(pl.col("kind").is_in(["seal_replaced", "seal_reseated"]))
    of_all = events.filter(pl.col("mould").is_null())
    none = [t.clear() for t in tables]
    return {
        mould: (job.book.digest(mould), *(of.get(mould, without) for of, without in zip(apart, none, strict=True)),
                of_all, events.filter(pl.col("mould") == mould))
        for mould in sorted(m for m in apart[0] if m is not None)
    }  # fmt: skip


def _of_mould(job: Job, mould: str) -> dict[str, Any]:
    """The lives and scores of a mould's seals, and whether one in use has a short history."""
    counter, found = history(job, mould)
    if counter is None:
        return {"lives": [], "scores": [], "short": False}
    lives = [[x.seal, x.since, x.log_life, x.sd, list(x.kinds)] for x in known_lives(mould, counter, found)]
    short = any(not np.isfinite(s.until) and len(s.leak) < SHORT_HISTORY for s in found)
    return {"lives": lives, "scores": half_life_scores(counter, found), "short": short}


def known_lives(mould: str, counter: Clock, found: Sequence[Seal]) -> list[Life]:
    """Lives of seals with a history of their own and wear that shows."""
    out = []
    for seal in found:
        upto = int((seal.at <= seal.until).sum())
        if upto < SHORT_HISTORY or not seal.whole:
            continue
        end = min(seal.until, float(counter.at[-1]))
        wear = fit(seal, upto, float(counter.count(seal.since, end)))
        if wear is None or not wear.seen:
            continue
        mean, sd = _log_life(wear)
        out.append(Life(mould, seal.seal, seal.since, mean, sd, wear.kinds))
    return out


def half_life_scores(counter: Clock, found: Sequence[Seal]) -> list[float]:
    """For each seal that met its limit in use: how far its forecast at half its life missed, in half intervals.

    1 is the end of the 80 % interval. With only the leaks up to then; the age at which the limit was met is that of the
    curve fitted to the whole life.
    """
    out = []
    for seal in found:
        upto = int((seal.at <= seal.until).sum())
        if not seal.whole or upto < SHORT_HISTORY:
            continue
        end = float(counter.count(seal.since, min(seal.until, float(counter.at[-1]))))
        whole = fit(seal, upto, end)
        if whole is None or whole.level < seal.limit:
            continue
        met = float(np.interp(0.5, np.cumsum(whole.weights), whole.crossing))
        then = int((seal.age[:upto] <= 0.5 * met).sum())
        half = fit(seal, then, 0.5 * met) if then >= LEAST_LEAKS else None
        if half is None or not half.seen:
            continue
        low, middle, high = (v + half.now for v in half.shots_left(*half.eighty))
        side = (high - middle) if met > middle else (middle - low)
        out.append(abs(met - middle) / max(side, 0.5))
    return out


def widening(scores: Sequence[float], share: float = 0.8) -> tuple[float, int]:
    """By how much intervals must be wider for `share` of the past ones to have held, and how many held as they were.

    Never narrower. The smallest score that a share of (n + 1) lies below (conformal prediction: V. Vovk, A. Gammerman,
    G. Shafer 2005); nothing is asked of fewer than five seals.

    >>> widening([0.2, 0.5, 0.9, 2.0, 3.0]), widening([9.0])
    ((3.0, 3), (1.0, 0))
    """
    held = sum(s <= 1.0 for s in scores)
    if len(scores) < LEAST_TESTED:
        return 1.0, held
    place = min(int(np.ceil(share * (len(scores) + 1))), len(scores)) - 1
    return max(1.0, float(np.sort(scores)[place])), held


def widened(made: Sequence[Forecast], by: float, tested: int, held: int) -> list[Forecast]:
    """The forecasts with intervals as much wider."""
    return [replace(f, widened=by, tested=tested, held=held) for f in made]


def _log_life(wear: Wear) -> tuple[float, float]:
    life = np.log(np.clip(wear.crossing, 1.0, FARTHEST_SHOTS))
    low, middle, high = np.interp([0.16, 0.5, 0.84], np.cumsum(wear.weights), life)
    return float(middle), float(max(0.5 * (high - low), 0.02))


def common_life(lives: Sequence[Life]) -> tuple[float, float]:
    """Mean and spread of the log life that a further seal may have (random effects; DerSimonian & Laird 1986)."""
    y, v = np.array([x.log_life for x in lives]), np.array([x.sd for x in lives]) ** 2
    w = 1.0 / v
    mean = float((w * y).sum() / w.sum())
    q = float((w * (y - mean) ** 2).sum())
    between = max(0.0, (q - (len(y) - 1)) / float(w.sum() - (w * w).sum() / w.sum()))
    # A handful of seals shows too little spread at times: lives of one kind of seal differ by a fifth at least.
    between = max(between, 0.2**2)
    w = 1.0 / (v + between)
    mean = float((w * y).sum() / w.sum())
    return mean, float(np.sqrt(between * (1.0 + 2.0 / len(y)) + 1.0 / w.sum()))


def pooled_forecast(made: Sequence[Forecast], others: Sequence[Life]) -> list[Forecast]:
    """The forecasts read with three or more other lives; none where there are fewer or the own leaks contradict."""
    out: list[Forecast] = []
    for f in made:
        if f.wear is None or len(others) < LEAST_LIVES:
            continue
        mean, sd = common_life(others)
        wear = replace(f.wear.reweighed(mean, sd), wear=max(f.wear.wear, WEAR_SEEN))
        out.append(replace(f, wear=wear, pooled=len(others)))
    return out
