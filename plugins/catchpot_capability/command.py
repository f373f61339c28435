"""The command `close`."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from catchpot.output import emit


def close(
    month: str,
    /,
    *,
    json: Annotated[
        bool, Parameter(name="--json", negative=(), help="Print one JSON document instead of sentences.")
    ] = False,
) -> int:
    """Fix a month's capability numbers for good, and write them as CSV and Parquet.

    A closed month's pages give the same numbers whatever logs come later, and say what those would change.

    Parameters
    ----------
    month
        A calendar month of the workshop's time zone that is over, as 2026-10.
    """
    from catchpot.api import open_session
    from catchpot.report import words
    from catchpot_capability import closing
    from catchpot_capability.months import check_month, ends, spoken
    from catchpot_capability.tables import CAPABILITY

    try:
        check_month(month)
    except ValueError as error:
        return _wrong(str(error))
    session = open_session(Path(os.environ.get("CATCHPOT_HOME") or "."))
    zone = session.workshop.settings.workshop.time_zone
    now = datetime.now(UTC)
    if now < ends(month, zone):
        return _wrong(f"{spoken(month)} is not over; a month can be closed from its end on")
    tables = {t.name: session.table(t.name) for t in closing.TABLES}
    rows = closing.pick(tables["capability"], month)
    before = closing.closed_months(session.table("closed")).get(month)
    if before is None and rows.is_empty():
        return _wrong(f"there is no capability of {spoken(month)} in the store; run catchpot analyse first")
    if before is None:
        session.close(closing.WHAT, month, now, closing.pack(tables, month))
        lines = [f"{spoken(month)} is closed: {words.count(rows.height, 'row')} fixed."]
        late: list[str] = []
        fixed, at = rows, now
    else:
        late = closing.late_changes(before.tables["capability"], rows)
        lines = [f"{spoken(month)} was closed on {words.day(before.at, zone)}; its numbers stay as they were."]
        lines += [f"today's data would change {line}" for line in late]
        fixed, at = before.tables["capability"], before.at
    files = _write(session.workshop.reports_dir, month, fixed.select(CAPABILITY.names))
    emit(
        {"month": month, "closed_at": at.isoformat(), "already_closed": before is not None, "rows": fixed.height,
         "late_changes": late, "files": [str(f) for f in files]},
        [*lines, *(f"wrote {f}" for f in files)],
        as_json=json,
    )  # fmt: skip
    return 0


def _write(folder: Path, month: str, rows: object) -> list[Path]:
    import polars as pl

    from catchpot.plain_text import defused
    from catchpot.whole import make_folder, whole, write_whole

    assert isinstance(rows, pl.DataFrame)
    make_folder(folder)
    csv, parquet = folder / f"capability-{month}.csv", folder / f"capability-{month}.parquet"
    write_whole(csv, defused(rows).write_csv(datetime_format="%Y-%m-%dT%H:%M:%S%.fZ"))
    with whole(parquet) as fresh:
        rows.write_parquet(fresh)
    return [csv, parquet]


def _wrong(message: str) -> int:
    print(message, file=sys.stderr)
    return 2
