"""What the workshop saw of each shot beside its log: weighed catch pots, resin at the vent, events between shots."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.analysis import Job
from catchpot.physics.resin import resin_volume
from catchpot_fill.history import RESHAPES, STEPS, Shots
from catchpot_fill.prepare import column

Array = NDArray[np.float64]
USUAL_DENSITY_KG_M3 = 1100.0
NOTED_WITHIN = timedelta(hours=12)
"""An event `resin_at_vent` without the shot's name belongs to the mould's shot that started last, so long before."""


def shots_of(
    frame: pl.DataFrame,
    book: pl.DataFrame,
    job: Job,
    earlier: Sequence[str] = (),
    last_start: datetime | None = None,
) -> Shots:
    """The shots of one mould. frame: shot and injection, in time order. book: one row a shot, in the same order.

    earlier, last_start: names of the shots before these and the last one's start; an event may speak of them.
    """
    events = job.tables["event"].to_dicts() if "event" in job.tables else []
    started = frame["started_at"].to_list()
    names = frame["shot"].to_list()
    eye, by_eye = column(frame, "resin_at_vent_s") - column(frame, "from_s"), np.zeros(len(names), dtype=bool)
    for i, seconds in noted(events, names, started, frame["mould"][0], earlier):
        eye[i], by_eye[i] = seconds, True
    pot = np.full(len(names), np.nan)
    if "part" in job.tables and job.tables["part"].height:
        weighed = frame.select("shot").join(job.tables["part"].select("shot", "overflow_kg").unique("shot"), on="shot",
                                            how="left", maintain_order="left")  # fmt: skip
        pot = column(weighed, "overflow_kg")
    density = column(book, "density_kg_m3")
    return Shots(
        injected_l=column(frame, "injected_volume_l"),
        resistance=rows(frame["resistance_per_m3"]),
        noise=rows(frame["resistance_sd_per_m3"]),
        time_s=rows(frame["time_s"]),
        readings=column(frame, "readings"),
        start_s=column(frame, "from_s"),
        volume_l=book_volume_l(book),
        hose_l=np.nan_to_num(column(book, "vent_hose_volume_l")),
        fill=[f or "" for f in book["fill"].to_list()],
        pot_kg=pot,
        density_kg_l=np.where(np.isfinite(density), density, USUAL_DENSITY_KG_M3) * 1e-3,
        eye_s=eye,
        by_eye=by_eye,
        events=between(events, started, frame["mould"][0], last_start),
    )


def rows(series: pl.Series) -> Array:
    """An array column as (shots, width), NaN where null."""
    width = series.dtype.shape[0]  # type: ignore[attr-defined]  # an array column has a shape
    out = np.full((len(series), width), np.nan)
    known = series.is_not_null().to_numpy()
    if known.any():
        flat = series.drop_nulls().explode().cast(pl.Float64).fill_null(float("nan")).to_numpy()
        out[known] = flat.reshape(-1, width)
    return out


def before_bed_l(book: pl.DataFrame) -> Array:
    """Volume that fills before the part: runner, and a feed hose that is empty at the start; l."""
    full = np.nan_to_num(column(book, "feed_hose_full")) > 0
    hose = np.where(full, 0.0, np.nan_to_num(column(book, "feed_hose_volume_l")))
    return np.asarray(np.nan_to_num(column(book, "runner_volume_l")) + hose)


def book_volume_l(book: pl.DataFrame) -> Array:
    """Volume of the mould by the book, what fills before it included, l; NaN without geometry or fibre."""
    core, uptake = column(book, "core_volume_l"), column(book, "core_uptake_fraction")
    part = resin_volume(
        column(book, "part_area_m2"), column(book, "thickness_mm") * 1e-3,
        column(book, "fibre_areal_weight_g_m2") * 1e-3, column(book, "fibre_density_kg_m3"),
        np.nan_to_num(core) * 1e-3, np.nan_to_num(uptake),
    )  # fmt: skip
    return np.asarray(1e3 * part + before_bed_l(book))


def noted(
    events: Sequence[dict[str, Any]],
    names: Sequence[str],
    started: Sequence[datetime],
    mould: str,
    earlier: Sequence[str] = (),
) -> list[tuple[int, float]]:
    """Shots and seconds of the events `resin_at_vent` of a mould.

    The detail holds the seconds after the start of injection and, where it is not the last shot before the event, the
    shot's name: "84" or "84 hatch-3-0012".
    """
    made = []
    place = {**dict.fromkeys(earlier, -1), **{name: i for i, name in enumerate(names)}}
    for e in events:
        if e["kind"] != "resin_at_vent" or e["mould"] not in (None, mould):
            continue
        words = str(e["detail"] or "").replace(",", ".").split()
        of = next((place[w] for w in words if w in place), None)
        seconds = next((float(w) for w in words if re.fullmatch(r"\d+(\.\d+)?", w) and w not in place), None)
        if of is None and e["mould"] == mould and seconds is not None:
            just = [i for i, at in enumerate(started) if timedelta(0) <= e["time"] - at <= NOTED_WITHIN]
            of = just[-1] if just else None
        if of is not None and of >= 0 and seconds is not None:
            made.append((of, seconds))
    return made


def between(
    events: Sequence[dict[str, Any]], started: Sequence[datetime], mould: str, last_start: datetime | None = None
) -> list[frozenset[str]]:
    """Kinds of event since the shot before, for each shot. last_start: of the shot before all these."""
    if last_start is not None:
        return between(events, [last_start, *started], mould)[1:]
    told: list[set[str]] = [set() for _ in started]
    at = np.array([s.timestamp() for s in started])
    for e in events:
        if e["mould"] in (None, mould) and e["kind"] in STEPS.keys() | RESHAPES.keys():
            i = int(np.searchsorted(at, e["time"].timestamp()))
            if 0 < i < len(told):
                told[i].add(e["kind"])
    return [frozenset(t) for t in told]
