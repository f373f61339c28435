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
    """The shots whose arrival volume is known."""
    import polars as pl

    return rows.filter(pl.col("arrival_volume_l").is_not_null())


def usual_arrival(known: pl.DataFrame) -> float | None:
    """Median arrival volume of the shots before the last, in l; of all where there are fewer than four."""
    volumes = known["arrival_volume_l"]
    middle = (volumes.head(volumes.len() - 1) if volumes.len() > 3 else volumes).median()
    return float(middle) if isinstance(middle, float) else None


def change_of_arrival(rows: pl.DataFrame) -> tuple[float, float, float] | None:
    """Last shot's volume against the mould's usual, in % with its interval; None for fewer than four shots."""
    import polars as pl

    known = rows.filter(pl.col("arrival_relative").is_not_null())
    if known.height < 4:
        return None
    last = known.row(-1, named=True)
    value, low, high = (100 * (last[f"arrival_relative{end}"] - 1) for end in ("", "_low", "_high"))
    return value, low, high


def headline(mould: str, rows: pl.DataFrame, known: pl.DataFrame, zone: str) -> str:
    """The last known arrival volume with its interval, against the mould's usual."""
    last = rows.row(-1, named=True)
    if known.is_empty():
        return (
            f"{mould} was given {words.number(last['injected_volume_l'], 'l')} in its last shot. At which volume resin "
            "arrived at the vent is not known for any shot; the reasons stand under what was not computed."
        )
    newest = known.row(-1, named=True)
    day = f" of {words.day(newest['started_at'], zone)}" if newest["started_at"] is not None else ""
    said = (
        f"Resin reached the vent after {words.with_interval(*triple(newest, 'arrival_volume', 'l'), 'l')} in "
        f"{newest['shot']}{day}"
    )
    change = change_of_arrival(rows)
    if change and newest["shot"] == last["shot"]:
        value, low, high = change
        said += (
            f"; the volume was {words.signed(value, '%')} (95 %: {words.signed(low)} to {words.signed(high)}) against "
            f"{mould}'s usual"
        )
    if newest["shot"] != last["shot"]:
        said += f". The last shot, {last['shot']}, ended before that or too near it to tell"
    return said + "."


def sentences(rows: pl.DataFrame, known: pl.DataFrame, limit_bar: float | None, hose_l: float = 0.0) -> tuple[str, ...]:
    """The last shot in words: volume, time, peak pressure, overflow; what is missing.

    hose_l: what the vent hose holds by the mould book; a pot does not show it.
    """
    last = rows.row(-1, named=True)
    first = (
        f"Shot {last['shot']} was given {words.number(last['injected_volume_l'], 'l', 4)} in "
        f"{words.number(last['injection_time_s'], 's')}; the line pressure rose to "
        f"{words.number(last['peak_line_pressure_bar'], 'bar')} (gauge)"
    )
    peak = last["peak_line_pressure_bar"]
    over = limit_bar is not None and peak is not None and peak > limit_bar
    first += f", above the mould's limit of {limit_bar:g} bar." if over else "."
    if last["overflow_l"] is not None:
        past = words.with_interval(*triple(last, "overflow", "l"), "l")
        first += f" At most {past} went past the vent; a corner that filled late makes it less."
    if last["taken_volume_l"] is not None:
        took = words.with_interval(*triple(last, "taken_volume", "l"), "l")
        first += f" The part took {took}."
        # what fills the hose comes after the arrival: without an overflow there is none in it
        if hose_l and last["overflow_l"] != 0.0:
            first = first[:-1] + f", with what stayed in the vent hose (up to {words.number(hose_l, 'l')})."
    said = [first]
    unknown = rows.height - known.height
    if unknown and known.height:
        said.append(
            f"{words.count(unknown, 'shot').capitalize()} of {rows.height} ended before resin arrived or too near to "
            "tell: of them only the least volume is known."
        )
    return tuple(said)


def ease(last: Mapping[str, Any]) -> str:
    """How easily the pack let resin through in a shot: its mobility and permeability; empty where not known."""
    if last["mobility_m2_pa_s"] is None:
        return ""
    flows = words.with_interval(*triple(last, "mobility", "m2_pa_s"), "m2/(Pa s)")
    return f"The mobility of shot {last['shot']} (permeability over viscosity) was {flows}.{_permeability(last)}"


def _permeability(last: Mapping[str, Any]) -> str:
    if last["permeability_m2"] is None:
        return ""
    within = words.with_interval(*triple(last, "permeability", "m2"), "m2")
    said = f" With the viscosity of {words.number(last['viscosity_pa_s'], 'Pa s')} its permeability was {within}"
    low, high = last["permeability_absolute_low_m2"], last["permeability_absolute_high_m2"]
    if low is None or high is None:
        return said + "."
    around = words.with_interval(last["permeability_m2"], low, high, "m2")
    return said + f", and {around} with the mould book's tolerances."


def pressure_limit(view: View, last: Mapping[str, Any]) -> float | None:
    """The mould book's line pressure limit on that shot's day, bar gauge."""
    if view.mould not in view.book.moulds:
        return None
    return view.book.at(view.mould, last["started_at"]).line_pressure_limit_bar


def vent_hose_l(view: View, last: Mapping[str, Any]) -> float:
    """What the mould's vent hose held on that shot's day, by the mould book, l; 0 for none known."""
    if view.mould not in view.book.moulds:
        return 0.0
    return view.book.at(view.mould, last["started_at"]).vent_hose_volume_l or 0.0


def closing_force(view: View, rows: pl.DataFrame) -> tuple[State, str, list[Block]]:
    """State, a sentence where the force is negative, and words on the closing force of the last shot."""
    last = rows.row(-1, named=True)
    lowest, blocked = last["clamp_margin_n"], last["blocked_vent_margin_n"]
    if lowest is None and blocked is None:
        return "in order", "", []
    limit = pressure_limit(view, last)
    at = f" of {limit:g} bar" if limit is not None else ""
    said = []
    warning = ""
    if blocked is not None:
        said.append(f"With the vent blocked and the line at its limit{at} over the whole part: {_kn(blocked)}.")
        if blocked < 0:
            warning = f"With the vent blocked and the line at its limit{at} the cover would lift ({_kn(blocked)}). "
    if lowest is not None:
        said.append(f"At its lowest in shot {last['shot']}: {_kn(lowest)}, at most.")
        if lowest < 0:
            warning = f"The net closing force fell to {_kn(lowest)} in shot {last['shot']}. " + warning
    box = Prose((" ".join(said), CLAMP_CAUTION), "caution", "Net closing force on the cover")
    return ("act" if warning else "in order"), warning, [box]


def _kn(newton: float) -> str:
    return words.number(newton / 1000, "kN", 2)


def triple(row: Mapping[str, Any], what: str, unit: str) -> tuple[Any, Any, Any]:
    """A value and its interval's ends from a row."""
    return row[f"{what}_{unit}"], row[f"{what}_low_{unit}"], row[f"{what}_high_{unit}"]


def short(row: Mapping[str, Any]) -> str:
    """The arrival volume with its 95 % interval, for a cell whose heading says so."""
    return words.with_interval(*triple(row, "arrival_volume", "l"), "l", bare=True)
