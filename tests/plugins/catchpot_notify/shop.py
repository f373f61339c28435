"""A made-up workshop whose store holds four findings."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from catchpot import FINDING, finding, findings_table, shape
from catchpot.core_tables import REFUSAL, SAMPLE, SHOT
from catchpot.store import Store
from catchpot.store.ledger import SCHEMA
from catchpot.tables import polars_schema

DAY = datetime(2026, 3, 3, 8, tzinfo=UTC)


def _made(kind: str, severity: Any, days: float = 0.0, **more: Any) -> dict[str, Any]:
    message = "Zeile\nund <b>mehr</b>: 2.61 l." if kind == "short_fill" else f"{kind} is seen."
    since = DAY - timedelta(days=days)
    return finding("hand", kind, severity, message, "Look at the vent.", mould="hatch", shot="s1", since=since, **more)


FOUND = [
    _made("short_fill", "act"),
    _made("early_gel", "watch"),
    _made("vacuum_lost", "act", until=DAY),
    _made("air_in_line", "act", days=60.0),
]


def shop_with_findings(home: Path, settings: str) -> None:
    """Write settings, a book and a store with the findings; all other plugins are switched off."""
    off = '[plugins]\ndisabled = ["fill", "vacuum", "drift", "volume", "capability", "faults"]\n'
    (home / "catchpot.toml").write_text(f'[workshop]\nname = "Invented shop"\n{off}{settings}')
    (home / "moulds.toml").write_text("[moulds.hatch]\n")
    shots = shape(SHOT, {"shot": ["s1"], "mould": ["hatch"], "started_at": [DAY], "source_digest": ["1"]})
    frame = findings_table(FOUND)
    rows = [("hand", "s1", "k", "done", "", 0.0)]
    samples = shape(SAMPLE, {"shot": ["s1"], "t_s": [0.0]})
    store = Store(home / "shots.duckdb", [FINDING])
    with store.writing() as w:
        w.put_shots(shots, samples)
    with store.writing() as w:
        w.ensure([REFUSAL, FINDING])
    with store.writing() as w:
        w.put_results("hand", "shot", ["s1"], {FINDING: frame}, no_refusals())
        w.put_ledger(pl.DataFrame(rows, schema=SCHEMA, orient="row"))


def no_refusals() -> pl.DataFrame:
    """No refusals, as the store takes them."""
    return pl.DataFrame(schema={**polars_schema(REFUSAL), "part": pl.String()})
