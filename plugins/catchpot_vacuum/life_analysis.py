"""Forecasts of every seal of a mould, a row a day. Glue; the maths is in `forecast`, `series` and `stats`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Kept, Refused, Result
from catchpot.keeping import Worked
from catchpot.tables import Table, empty, from_rows
from catchpot_vacuum.forecast import LEAST_LEAKS, Forecast, Plan, days_of, made_of, plans
from catchpot_vacuum.series import FORECAST_SEALS, Clock, Seal, clock, seals, when
from catchpot_vacuum.tables import SEAL_LIFE

Floats = NDArray[np.float64]
HISTORY_NEEDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "shot": ("mould", "started_at", "resin_batch"),
        "phase": ("start_s",),
        "seal_leak": ("leak_mbar_l_s", "leak_low_mbar_l_s", "leak_high_mbar_l_s", "method"),
        "event": ("time", "mould", "kind", "detail"),
    }
)


class LifeParams(BaseModel):
    """Settings, `[analyses.seal_life]`.

    only_last: the newest day's forecast alone, for a command in a hurry.
    """

    model_config = ConfigDict(extra="forbid")

    only_last: bool = False


class SealLifeAnalysis:
    """The analysis `seal_life`, a mould at a time."""

    name = "seal_life"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = True
    keeps = "worked_out"
    needs: Mapping[str, tuple[str, ...]] = HISTORY_NEEDS
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (SEAL_LIFE,)
    params: type[BaseModel] = LifeParams

    def compute(self, job: Job) -> Result:
        """Compute all moulds of the job."""
        only_last = isinstance(job.params, LifeParams) and job.params.only_last
        worked = Worked(job.kept.state if job.kept is not None else None)
        frames, refused = [], []
        for mould in job.units:
            counter, found = history(job, mould)
            if counter is None:
                refused.append(Refused(mould, self.name, "no shot or hold check of this mould is logged"))
                continue
            days = days_of(counter.at if counter.unit == "shots" else _measured(found), job.book.zone)
            planned = [p for s in found for p in plans(s, counter, job.book.zone, days, only_last=only_last)]
            if only_last:
                planned = [p for p in planned if p.as_of == days[-1]]
            frames.append(_rows(mould, latest_of_a_day(planned), counter.unit, worked))
            newest = {p.seal.seal: p for p in planned}
            refused += reasons(self.name, mould, made_of(list(newest.values())))
        tables = {SEAL_LIFE.name: pl.concat(frames) if frames else empty(SEAL_LIFE)}
        return Result(tables, refused, Kept(0, worked.state()))


def _rows(mould: str, planned: Sequence[Plan], unit: str, worked: Worked) -> pl.DataFrame:
    """Rows of SEAL_LIFE; those of days that were worked out before, from the same leaks, are taken as they were."""
    fits: dict[tuple[str, float, int, float], Forecast] = {}

    def row(p: Plan) -> list[Any]:
        key = (p.seal.seal, p.seal.since, p.upto, p.fitted_at)
        if key not in fits:
            fits[key] = made_of([p])[0]
        wear = fits[key].wear
        f = Forecast(p.seal, p.as_of, p.age, p.upto, replace(wear, now=p.age) if wear else None, p.per_day,
                     p.per_day_spread, p.spare)  # fmt: skip
        return [life_row(mould, f, unit)[c] for c in SEAL_LIFE.names]

    rows = [worked.out("forecast", (mould, unit, *p.content()), partial(row, p)) for p in planned]
    return from_rows(SEAL_LIFE, [dict(zip(SEAL_LIFE.names, r, strict=True)) for r in rows], whole=True)


def _measured(found: Sequence[Seal]) -> Floats:
    return np.concatenate([s.at for s in found]) if found else np.zeros(0)


def history(job: Job, mould: str) -> tuple[Clock | None, list[Seal]]:
    """The mould's clock and every seal it has had."""

    def own(name: str) -> pl.DataFrame:
        return job.tables[name].filter(pl.col("mould") == mould)

    shot = own("shot").filter(pl.col("started_at").is_not_null())
    if shot.is_empty():
        return None, []
    counter = clock(shot, own("phase"))
    leak = own("seal_leak")
    if leak.is_empty():
        return counter, []
    book = job.book.for_shots(leak.select("shot").join(shot, on="shot", how="left", maintain_order="left"))
    limits = {
        seal: np.asarray(book[f"{seal}_leak_limit_mbar_l_s"].cast(pl.Float64).fill_null(np.nan).to_numpy(), float)
        for seal in FORECAST_SEALS
    }
    event = job.tables["event"].filter((pl.col("mould") == mould) | pl.col("mould").is_null())
    return counter, seals(leak, event, counter, limits, FORECAST_SEALS)


