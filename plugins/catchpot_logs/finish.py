"""From the scanned rows of profiled logs to shots in canonical channels: stamps, units, references, long shape."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from catchpot.channels import BY_NAME
from catchpot.ingest.metadata import shot_meta
from catchpot.ingest.reader import Finished, FinishedShot, LogRefused, Remark, ShotMeta, TextLayout, stem_of
from catchpot_logs.convert import to_canonical
from catchpot_logs.merge import long_to_wide, series_to_wide
from catchpot_logs.split import split_shots
from catchpot_logs.stamps import SINCE_START, parse_stamps
from catchpot_logs.wall_clock import over_midnight, wall_to_utc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from catchpot.workshop import Profile, Workshop
    from catchpot.workshop.profile import ChannelSource

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def finish(frame: pl.DataFrame, layouts: Sequence[TextLayout], profile: Profile, workshop: Workshop) -> Finished:
    """Shots of some files of one layout.

    frame: file_no (place in layouts, ascending), row (place in the file), the scanned columns in file order.
    """
    zone = ZoneInfo(profile.time.zone) if profile.time and profile.time.zone else workshop.zone
    starts = _bounds(frame["file_no"].to_numpy(), len(layouts))
    stems = [stem_of(layout.name) for layout in layouts]
    entries = [_entries(layout, frame, starts, i, profile) for i, layout in enumerate(layouts)]
    metas = [shot_meta(_with_start(e, profile, zone), stem, zone) for e, stem in zip(entries, stems, strict=True)]
    for meta, layout in zip(metas, layouts, strict=True):
        meta.remarks += layout.remarks
    refused: dict[int, LogRefused] = {}
    timed = _timed(frame, layouts, profile, zone, metas, refused)
    wide = _channels(timed, profile, metas)
    wide = to_canonical(wide, profile, workshop, metas, refused)
    if profile.split is not None:
        return split_shots(wide, metas, profile, refused)
    return _one_each(wide, metas, refused, profile, zone)


def _bounds(file_no: NDArray[np.int32], n: int) -> NDArray[np.int64]:
    return np.searchsorted(file_no, np.arange(n + 1)).astype(np.int64)


def _entries(
    layout: TextLayout, frame: pl.DataFrame, starts: NDArray[np.int64], i: int, profile: Profile
) -> dict[str, tuple[str, int]]:
    """The file's metadata, with that which stands in a column of it (unless the log is split: then by shot)."""
    entries = dict(layout.entries)
    if profile.split is None:
        for key, origin in profile.metadata.items():
            if origin.column:
                part = frame[origin.column][int(starts[i]) : int(starts[i + 1])].drop_nulls()
                if part.len():
                    entries[key] = (str(part[0]).strip(), 0)
    return entries


def _with_start(entries: dict[str, tuple[str, int]], profile: Profile, zone: ZoneInfo) -> dict[str, tuple[str, int]]:
    """The start in ISO form, where the profile's own time formats can read it."""
    if "started_at" not in entries:
        # the first stamp will tell; until then anything that keeps "no start" from being said
        return entries | {"started_at": (_EPOCH.isoformat(), 0)} if profile.time and profile.time.column else entries
    text, line = entries["started_at"]
    stamps = parse_stamps(pl.Series([text]), profile.time.format if profile.time else ["iso"])
    if stamps.good[0] and stamps.kind == "wall":
        us, _ = wall_to_utc(stamps.us, zone)
        start = started(int(us[0]))
        return entries | {"started_at": (start.isoformat() if start else text, line)}
    return entries


def _timed(
    frame: pl.DataFrame,
    layouts: Sequence[TextLayout],
    profile: Profile,
    zone: ZoneInfo,
    metas: list[ShotMeta],
    refused: dict[int, LogRefused],
) -> pl.DataFrame:
    """The frame with `us`, microseconds: UTC where `dated`, else since the start. Rows without a stamp have null."""
    time = profile.time
    if time is None or time.column is None:
        if time is None or time.interval_s is None:
            refused.update({i: LogRefused("the profile names no time column") for i in range(len(layouts))})
            return frame.with_columns(us=pl.lit(0, dtype=pl.Int64), dated=pl.lit(False))
        steady = (pl.col("row") * round(time.interval_s * 1e6)).cast(pl.Int64)
        for meta in metas:
            meta.remarks.append(
                Remark("assumed", f"no time is logged: samples stand {time.interval_s:g} s apart", "t_s")
            )
        return frame.with_columns(us=steady, dated=pl.lit(False))
    text = _joined(frame, time.column)
    us, good, dated = _instants(text, frame["file_no"].to_numpy(), layouts, profile, zone, metas, time.column)
    frame = frame.with_columns(us=_nullable(us, good), dated=pl.Series(dated))
    for name, source in profile.channels.items():
        if source.time_column:
            text = _joined(frame, source.time_column)
            us, good, _ = _instants(
                text, frame["file_no"].to_numpy(), layouts, profile, zone, metas, source.time_column
            )
            frame = frame.with_columns(_nullable(us, good).alias(f"us:{name}"))
    return frame


def _nullable(us: NDArray[np.int64], good: NDArray[np.bool_]) -> pl.Series:
    if good.all():
        return pl.Series(us)
    return pl.DataFrame({"us": us, "good": good}).select(pl.when("good").then("us"))["us"]


def _joined(frame: pl.DataFrame, columns: Sequence[str]) -> pl.Series:
    if len(columns) == 1:
        return frame[columns[0]]
    return frame.select(pl.concat_str([pl.col(c).str.strip_chars() for c in columns], separator=" ").alias("t"))["t"]


