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
    from catchpot_vacuum.lookback import what_came
    from catchpot_vacuum.schedule import newest, schedule
    from catchpot_vacuum.which import not_told, which_seal
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
    shot = session.table("shot", columns=["shot", "mould", "started_at"])
    hold = session.table("seal_hold").join(shot, on="shot", how="left").sort("started_at", "shot", "step")
    history = session.table("seal_history")
    came: dict[tuple[str, str], str] = {}
    if day is not None:
        hold = hold.filter(hold["started_at"] <= until)
        came = {(r["mould"], r["seal"]): what_came(r, history) for r in rows}
        history = session.compute("seal_history", until=until).tables["seal_history"]
    plan = schedule(rows, session.workshop.book, hold)
    record = track_record(history.to_dicts())
    lines = [f"{forecast(r)} {came.get((r['mould'], r['seal']), '')}".strip() for r in rows]
    silent = not_told(session.table("refusal"), {r["mould"] for r in rows}, shot)
    lines += silent or ([] if rows else ["no forecast: no leak is known of any mould (run `catchpot analyse` first)"])
    if plan.height:
        lines += ["", "What to replace in the next 30 days:"]
        lines += [
            f"  {r['mould']}, {r['seal']}: {r['left']}, due {r['due']}; {r['cost of waiting']}"
            for r in plan.iter_rows(named=True)
        ]
    if day is None:
        which = which_seal(session.table("refusal"), session.table("seal_split"))
        lines += ["", "Outer or inner?", *(f"  {line}" for line in which)] if which else []
    data: dict[str, Any] = {
        "as_of": day, "seals": rows, "schedule": plan.to_dicts(), "track_record": record, "caution": SUDDEN,
        "what_came": [{"mould": m, "seal": s, "what": w} for (m, s), w in came.items() if w],
        "not_assessed": silent,
    }  # fmt: skip
    emit(data, [*lines, "", record, SUDDEN], as_json=json)
    return 0
