"""What analyses keep between runs: for each (analysis, part) a state and the key it holds under. It can be lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

State = tuple[str, int, bytes]
"""key, shots behind it, state"""

_DDL = """
CREATE TABLE IF NOT EXISTS kept (analysis VARCHAR, part VARCHAR, key VARCHAR, shots BIGINT, state BLOB)
"""


def read(con: duckdb.DuckDBPyConnection, analysis: str, parts: Sequence[str]) -> dict[str, State]:
    """The states of these parts."""
    rows = con.execute(
        "SELECT part, key, shots, state FROM kept WHERE analysis = ? AND part IN (SELECT unnest(?))",
        [analysis, list(parts)],
    ).fetchall()
    return {part: (key, shots, state) for part, key, shots, state in rows}


def write(con: duckdb.DuckDBPyConnection, analysis: str, states: Mapping[str, State | None]) -> None:
    """Replace the states of these parts; None takes one out."""
    con.execute(_DDL)
    con.execute("DELETE FROM kept WHERE analysis = ? AND part IN (SELECT unnest(?))", [analysis, list(states)])
    for part, state in states.items():
        if state is not None:
            con.execute("INSERT INTO kept VALUES (?, ?, ?, ?, ?)", [analysis, part, *state])


def forget(con: duckdb.DuckDBPyConnection, analysis: str) -> None:
    """Drop all states of an analysis."""
    con.execute(_DDL)
    con.execute("DELETE FROM kept WHERE analysis = ?", [analysis])
