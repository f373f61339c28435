"""Logs that hold one reading a row, or a time column for each channel: brought onto one row of samples a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from catchpot.workshop import Profile


def long_to_wide(frame: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """Tag, time, value, quality to one row a time.

    Readings whose quality is none of the good words are left out. Where tags have times of their own, a reading holds
    until the tag's next one; rows before each tag's first reading have none.
    """
    assert profile.long is not None
    long = profile.long
    if long.quality is not None:
        frame = frame.filter(pl.col(long.quality).str.strip_chars().is_in(long.good))
    value = pl.col(long.value).str.strip_chars()
    if profile.thousands:
        value = value.str.replace_all(profile.thousands, "", literal=True)
    if profile.decimal != ".":
        value = value.str.replace(profile.decimal, ".", literal=True)
    words = {w: 1.0 for s in profile.channels.values() for w in s.true_words or []}
    number = value.replace_strict(words, default=None, return_dtype=pl.Float64) if words else pl.lit(None, pl.Float64)
    read = frame.with_columns(
        _value=pl.coalesce(number, value.cast(pl.Float64, strict=False)), _tag=pl.col(long.tag).str.strip_chars()
    )
    parts = []
    for name, source in profile.channels.items():
        column = (1.0 - pl.col("_value")) if source.invert else pl.col("_value")
        mine = read.filter((pl.col("_tag") == source.column) & pl.col("us").is_not_null())
        parts.append(mine.select("file_no", "row", "us", "dated", column.alias(name)))
    return _together(parts, list(profile.channels))


def series_to_wide(frame: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """A time column for each channel to one row a time; a reading holds until the channel's next one.

    The column `us` is the time of the channels that name no column of their own; the others stand in `us:CHANNEL`.
    """
    parts = []
    for name, source in profile.channels.items():
        us = pl.col(f"us:{name}") if f"us:{name}" in frame.columns else pl.col("us")
        part = frame.select("file_no", "row", us.alias("us"), "dated", pl.col(source.column).alias(name))
        parts.append(part.filter(pl.col("us").is_not_null() & pl.col(name).is_not_null()))
    return _together(parts, list(profile.channels))


def _together(parts: list[pl.DataFrame], names: list[str]) -> pl.DataFrame:
    stacked = pl.concat(parts, how="diagonal")
    merged = stacked.group_by("file_no", "us").agg(
        pl.col("row").min(), pl.col("dated").first(), *(pl.col(n).drop_nulls().last().alias(n) for n in names)
    )
    merged = merged.sort("file_no", "us")
    return merged.with_columns(pl.col(n).forward_fill().over("file_no") for n in names)
