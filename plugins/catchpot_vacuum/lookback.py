"""What came of a past forecast, in words: held, missed, or not to be told."""

from __future__ import annotations

from typing import Any

import polars as pl

from catchpot_vacuum.words_of_seals import FAR_SHOTS

Row = dict[str, Any]


def came(seal: Row, said: Row) -> str:
    """What came after a forecast of this seal (a row of seal_history and one of seal_life)."""
    if seal["crossed_at_shots"] is not None:
        return f"limit met after {max(seal['crossed_at_shots'] - said['age_shots'], 0.0):.0f} more"
    gone = f"{max(seal['age_shots'] - said['age_shots'], 0.0):.0f} more"
    return f"replaced after {gone}, limit not met" if seal["until"] is not None else f"in use after {gone}"


def verdict(seal: Row, said: Row) -> str:
    """Whether the 80 % interval held the age at which the limit was met."""
    low, high = said["age_shots"] + said["shots_left_low"], said["age_shots"] + said["shots_left_high"]
    if seal["crossed_at_shots"] is not None:
        beyond = said["shots_left_high"] >= FAR_SHOTS
        return "held" if low <= seal["crossed_at_shots"] and (beyond or seal["crossed_at_shots"] <= high) else "missed"
    if seal["age_shots"] > high:
        return "missed"
    return "replaced before it could be told" if seal["until"] is not None else "still open"


def what_came(said: Row, history: pl.DataFrame) -> str:
    """A sentence on what came of a forecast made with what was known on a day; empty for one without a date."""
    if said["shots_left"] is None or history.is_empty():
        return ""
    own = history.filter(
        (pl.col("mould") == said["mould"])
        & (pl.col("seal") == said["seal"])
        & (pl.col("since") == said["fitted_since"])
    )
    if own.is_empty():
        return ""
    seal = own.row(0, named=True)
    if seal["crossed_at_shots"] is not None and said["age_shots"] >= seal["crossed_at_shots"]:
        return ""
    return f"[Since then: {came(seal, said)}: {verdict(seal, said)}.]"


__all__ = ["came", "verdict", "what_came"]