def latest_of_a_day(made: Sequence[Plan]) -> list[Plan]:
    """On a day of replacement the new seal's forecast stands."""
    return list({(p.seal.seal, p.as_of): p for p in made}.values())


def life_rows(mould: str, made: Sequence[Forecast], unit: str, table: Table = SEAL_LIFE) -> pl.DataFrame:
    """Rows of SEAL_LIFE (or the pooled table)."""
    return from_rows(table, [life_row(mould, f, unit) for f in made], whole=True)


def life_row(mould: str, f: Forecast, unit: str) -> dict[str, Any]:
    """A row of SEAL_LIFE."""
    low, middle, high = f.left if f.left is not None else (None, None, None)
    due_low, due, due_high = f.due
    w = f.wear
    return {
        "mould": mould, "seal": f.seal.seal, "as_of": f.as_of, "shots_left": middle, "shots_left_low": low,
        "shots_left_high": high, "due_on": due, "due_low": due_low, "due_high": due_high,
        "fitted_since": when(f.seal.since), "age_shots": f.age, "leaks": f.leaks,
        "leak_mbar_l_s": w.level if w else None,
        "leak_low_mbar_l_s": max(w.level_low - f.spare, 0.0) if w else None,
        "leak_high_mbar_l_s": w.level_high + f.spare if w else None,
        "limit_mbar_l_s": f.seal.limit if np.isfinite(f.seal.limit) else None,
        "wear_chance": min(max(w.wear, 0.0), 1.0) if w else None, "noise_share": w.noise if w else None,
        "unit": unit, "assumed_replacement": f.seal.assumed, "pooled_moulds": f.pooled,
        "shots_per_day": f.per_day, "told_apart": f.told_apart, "widened_by": f.widened,
        "back_tested_seals": f.tested, "back_tests_held": f.held,
    }  # fmt: skip


def reasons(name: str, mould: str, made: Sequence[Forecast]) -> list[Refused]:
    """Why a seal has no date now; the newest forecast of each seal counts."""
    out = []
    newest = {f.seal.seal: f for f in made}
    for seal in FORECAST_SEALS:
        f = newest.get(seal)
        what = f"{name}.{seal}"
        if f is None:
            told = "its leak was told apart in no shot" if seal != "clamp" else "its leak is known of no shot"
            out.append(Refused(mould, what, f"no forecast of the {seal_words(seal)}: {told}"))
        elif not np.isfinite(f.seal.limit):
            out.append(Refused(mould, what, f"no forecast: no {seal}_leak_limit_mbar_l_s in the mould book"))
        elif f.wear is None:
            out.append(
                Refused(mould, what, f"no forecast yet: {f.leaks} leaks since the seal was new, {LEAST_LEAKS} needed")
            )
        elif not f.told_apart:
            out.append(Refused(mould, what, _untold(f, newest)))
        elif f.torn:
            out.append(Refused(mould, what, TORN))
        elif not f.dated:
            out.append(Refused(mould, what, f"no wear seen in {f.age:.0f} shots: no date is made out of noise"))
    return out


def _untold(f: Forecast, newest: Mapping[str, Forecast]) -> str:
    """Why a seal that the holds can't tell from the other has no date, what stands instead, and what would tell."""
    said = (
        f"no date of its own: the holds leave open {f.spare:.2g} mbar l/s of the {seal_words(f.seal.seal)}'s leak"
        f" either way, with a limit of {f.seal.limit:.2g}"
    )
    channel = newest.get("clamp")
    if channel is not None and channel.left is not None:
        low, middle, high = channel.left
        said += f"; the clamp channel's forecast stands: {middle:.0f} shots left (80 %: {low:.0f} to {high:.0f})"
    grown = {name: _growth(newest[name].seal) for name in ("outer", "inner") if name in newest}
    if len(grown) == 2 and max(grown.values()) > 0:
        likelier = max(grown, key=lambda name: grown[name])
        said += (
            f"; the {likelier} seal is the likelier to be worn, its leak grew more by the middle of what the laws allow"
        )
    return said + "; a third hold with the cavity evacuated as deep as the clamp channel would tell"


def _growth(seal: Seal) -> float:
    """How much a seal's leak has grown since its first leaks, mbar l/s."""
    few = max(len(seal.leak) // 4, 1)
    return float(np.median(seal.leak[-few:]) - np.median(seal.leak[:few]))


TORN = (
    "no forecast: whether the leak is past its limit depends on the leak law and on how much less the outer seal is "
    "squeezed with the cavity open, which two holds can't tell; a third hold with the cavity evacuated as deep as the "
    "clamp channel would narrow it"
)


def seal_words(seal: str) -> str:
    """A seal's name in a sentence."""
    return {"clamp": "clamp channel (outer and inner seal together)", "outer": "outer seal", "inner": "inner seal"}.get(
        seal, seal
    )