def _instants(
    text: pl.Series,
    file_no: NDArray[np.int32],
    layouts: Sequence[TextLayout],
    profile: Profile,
    zone: ZoneInfo,
    metas: list[ShotMeta],
    columns: Sequence[str],
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    assert profile.time is not None
    formats = profile.time.format
    stamps = parse_stamps(text, formats)
    us, good = stamps.us.copy(), stamps.good.copy()
    edges = _bounds(file_no, len(layouts))
    kinds = [stamps.kind] * len(layouts)
    unread = ~good & text.is_not_null().to_numpy()
    for i in np.unique(file_no[unread]).tolist():  # what a file's stamps are read as is no matter of the others'
        rows = slice(int(edges[i]), int(edges[i + 1]))
        own = parse_stamps(text[rows], formats)
        us[rows], good[rows], kinds[i] = own.us, own.good, own.kind
    dated = np.repeat([k in ("utc", "wall") for k in kinds], np.diff(edges))
    for i, meta in enumerate(metas):
        rows = slice(int(edges[i]), int(edges[i + 1]))
        if kinds[i] not in ("wall", "day") or rows.start == rows.stop:
            continue
        whole = bool(good[rows].all())
        known = us[rows] if whole else us[rows][good[rows]]
        if kinds[i] == "day":
            known = over_midnight(known)
        else:
            known, said = wall_to_utc(known, zone, profile.time.repeated_hour)
            meta.remarks += said
        if whole:
            us[rows] = known
        else:
            us[rows][good[rows]] = known
    return us, good, dated


def _channels(frame: pl.DataFrame, profile: Profile, metas: Sequence[ShotMeta]) -> pl.DataFrame:
    """file_no, row, us, dated and one column a channel, in the log's own units."""
    keep = [n for n in ("file_no", "row", "us", "dated") if n in frame.columns]
    extra = {m.column for m in profile.metadata.values() if m.column}
    extra |= {profile.split.column} if profile.split and profile.split.column else set()
    others = [pl.col(c).alias(f"meta:{c}") for c in sorted(extra) if c and c in frame.columns]
    if profile.shape == "long" and profile.long is not None:
        return long_to_wide(frame, profile, metas)
    if any(s.time_column for s in profile.channels.values()):
        return series_to_wide(frame, profile, metas)
    own = [_own(name, source).alias(name) for name, source in profile.channels.items()]
    if profile.blank == "hold":
        own = [column.forward_fill().over("file_no") for column in own]
    return frame.select(*keep, *others, *own)


def _own(name: str, source: ChannelSource) -> pl.Expr:
    column = pl.col(source.column)
    if BY_NAME[name].unit == "0/1" and source.true_words:
        words = [w.lower() for w in source.true_words]
        column = column.str.strip_chars().str.to_lowercase().is_in(words).cast(pl.Float64)
    if source.invert:
        column = 1.0 - column
    return column


def started(us: int | None) -> datetime | None:
    """An instant from microseconds since 1970."""
    from datetime import timedelta

    return _EPOCH + timedelta(microseconds=us) if us is not None else None


def _one_each(
    frame: pl.DataFrame, metas: list[ShotMeta], refused: dict[int, LogRefused], profile: Profile, zone: ZoneInfo
) -> Finished:
    first = dict(frame.filter(pl.col("us").is_not_null()).group_by("file_no").agg(pl.col("us").first()).iter_rows())
    counts = dict(frame.group_by("file_no").len().iter_rows())
    dated = bool(frame["dated"].any()) if frame.height else False
    shots = []
    for i, meta in enumerate(metas):
        if i not in first:
            refused.setdefault(i, LogRefused(_no_stamp(profile)))
        if "started_at" not in profile.metadata and profile.time and profile.time.column:
            settle_start(meta, first.get(i) if dated else _on_the_day(meta, first.get(i), profile, zone))
        shots.append(FinishedShot(i, meta, counts.get(i, 0)))
    zero = pl.Series([first.get(i) for i in range(len(metas))], dtype=pl.Int64)
    t = (pl.col("us") - pl.lit(zero.gather(frame["file_no"]))) / 1e6
    names = [n for n in ("given_vol_l", *BY_NAME) if n in frame.columns]
    return Finished(shots, frame.select("file_no", "row", t.alias("t_s"), *names), refused)


def _on_the_day(meta: ShotMeta, day_us: int | None, profile: Profile, zone: ZoneInfo) -> int | None:
    """Start from a time of day and the metadata's date; None where there is no date."""
    assert profile.time is not None
    text = meta.notes.get("date")
    if text is None or day_us is None or any(f in SINCE_START for f in profile.time.format):
        return None
    stamps = parse_stamps(pl.Series([text]), [profile.time.date_format])
    if not stamps.good[0]:
        meta.remarks.append(Remark("bad_entry", f"date = {text!r} does not read as {profile.time.date_format}"))
        return None
    us, said = wall_to_utc(stamps.us + day_us, zone, profile.time.repeated_hour)
    meta.remarks += said
    return int(us[0])


def settle_start(meta: ShotMeta, us: int | None) -> None:
    """The start from the first stamp; where stamps have no date, none, and said."""
    meta.started_at = started(us)
    if us is None:
        detail = (
            "the stamps have no date and the profile gives no started_at; the shot takes no part in what goes by date"
        )
        meta.remarks.append(Remark("no_start", detail))


def _no_stamp(profile: Profile) -> str:
    assert profile.time is not None
    return f"no row has a time stamp that reads as {' or '.join(profile.time.format)}"
