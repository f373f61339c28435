"""The commands `explain MOULD` and `next MOULD`."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

from cyclopts import Parameter

from catchpot.output import emit, warn

if TYPE_CHECKING:
    from catchpot.api import Session

Json = Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document.")]


def _day(text: str, zone: ZoneInfo, *, end: bool = False) -> datetime:
    """Start (or last moment) of a day in the workshop's zone, UTC; ValueError for what is no day."""
    day = date.fromisoformat(text)
    start = datetime.combine(day + timedelta(days=int(end)), time(), zone).astimezone(UTC)
    return start - timedelta(microseconds=int(end))


def _drifts(session: Session, mould: str, zone: ZoneInfo) -> list[str]:
    """A drift of the volume that stands, beside a comparison of the last shots with those before which shows none."""
    found = session.table("finding", [mould]).filter(kind="volume_drift", severity="watch").drop_nulls("since")
    made = []
    for f in found.filter(found["until"].is_null()).sort("since").iter_rows(named=True):
        day = f["since"].astimezone(zone).date()
        said = f["message"].removeprefix(f"{mould}: ")
        made.append(
            f"Over a longer time it has drifted: {said} “catchpot explain {mould} --since {day}” looks for the cause of"
            " that."
        )
    return made


def explain(mould: str, *, since: str | None = None, against: str | None = None, json: Json = False) -> int:
    """Say why a mould's volume changed: what, the likeliest cause, what to measure next.

    Parameters
    ----------
    mould
        The mould, as in the mould book.
    since
        A day such as 2026-05-01: explain what was shot from then on. Without it the newest change found is explained.
    against
        With --since: the days to compare with, such as 2026-03-01..2026-04-30. Without it the shots just before.
    """
    from catchpot.api import open_session
    from catchpot.report import words
    from catchpot_volume.answer import likely, litres, said, told, worth_measuring

    session = open_session(os.environ.get("CATCHPOT_HOME") or None)
    if mould not in session.workshop.book.moulds:
        warn([f"no mould {mould!r} in the mould book; there are {', '.join(sorted(session.workshop.book.moulds))}"])
        return 2
    zone = session.workshop.zone
    params: dict[str, Any] = {}
    try:
        if since is not None:
            params["since"] = _day(since, zone)
    except ValueError:
        warn([f"--since: {since!r} is no day; expected one like 2026-05-01"])
        return 2
    if against is not None:
        ends = against.split("..")
        try:
            if since is None or len(ends) != 2:
                raise ValueError
            params |= {"against_from": _day(ends[0], zone), "against_until": _day(ends[1], zone, end=True)}
        except ValueError:
            warn([f"--against: {against!r}: expected two days like 2026-03-01..2026-04-30, beside --since"])
            return 2
    result = session.compute("volume_cause", [mould], params=params)
    changes = result.tables["volume_change"].sort("since")
    reasons = [r.reason for r in result.refused if r.what == "volume_cause"]
    if changes.is_empty():
        data: dict[str, Any] = {"mould": mould, "explained": None, "refused": reasons}
        emit(data, [f"{mould}: not explained: {'; '.join(reasons)}."], as_json=json)
        return 0
    shown = told(changes)
    causes = result.tables["volume_cause"].filter(result.tables["volume_cause"]["since"] == shown["since"]).sort("rank")
    lines = [shown["sentence_1"], shown["sentence_2"], shown["sentence_3"]]
    newest = changes.row(-1, named=True)
    if newest["since"] > shown["since"]:
        lines.append(f"Since {words.day(newest['since'], zone_name(session))} nothing more has changed that shows.")
    if since is None and not shown["changed"]:
        lines += _drifts(session, mould, zone)
    lines += ["", "Litres, likeliest first:"]
    for r in causes.iter_rows(named=True):
        chance = f", chance {likely(r['chance'])}" if r["chance"] is not None else ""
        change = litres(r["change_l"], r["change_low_l"], r["change_high_l"])
        lines.append(f"  {said(r['cause'], r['change_l'])}: {change}{chance}")
    if shown["changed"]:
        worth = worth_measuring(causes)
        if worth.height:
            lines += ["", "What to measure, most settled a minute first:"]
        lines += [
            f"  {r['measure_next']}: {words.number(r['in_doubt_l'], 'l', 2)} in doubt, about {r['minutes']:.0f} min"
            for r in worth.iter_rows(named=True)
        ]
    known = _knowledge(session, mould)
    lines += ["", known] if known else []
    partly = [r.reason for r in result.refused if r.what != "volume_cause"]
    lines += [f"Not split: {r}." for r in partly]
    data = {"mould": mould, "explained": shown, "causes": causes.to_dicts(), "refused": partly, "arrival": known}
    emit(data, lines, as_json=json)
    return 0


def _knowledge(session: Session, mould: str) -> str:
    """How well it is known where resin arrives in this mould, and what would help most; empty where nothing is."""
    if "own_curve" not in session.declared:
        return ""
    rows = session.table("own_curve", [mould], columns=["mould", "as_of", "knowledge"]).sort("as_of")
    return str(rows["knowledge"][-1]) if rows.height else ""


def zone_name(session: Any) -> str:
    """The workshop's time zone by name."""
    return str(session.workshop.settings.workshop.time_zone)
