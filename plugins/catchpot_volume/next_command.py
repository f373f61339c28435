"""The command `next MOULD`: go or no-go, what to set, and the set-up sheet; after a refusal no old sheet is left."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from catchpot.errors import CatchpotError
from catchpot.output import emit, warn

if TYPE_CHECKING:
    from catchpot.api import Session

Json = Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document.")]
NO_GO = 3
_TIMES_OFF = 3.0
"""A volume set by hand that is so many times more or less than what is advised is a slip of the unit or the point."""


class CommandLineError(CatchpotError):
    """A command line that can't be meant."""

    status = 2


def next_shot(
    mould: str,
    *,
    temperature: float | None = None,
    fabric_batch: str | None = None,
    set_volume: Annotated[str | None, Parameter(name="--set")] = None,
    because: str | None = None,
    json: Json = False,
) -> int:
    """Say go or no-go and what to set on a mould's next shot, and write the set-up sheet. Exit status 3: no-go.

    Parameters
    ----------
    mould
        The mould, as in the mould book.
    temperature
        Temperature of mould and resin, deg C; without it that of the last shots.
    fabric_batch
        The fabric batch of the coming shot.
    set_volume
        Another volume that is set instead of the advised one; it is written into events.csv. Needs --because.
    because
        Why another volume is set.
    """
    home = Path(os.environ.get("CATCHPOT_HOME") or ".")
    try:
        return _next(mould, temperature, fabric_batch, (set_volume, because), json)
    except CatchpotError as error:
        gone = _withdraw(home, mould, "; ".join(error.lines()))
        if gone is not None:
            warn([f"the sheet before is taken back: {gone} says NO-GO now"])
        if json:
            emit(
                {"mould": mould, "go": False, "state": "no-go", "reasons": error.lines(), "next": {}, "sheet": gone},
                [],
                as_json=True,
            )
        raise


def _withdraw(home: Path, mould: str, why: str) -> Path | None:
    from catchpot.workshop import open_with_last_good
    from catchpot_volume.sheet import withdraw

    moulds, zone, folder = [mould], "UTC", home / "reports"
    try:
        workshop = open_with_last_good(home)
        moulds, zone = list(workshop.book.moulds), workshop.settings.workshop.time_zone
    except CatchpotError:
        pass  # which moulds there are is not known then
    return withdraw(folder, mould, moulds, why, zone, datetime.now(UTC))


def _next(
    mould: str, temperature: float | None, fabric_batch: str | None, by_hand: tuple[str | None, str | None], json: bool
) -> int:
    from catchpot.api import open_session
    from catchpot_volume import go
    from catchpot_volume.command import zone_name
    from catchpot_volume.sheet import next_lines, reasons, write_sheet

    session = open_session(os.environ.get("CATCHPOT_HOME") or None)
    shop = session.workshop
    if mould not in shop.book.moulds:
        raise CommandLineError(f"no mould {mould!r} in the mould book; there are {', '.join(sorted(shop.book.moulds))}")
    if temperature is not None and not -20 <= temperature <= 120:
        raise CommandLineError(f"--temperature: {temperature:g} is out of range; expected -20 to 120 deg C")
    params: dict[str, Any] = {}
    if temperature is not None:
        params["temperature_c"] = temperature
    if fabric_batch is not None:
        params["fabric_batch"] = fabric_batch
    zone, now = zone_name(session), datetime.now(UTC)
    row = _row(session, mould, params)
    refused_by_hand = ""
    if by_hand != (None, None):
        session, refused_by_hand = _set_by_hand(session, row, by_hand, now)
        row = _row(session, mould, params)
    row = go.aged(row, now, zone)
    sheet = write_sheet(shop.reports_dir, row, shop.settings.workshop.name, zone, now, list(shop.book.moulds))
    said = [{"reason": why, "clears": how} for why, how in reasons(row)]
    data = {
        "mould": mould, "go": row["go"] != "no-go", "state": row["go"], "reasons": said,
        "next": row | {"cautions": row["cautions"].splitlines()}, "sheet": str(sheet),
        "not_set": refused_by_hand or None,
    }  # fmt: skip
    lines = [*next_lines(row, zone, now), f"Set-up sheet: {sheet}"]
    emit(data, [*lines, *([refused_by_hand] if refused_by_hand else [])], as_json=json)
    return NO_GO if row["go"] == "no-go" else 0


def _litres(text: str) -> float:
    """A volume as it is typed, in l: with its unit, or in the one the workshop speaks in. ValueError for none."""
    from catchpot.shop_units import in_shop
    from catchpot.workshop.ledgers import parse_number

    plain = text.strip().lower()
    if plain.endswith("ml"):
        return parse_number(plain.removesuffix("ml"), decimal_comma=True) / 1000
    if plain.endswith("l"):
        return parse_number(plain.removesuffix("l"), decimal_comma=True)
    return parse_number(plain, decimal_comma=True) / in_shop("l")[1]


def _row(session: Session, mould: str, params: Mapping[str, Any]) -> dict[str, Any]:
    return session.compute("next_shot", [mould], params=params).tables["next_shot"].row(0, named=True)


def _set_by_hand(
    session: Session, row: Mapping[str, Any], by_hand: tuple[str | None, str | None], now: datetime
) -> tuple[Session, str]:
    """Write a volume set by hand into events.csv; the workshop as it is then, and why nothing was written if so."""
    from catchpot.api import open_session
    from catchpot.report import words
    from catchpot.workshop.notes import add_events
    from catchpot_volume import hand

    text, because = by_hand
    if text is None or not (because or "").strip():
        raise CommandLineError(
            "--set VOLUME and --because TEXT go together: a volume set by hand is written down with its reason"
        )
    shop = session.workshop
    try:
        volume = _litres(text)
    except ValueError:
        raise CommandLineError(f"--set: expected a volume such as 2.9 or 2900ml, found {text!r}") from None
    near = row["advised_volume_l"] or row["last_set_l"]
    if volume <= 0 or (near and not near / _TIMES_OFF <= volume <= near * _TIMES_OFF):
        given, usual = words.fixed(volume, "l", 3), words.fixed(near, "l", 3)
        raise CommandLineError(f"--set: {given} can't be meant: {usual} is what this mould is set to, or near it")
    if row["go"] == "no-go" and not row["reasons"].startswith("no volume can be given"):
        return session, "Nothing was set by hand: a volume clears no finding on the clamp."
    add_events(shop, [(now, row["mould"], "volume_set", hand.detail(volume, because or ""))])
    return open_session(shop.home), ""
