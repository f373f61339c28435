"""One continuous log, many shots: cut where nothing is injected, named by their own start, so that names stay."""

from __future__ import annotations

import copy
import hashlib
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from catchpot.channels import BY_NAME
from catchpot.ingest.metadata import TEXTS
from catchpot.ingest.reader import Finished, FinishedShot, LogRefused, ShotMeta

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from catchpot.workshop import Profile
    from catchpot.workshop.profile import SplitSettings

_LEAST_FLOW = 0.1
_STAMP = re.compile(r"\d{8}T\d{6}Z")


def split_shots(
    frame: pl.DataFrame,
    metas: Sequence[ShotMeta],
    profile: Profile,
    refused: dict[int, LogRefused],
) -> Finished:
    """Shots of continuous logs.

    frame: file_no, row, us, dated, channels in canonical units, `meta:COLUMN` of columns that tell of the shot. A shot
    is an injection with what came before it (from where the shot before ended, at most before_s) and after (to where
    the mould was opened again, at most after_s). Its name is the log's name and the UTC time of its first flow (or of
    its first row where the shot stands in a column): the same each time the log is read, however far it has grown.
    """
    settings = profile.split
    assert settings is not None
    shots: list[FinishedShot] = []
    frames: list[pl.DataFrame] = []
    between: dict[int, int] = {}
    columns = {key: m.column for key, m in profile.metadata.items() if m.column}
    for (number,), part in frame.group_by("file_no", maintain_order=True):
        i = int(str(number))
        if not part["us"].drop_nulls().is_sorted():
            part = part.sort("us", maintain_order=True, nulls_last=True)
        known = part.with_row_index("at").filter(pl.col("us").is_not_null())
        cuts = _by_column(known, settings.column) if settings.by == "column" else _by_flow(known, settings)
        if not cuts:
            refused.setdefault(i, LogRefused("no shot was found in this continuous log: no flow stands out"))
        taken = 0
        for first, last, named in cuts:
            rows = part[int(known["at"][first]) : int(known["at"][last]) + 1]
            taken += rows.height
            began = int(known["us"][first])
            shots.append(FinishedShot(i, _meta(metas[i], rows, named, began, columns), rows.height, _digest(rows)))
            names = [n for n in ("given_vol_l", *BY_NAME) if n in rows.columns]
            t = ((pl.col("us") - began) / 1e6).alias("t_s")
            frames.append(rows.select(pl.lit(len(shots) - 1, dtype=pl.Int32).alias("file_no"), "row", t, *names))
        between[i] = part.height - taken
    schema = {"file_no": pl.Int32(), "row": pl.Int64(), "t_s": pl.Float64()}
    return Finished(shots, pl.concat(frames) if frames else pl.DataFrame(schema=schema), refused, between)


def _by_column(part: pl.DataFrame, column: str | None) -> list[tuple[int, int, str]]:
    runs = part.select(pl.col(f"meta:{column}").str.strip_chars().fill_null("")).to_series().rle().struct.unnest()
    found, at = [], 0
    for n, value in runs.iter_rows():
        if value:
            found.append((at, at + n - 1, value))
        at += n
    return found


def _by_flow(part: pl.DataFrame, settings: SplitSettings) -> list[tuple[int, int, str]]:
    t = part["us"].to_numpy() / 1e6
    flow = part["flow_l_min"].fill_null(0.0).to_numpy() if "flow_l_min" in part.columns else _stroke_rate(part, t)
    # a fixed threshold: one that looked at the whole log would move a shot's start as the log grows
    least = settings.flow_above_l_min or _LEAST_FLOW
    smooth = np.convolve(flow, np.ones(3) / 3.0, mode="same") if len(flow) > 3 else flow
    on = np.flatnonzero(smooth > least)
    if not len(on):
        return []
    # the raw flow's first sample, so that neither smoothing nor the log's end moves it
    on = on[flow[on] > least] if (flow[on] > least).any() else on
    breaks = np.flatnonzero(np.diff(t[on]) > settings.pause_s)
    firsts, lasts = on[np.concatenate(([0], breaks + 1))], on[np.concatenate((breaks, [len(on) - 1]))]
    step = np.diff(t, prepend=t[0])
    litres = np.concatenate(([0.0], np.cumsum(flow * step / 60.0)))
    real = litres[lasts + 1] - litres[firsts] >= settings.least_volume_l
    firsts, lasts = firsts[real], lasts[real]
    cavity = part["cavity_pressure_mbar"].to_numpy() if "cavity_pressure_mbar" in part.columns else None
    found = []
    begin = 0
    for k, (a, b) in enumerate(zip(firsts.tolist(), lasts.tolist(), strict=True)):
        start = max(begin, int(np.searchsorted(t, t[a] - settings.before_s)))
        end = _opened(t, cavity, b, int(firsts[k + 1])) if k + 1 < len(firsts) else len(t) - 1
        begin = end + 1
        end = min(end, int(np.searchsorted(t, t[b] + settings.after_s, side="right")) - 1)
        found.append((start, max(end, b), _stamp(float(t[a]))))
    return found


def _stroke_rate(part: pl.DataFrame, t: NDArray[np.float64]) -> NDArray[np.float64]:
    count = part["pump_strokes"].fill_null(strategy="forward").fill_null(0.0).to_numpy()
    return np.where(np.diff(count, prepend=count[:1]) > 0, 1.0, 0.0)


def _opened(t: NDArray[np.float64], cavity: NDArray[np.float64] | None, last: int, following: int) -> int:
    """Row after which the next shot begins: where the mould was last open between the two, else half-way."""
    if cavity is None or np.isnan(cavity[last:following]).all():
        return int(np.searchsorted(t, (t[last] + t[following]) / 2.0))
    here = np.nan_to_num(cavity[last:following], nan=-np.inf)
    top = float(here.max())
    open_rows = np.flatnonzero(here >= top - max(20.0, 0.03 * abs(top)))
    return last + int(open_rows[len(open_rows) // 2])


def _stamp(seconds: float) -> str:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(seconds))).strftime("%Y%m%dT%H%M%SZ")


def _meta(meta: ShotMeta, rows: pl.DataFrame, named: str, began: int, columns: Mapping[str, str]) -> ShotMeta:
    mine = copy.deepcopy(meta)
    mine.shot = f"{meta.shot}-{named}" if _STAMP.fullmatch(named) else named
    if bool(rows["dated"][0]):
        mine.started_at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=began)
    for key, column in columns.items():
        words = rows[f"meta:{column}"].drop_nulls().str.strip_chars()
        usual = words.filter(words != "").mode().sort()
        if not usual.len() or key in ("shot", "started_at"):
            continue
        if key in TEXTS:
            setattr(mine, key, str(usual[0]))
            if key == "mould":
                mine.remarks = [r for r in mine.remarks if r.kind != "no_mould"]
        else:
            mine.notes[key] = str(usual[0])
    return mine


def _digest(rows: pl.DataFrame) -> str:
    hashed = hashlib.sha256()
    for name in rows.columns:
        if name not in ("file_no", "row", "dated"):
            column = rows[name]
            if column.dtype == pl.String:
                hashed.update("\n".join(v or "" for v in column.to_list()).encode())
            else:
                hashed.update(name.encode() + column.cast(pl.Float64).fill_null(float("nan")).to_numpy().tobytes())
    return hashed.hexdigest()
