"""Forecasts of seals with a short history, helped by the lives of the workshop's other seals (partial pooling)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Refused, Result
from catchpot.stats.degradation import FARTHEST_SHOTS, WEAR_SEEN, Wear
from catchpot.tables import Table, empty
from catchpot_vacuum.forecast import SHORT_HISTORY, Forecast, days_of, fit, forecasts
from catchpot_vacuum.life_analysis import HISTORY_NEEDS, history, life_rows
from catchpot_vacuum.series import Clock, Seal
from catchpot_vacuum.tables import SEAL_LIFE_POOLED

Floats = NDArray[np.float64]
LEAST_LIVES: Final = 3
FEW_LIVES: Final = "no pooled forecast: fewer than three seals of the workshop have a life of their own to go by"
FEW_LEAKS: Final = "no pooled forecast: too few leaks of its own since the seal was new"


class PoolParams(BaseModel):
    """Settings, `[analyses.seal_pool]`: none."""

    model_config = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Life:
    """Log of a seal's life in shots and its s.d.; whose it is."""

    mould: str
    seal: Seal
    log_life: float
    sd: float


class SealPoolAnalysis:
    """The analysis `seal_pool`, over the workshop: only the newest forecast of each seal with fewer than 15 leaks."""

    name = "seal_pool"
    part: Literal["shot", "mould", "workshop"] = "workshop"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = HISTORY_NEEDS
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (SEAL_LIFE_POOLED,)
    params: type[BaseModel] = PoolParams

    def compute(self, job: Job) -> Result:
        """Compute the workshop."""
        moulds = job.tables["shot"]["mould"].drop_nulls().unique().sort().to_list()
        every: list[tuple[str, Clock, list[Seal]]] = []
        for mould in moulds:
            counter, found = history(job, mould)
            if counter is not None:
                every.append((mould, counter, found))
        lives = [life for mould, counter, found in every for life in known_lives(mould, counter, found)]
        frames, refused = [], []
        short = 0
        for mould, counter, found in every:
            days = days_of(counter.at, job.book.zone)
            made = []
            for seal in found:
                if np.isfinite(seal.until) or len(seal.leak) >= SHORT_HISTORY:
                    continue
                others = [x for x in lives if x.seal.seal == seal.seal and x.seal is not seal]
                short += 1
                own = forecasts(seal, counter, job.book.zone, days, only_last=True)
                pooled = pooled_forecast(own, others)
                made += pooled
                if not pooled:
                    reason = FEW_LEAKS if len(others) >= LEAST_LIVES else FEW_LIVES
                    refused.append(Refused(mould, f"{self.name}.{seal.seal}", reason))
            frames.append(life_rows(mould, made, counter.unit, SEAL_LIFE_POOLED))
        if not short:
            refused.append(
                Refused("workshop", self.name, "no seal has so short a history that others' lives would help")
            )
        return Result({SEAL_LIFE_POOLED.name: pl.concat(frames) if frames else empty(SEAL_LIFE_POOLED)}, refused)


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
        out.append(Life(mould, seal, mean, sd))
    return out


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
