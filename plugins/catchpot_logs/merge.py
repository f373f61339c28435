"""Logs that hold one reading a row, or a time column for each channel: brought onto one row of samples a time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl

from catchpot.ingest.reader import Remark, ShotMeta

if TYPE_CHECKING:
    from catchpot.workshop import Profile


def long_to_wide(frame: pl.DataFrame, profile: Profile, metas: Sequence[ShotMeta]) -> pl.DataFrame:
    """Tag, time, value, quality to one row a time; readings left out are counted in the metas' remarks.

    Readings whose quality is none of the good words are left out, and so are those without a time or a number. Where
    tags have times of their own, a reading holds until the tag's next one; rows before each tag's first reading have
    none.
    """
    assert profile.long is not None
    long = profile.long
    value = pl.col(long.value).str.strip_chars()
    if profile.thousands:
        value = value.str.replace_all(profile.thousands, "", literal=True)
    if profile.decimal != ".":
        value = value.str.replace(profile.decimal, ".", literal=True)
    words = {w: 1.0 for s in profile.channels.values() for w in s.true_words or []}
    number = value.replace_strict(words, default=None, return_dtype=pl.Float64) if words else pl.lit(None, pl.Float64)
    tags = {s.column for s in profile.channels.values()}
    read = frame.with_columns(
        _value=pl.coalesce(number, value.cast(pl.Float64, strict=False)), _tag=pl.col(long.tag).str.strip_chars()
    )
    good = pl.col(long.quality).str.strip_chars().is_in(long.good).fill_null(False) if long.quality else pl.lit(True)
    mine = pl.col("_tag").is_in(list(tags))
    timed = pl.col("us").is_not_null()
    _say(read, metas, "bad_quality", mine & ~good, "are of a quality that the profile doesn't call good")
    _say(read, metas, "no_time", mine & good & ~timed, "have no time that can be read")
    wordy = value.is_not_null() & (value != "") & pl.col("_value").is_null()
    _say(read, metas, "no_number", mine & good & timed & wordy, "are no number")
    _say(read, metas, "unknown_tag", ~mine.fill_null(False), "are of tags that the profile doesn't name")
    read = read.filter(mine & good & timed)
    parts = []
    for name, source in profile.channels.items():
        column = (1.0 - pl.col("_value")) if source.invert else pl.col("_value")
        part = read.filter(pl.col("_tag") == source.column)
        parts.append(part.select("file_no", "row", "us", "dated", column.alias(name)))
        _say_twice(parts[-1], metas, name)
    return _together(parts, list(profile.channels))


def _say_twice(part: pl.DataFrame, metas: Sequence[ShotMeta], name: str) -> None:
    again = part.group_by("file_no", maintain_order=True).agg((pl.len() - pl.col("us").n_unique()).alias("n"))
    for number, n in again.filter(pl.col("n") > 0).iter_rows():
        detail = f"{n} readings of the file have the time of another one of their channel; the last was kept"
        metas[number].remarks.append(Remark("duplicate_time", detail, name, 0, n))


def _say(frame: pl.DataFrame, metas: Sequence[ShotMeta], kind: str, which: pl.Expr, words: str) -> None:
    """A remark for each file with how many readings are left out for a reason."""
    for number, n in frame.filter(which).group_by("file_no", maintain_order=True).len().iter_rows():
        metas[number].remarks.append(Remark(kind, f"{n} readings of the file {words}; they were left out", "", 0, n))


def series_to_wide(frame: pl.DataFrame, profile: Profile, metas: Sequence[ShotMeta]) -> pl.DataFrame:
    """A time column for each channel to one row a time; a reading holds until the channel's next one.

    The column `us` is the time of the channels that name no column of their own; the others stand in `us:CHANNEL`.
    """
    parts = []
    for name, source in profile.channels.items():
        us = pl.col(f"us:{name}") if f"us:{name}" in frame.columns else pl.col("us")
        untimed = pl.col(source.column).is_not_null() & us.is_null()
        _say(frame, metas, "no_time", untimed, f"for {name} have no time that can be read")
        part = frame.select("file_no", "row", us.alias("us"), "dated", pl.col(source.column).alias(name))
        parts.append(part.filter(pl.col("us").is_not_null() & pl.col(name).is_not_null()))
        _say_twice(parts[-1], metas, name)
    return _together(parts, list(profile.channels))


def _together(parts: list[pl.DataFrame], names: list[str]) -> pl.DataFrame:
    stacked = pl.concat(parts, how="diagonal")
    merged = stacked.group_by("file_no", "us").agg(
        pl.col("row").min(), pl.col("dated").first(), *(pl.col(n).drop_nulls().last().alias(n) for n in names)
    )
    merged = merged.sort("file_no", "us")
    return merged.with_columns(pl.col(n).forward_fill().over("file_no") for n in names)
