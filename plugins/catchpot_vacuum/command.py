"""The command `seals`: what is due when, with only what was known on a day."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated, Any

from cyclopts import Parameter

from catchpot.output import emit, warn


def seals(
    *,
    as_of: str | None = None,
    json: Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document.")] = False,
) -> int:
    """Say when each seal is due, what to replace in the next 30 days, and how past forecasts held.

    Parameters
    ----------
    as_of
        A day such as 2026-05-01: forecast with only what was known at its end.
    """
    from catchpot.api import open_session
    from catchpot_vacuum.schedule import newest, schedule
    from catchpot_vacuum.words_of_seals import SUDDEN, forecast, track_record

    try:
        day = date.fromisoformat(as_of) if as_of is not None else None
    except ValueError:
        warn([f"--as-of: {as_of!r} is no day; expected one like 2026-05-01"])
        return 2
    session = open_session(os.environ.get("CATCHPOT_HOME") or None)
    if day is None:
        life, pooled = session.table("seal_life"), session.table("seal_life_pooled")
    else:
        midnight = datetime.combine(day + timedelta(days=1), time(), session.workshop.zone)
        until = midnight.astimezone(UTC) - timedelta(microseconds=1)
        life = session.compute("seal_life", until=until, params={"only_last": True}).tables["seal_life"]
        pooled = session.compute("seal_pool", until=until).tables["seal_life_pooled"]
    rows = newest(life, pooled)
    hold = session.table("seal_hold")
    shot = session.table("shot", columns=["shot", "mould", "started_at"])
    hold = hold.join(shot.select("shot", "mould", "started_at"), on="shot", how="left").sort(
        "started_at", "shot", "step"
    )
    if day is not None:
        hold = hold.filter(hold["started_at"] <= until)
    history = session.table("seal_history").to_dicts()
    plan = schedule(rows, session.workshop.book, hold)
    record = track_record(history)
    lines = [forecast(r) for r in rows] or ["no forecast: no leak is known of any mould (run `catchpot analyse` first)"]
    if plan.height:
        lines += ["", "What to replace in the next 30 days:"]
        lines += [
            f"  {r['mould']}, {r['seal']}: {r['left']}; {r['cost of waiting']}" for r in plan.iter_rows(named=True)
        ]
    data: dict[str, Any] = {
        "as_of": day, "seals": rows, "schedule": plan.to_dicts(), "track_record": record, "caution": SUDDEN,
    }  # fmt: skip
    emit(data, [*lines, "", record, SUDDEN], as_json=json)
    return 0
