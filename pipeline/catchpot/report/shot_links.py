"""Where a shot has its place: the page of its mould's shots, and the data file of its month."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from catchpot.dates import in_zone

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl


def month_of(started: datetime | None, zone: str) -> str:
    """The month a shot counts to, in the workshop's zone; "undated" for a shot without a start."""
    return in_zone(started, zone).strftime("%Y-%m") if started is not None else "undated"


def shots_here(shots: pl.DataFrame, link: str) -> dict[str, list[str]]:
    """For a mould's page: each shot with the link to its mould's page of shots and its batches.

    link: of the mould's page (moulds/NAME.html); the shots' page has the same name in shots/.
    """
    to = "shots/" + link.rsplit("/", 1)[-1]
    return links_here(shots, dict.fromkeys(shots["mould"].unique().to_list(), to), "../")


def links_here(shots: pl.DataFrame, at: Mapping[str, str], root: str) -> dict[str, list[str]]:
    """Each shot with the link to its mould's page of shots and its batches. at: that page of each mould; root: the way
    from the page to the report's folder."""
    made: dict[str, list[str]] = {}
    for name, mould, fabric, resin in shots.select("shot", "mould", "fabric_batch", "resin_batch").iter_rows():
        if mould not in at:
            continue
        to = root + at[mould]
        batches = [f"fabric {fabric}" if fabric else "", f"resin {resin}" if resin else ""]
        made[name] = [to, *batches] if any(batches) else [to]
    return made


__all__ = ["links_here", "month_of", "shots_here"]
