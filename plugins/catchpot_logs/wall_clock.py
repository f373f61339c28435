"""From the clock on the wall to UTC: zones, the repeated autumn hour, the missing spring hour, midnight."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from catchpot.ingest.reader import Remark

if TYPE_CHECKING:
    from numpy.typing import NDArray

_DAY_US = 86400_000_000


def offset_us(when_us: int, zone: ZoneInfo) -> int:
    """The zone's UTC offset at a UTC instant, in microseconds."""
    delta = datetime.fromtimestamp(when_us / 1e6, UTC).astimezone(zone).utcoffset()
    return int(delta.total_seconds() * 1e6) if delta else 0


def wall_to_utc(
    wall_us: NDArray[np.int64], zone: ZoneInfo, repeated_hour: str | None = None
) -> tuple[NDArray[np.int64], list[Remark]]:
    """Wall-clock stamps of one file, in file order, to UTC.

    The repeated autumn hour: the earlier one until the wall clock steps back, then the later; where no step is seen,
    what comes before or after the hour tells; else it is ambiguous, `repeated_hour` decides ("earliest" without), and
    that is said. A stamp in the missing spring hour comes from a clock that was not put forward yet: it is read with
    the offset of before, and said.
    """
    if not len(wall_us):
        return wall_us, []
    low, high = int(wall_us.min()), int(wall_us.max())
    offsets = {offset_us(low - _DAY_US, zone), offset_us(high + _DAY_US, zone)}
    if len(offsets) == 1 and high - low < 60 * _DAY_US:
        return wall_us - offsets.pop(), []
    frame = pl.Series(wall_us).cast(pl.Datetime("us"))
    early, late = (_resolved(frame, zone, how) for how in ("earliest", "latest"))
    missing = early < 0
    remarks: list[Remark] = []
    utc = early.copy()
    if missing.any():
        utc[missing] = wall_us[missing] - offset_us(int(wall_us[missing].min()) - 6 * 3600_000_000, zone)
        detail = (
            f"{int(missing.sum())} stamps lie in the missing spring hour of {zone}: the clock had not been put forward"
        )
        remarks.append(Remark("assumed", detail, "t_s", 0, int(missing.sum())))
    twice = (early != late) & ~missing
    if twice.any():
        back = np.flatnonzero(np.diff(wall_us) < -20 * 60_000_000)
        back = back[twice[back] | twice[np.minimum(back + 1, len(twice) - 1)]]
        rows = np.flatnonzero(twice)
        if len(back):
            utc = np.where(twice & (np.arange(len(utc)) > back[0]), late, utc)
        elif rows[0] > 0 and wall_us[rows[0]] - wall_us[rows[0] - 1] < 20 * 60_000_000:
            pass  # it ran into the hour from before it: the first time round
        elif rows[-1] < len(utc) - 1 and wall_us[rows[-1] + 1] - wall_us[rows[-1]] < 20 * 60_000_000:
            utc = np.where(twice, late, utc)  # it ran out of the hour into what follows it: the second time round
        else:
            if repeated_hour == "latest":
                utc = np.where(twice, late, utc)
            how = f"the {'later' if repeated_hour == 'latest' else 'earlier'} one was taken"
            detail = f"all stamps lie in the repeated autumn hour of {zone} and can't be told from it: {how}"
            remarks.append(Remark("assumed", detail, "t_s", 0, int(twice.sum())))
    return utc, remarks


def _resolved(wall: pl.Series, zone: ZoneInfo, ambiguous: str) -> NDArray[np.int64]:
    frame = pl.DataFrame({"t": wall}).select(
        pl.col("t")
        .dt.replace_time_zone(
            str(zone), ambiguous="earliest" if ambiguous == "earliest" else "latest", non_existent="null"
        )
        .dt.convert_time_zone("UTC")
        .cast(pl.Int64)
    )
    return np.asarray(frame["t"].fill_null(-1).to_numpy(), np.int64)


def over_midnight(day_us: NDArray[np.int64]) -> NDArray[np.int64]:
    """Times of day in file order with a day added each time midnight was passed."""
    wraps = np.concatenate(([0], np.cumsum(np.diff(day_us) < -_DAY_US // 2)))
    return np.asarray(day_us + wraps * _DAY_US)
