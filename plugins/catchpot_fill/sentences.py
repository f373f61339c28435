"""What the fill section says: rows of a mould in words, every number with its unit and interval."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from catchpot.report import words
from catchpot.report.section import Block, Prose, State, View

if TYPE_CHECKING:
    import polars as pl

CLAMP_CAUTION = (
    "A clamp margin is an upper estimate: springback of the fibre pack and local lifting are left out. It is no "
    "permission. If a cover lifts, stop injecting, relieve the line pressure, keep hands out and keep the clamp vacuum."
)


def joined(view: View) -> pl.DataFrame:
    """One row a shot in order of time: `fill` with the permeability beside it."""
    fill, permeability = view.tables["fill"], view.tables["permeability"]
    extra = [c for c in permeability.columns if c not in fill.columns]
    return fill.join(permeability.select("shot", *extra), on="shot", how="left", maintain_order="left")


def with_arrival(rows: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    return rows.filter(pl.col("arrival_volume_l").is_not_null())


def usual_arrival(known: pl.DataFrame) -> float | None:
    """Median arrival volume of the shots before the last, in l; of all where there are fewer than four."""
    volumes = known["arrival_volume_l"]
    middle = (volumes.head(volumes.len() - 1) if volumes.len() > 3 else volumes).median()
    return float(middle) if isinstance(middle, float) else None


def change_of_arrival(known: pl.DataFrame) -> tuple[float, float | None, float | None, int] | None:
    """Last arrival volume against the median of those before, in % with the last one's interval, and how many."""
    usual = usual_arrival(known)
    if known.height < 4 or not usual:
        return None
    row = known.row(-1, named=True)
    value, low, high = (row[f"arrival_volume_{end}l"] for end in ("", "low_", "high_"))
    low, high = (None if v is None else 100 * (v / usual - 1) for v in (low, high))
    return 100 * (value / usual - 1), low, high, known.height - 1


def headline(mould: str | None, rows: pl.DataFrame, known: pl.DataFrame, zone: str) -> str:
    last = rows.row(-1, named=True)
    if known.is_empty():
        return (
            f"{mould} took {words.number(last['injected_volume_l'], 'l')} in its last shot; when resin arrived at the "
            "vent is not known for any shot. The reasons stand under what was not computed."
        )
    newest = known.row(-1, named=True)
    said = (
        f"{mould} had taken {words.with_interval(*triple(newest, 'arrival_volume', 'l'), 'l')} when resin arrived at "
        f"the vent in shot {newest['shot']} of {words.day(newest['started_at'], zone)}"
    )
    change = change_of_arrival(known)
    if change:
        value, low, high, n = change
        interval = f" (95 %: {words.signed(low, '')} to {words.signed(high, '')})" if low is not None else ""
        said += f", {words.signed(value, '%')}{interval} against the median of the {words.count(n, 'shot')} before"
    if newest["shot"] != last["shot"]:
        said += f". In the last shot, {last['shot']}, arrival is not known"
    return said + "."


def sentences(rows: pl.DataFrame, known: pl.DataFrame) -> tuple[str, ...]:
    last = rows.row(-1, named=True)
    said = []
    said.append(
        f"Shot {last['shot']} took {words.number(last['injected_volume_l'], 'l', 4)} in "
        f"{words.number(last['injection_time_s'], 's')}; the line pressure rose to "
        f"{words.number(last['peak_line_pressure_bar'], 'bar')} (gauge)."
    )
    if last["overflow_l"] is not None:
        past = words.with_interval(*triple(last, "overflow", "l"), "l")
        said.append(f"At most {past} went past the vent; a corner filled late would make it less.")
    if last["mobility_m2_pa_s"] is not None:
        mobility = words.with_interval(*triple(last, "mobility", "m2_pa_s"), "m2/(Pa s)")
        viscosity = last["viscosity_pa_s"]
        at = f"; at {words.number(viscosity, 'Pa s')} its permeability is " if viscosity is not None else ""
        k = words.with_interval(*triple(last, "permeability", "m2"), "m2") if viscosity is not None else ""
        said.append(f"Mobility was {mobility}{at}{k}.")
    unknown = rows.height - known.height
    if unknown:
        said.append(f"Arrival volume is not given for {words.count(unknown, 'shot')} of {rows.height}; see why below.")
    return (" ".join(said),)


def closing_force(view: View, rows: pl.DataFrame) -> tuple[State, list[Block]]:
    """State and words on the closing force of the last shot; the blocked vent comes first where it is negative."""
    last = rows.row(-1, named=True)
    lowest, blocked = last["clamp_margin_n"], last["blocked_vent_margin_n"]
    if lowest is None and blocked is None:
        return "in order", []
    limit = None
    if view.mould in view.book.moulds:
        limit = view.book.at(view.mould, last["started_at"]).line_pressure_limit_bar
    at = f" of {words.number(limit, 'bar')}" if limit is not None else ""
    said = []
    if blocked is not None:
        end = ": the cover would lift" if blocked < 0 else ""
        said.append(f"With the vent blocked and the line at its limit{at} over the whole part: {_kn(blocked)}{end}.")
    if lowest is not None:
        said.append(f"Lowest in the last shot: {_kn(lowest)}, an upper estimate.")
    state: State = "act" if (blocked is not None and blocked < 0) or (lowest is not None and lowest < 0) else "in order"
    return state, [Prose((" ".join(said), CLAMP_CAUTION), "caution", "Net closing force on the cover")]


def _kn(newton: float) -> str:
    return words.number(newton / 1000, "kN", 2)


def triple(row: Mapping[str, Any], what: str, unit: str) -> tuple[Any, Any, Any]:
    return row[f"{what}_{unit}"], row[f"{what}_low_{unit}"], row[f"{what}_high_{unit}"]


def short(row: Mapping[str, Any], what: str, unit: str) -> str:
    value, low, high = triple(row, what, "l")
    return words.with_interval(value, low, high, unit).replace("95 %: ", "")
