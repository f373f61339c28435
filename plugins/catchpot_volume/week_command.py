"""The command `week`: which moulds may run, what they need, what the pots cost; and its page."""

from __future__ import annotations

import json as jsons
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from catchpot.output import emit, warn

if TYPE_CHECKING:
    from catchpot.api import Session

Json = Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document.")]
KEPT = ".week.json"
"""What the last two reports of a week said, beside their page: the next one says what changed."""


def week(*plan: str, json: Json = False) -> int:
    """Say which moulds may run this week and what first, resin and catalyst, pot waste, seals to order, what changed.

    Parameters
    ----------
    plan
        Shots of each mould, such as hatch-3=6 tub-2=8; as in the last seven days of logs where none is given.
    """
    import polars as pl

    from catchpot.api import open_session
    from catchpot.whole import make_folder, write_whole
    from catchpot_volume import week as weeks
    from catchpot_volume import week_page
    from catchpot_volume.command import zone_name

    session = open_session(os.environ.get("CATCHPOT_HOME") or None)
    shop, zone = session.workshop, zone_name(session)
    try:
        planned = weeks.read_plan(plan, sorted(shop.book.moulds)) if plan else None
    except ValueError as error:
        warn([str(error)])
        return 2
    tables: dict[str, Any] = {
        n: _table(session, n) for n in ("shot", "fill", "seal_life", "seal_life_pooled", "finding", "matter")
    }
    tables |= {"part": shop.parts, "event": shop.events}
    tables["next_shot"] = session.compute("next_shot").tables["next_shot"]
    newest = tables["shot"].filter(pl.col("started_at").is_not_null())["started_at"].max()
    as_of = newest if isinstance(newest, datetime) else None
    made = weeks.build(tables, shop.book, zone, as_of, shop.settings.workshop.currency, planned, datetime.now(UTC))
    folder = shop.reports_dir
    make_folder(folder)
    state = weeks.state(made, tables["finding"], shop.events, tables["shot"])
    before = _compared(folder / KEPT, state)
    made.changes.extend(weeks.changes(before, made, tables["finding"], shop.events, tables["shot"], zone))
    page = folder / "week.html"
    write_whole(page, week_page.html(made, zone))
    write_whole(folder / KEPT, jsons.dumps({"now": state, "before": before}, indent=1) + "\n")
    emit(made.as_dict() | {"page": page}, [*week_page.lines(made, zone), "", f"Page: {page}"], as_json=json)
    return 0


def _table(session: Session, name: str) -> Any:
    import polars as pl

    return session.table(name) if name in session.declared else pl.DataFrame()


def _compared(path: Path, state: dict[str, Any]) -> dict[str, Any] | None:
    """What to compare with: the report before; asked for twice over the same data, still the one before that."""
    try:
        kept = jsons.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    now, before = kept.get("now"), kept.get("before")
    found: dict[str, Any] | None = before if now == state else now
    return found
