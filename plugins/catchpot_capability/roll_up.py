"""The workshop's page of a month: a line a mould and measure, worst first, with twelve months of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.blocks import slug
from catchpot.report.section import Block, DataTable, Figure, Panel
from catchpot_capability import pictures
from catchpot_capability.month_pages import METHOD, REFERENCES, signature, state_of
from catchpot_capability.months import shifted, spoken
from catchpot_capability.sentences import VERDICTS, index_of, index_words, plain

Row = Mapping[str, Any]
WIDE = 34
SHORT = {
    "capable": "capable", "not capable": "not capable", "not meaningful": "not steady", "no curve fits": "no curve",
    "too few shots": "too few",
}  # fmt: skip


def badness(row: Row) -> tuple[int, float, str, str]:
    """Sorts the worst first: by verdict, and within a verdict by the index where one is given."""
    value = index_of(row)[1] if row["meaningful"] else None
    return (VERDICTS.index(row["verdict"]), 0.0 if value is None else value, row["mould"], row["label"])


def cell(row: Row | None) -> str:
    """A month in a cell: index and word; the word alone where no index is given."""
    if row is None:
        return "none"
    value = index_of(row)[1] if row["meaningful"] else None
    word = SHORT[row["verdict"]]
    return word if value is None else f"{plain(value)} {word}"


def against(row: Row, last: Row | None) -> str:
    """The change of the index against last month, with its uncertainty."""
    if last is None or not row["meaningful"] or not last["meaningful"]:
        return "not comparable"
    name, value, low, high = index_of(row)
    name_before, before, low_before, high_before = index_of(last)
    known = (value, low, high, before, low_before, high_before)
    if name != name_before or any(v is None for v in known):
        return "not comparable"
    now, least, most, was, least_was, most_was = (float(v) for v in known if v is not None)
    change = now - was
    # Two independent months: the halves of their intervals add as squares.
    down = ((now - least) ** 2 + (most_was - was) ** 2) ** 0.5
    up = ((most - now) ** 2 + (was - least_was) ** 2) ** 0.5
    said = f"{words.signed(change, '', 2)} ({words.signed(change - down, '', 2)} to {words.signed(change + up, '', 2)})"
    clear = change - down > 0 or change + up < 0
    return said + ("" if clear else ", may be chance")


def _short(month: str) -> str:
    return f"{spoken(month, year=False)[:3]} {month[2:4]}"


def line(row: Row) -> str:
    """The verdict in a line; blanks that must not break keep the column wide enough to read."""
    name = f"{row['mould']}, {row['label']}:"
    if len(name) <= WIDE:
        name = name.replace(" ", "\u00a0")
    shots = words.count(row["n"], "shot")
    if row["verdict"] == "not meaningful":
        return f"{name} not steady, {shots}; {row['unsteady_because']}"
    if row["verdict"] in ("capable", "not capable"):
        return f"{name} {row['verdict']}, {index_words(row)}, {shots}"
    return f"{name} {SHORT[row['verdict']]}, {shots}"


def lines(rows: pl.DataFrame, month: str) -> pl.DataFrame:
    """The lines of a month, worst first: sentence, change, and up to twelve months from the workshop's first on.

    rows: `capability` of all months.
    """
    first = str(rows["month"].min())
    months = [m for m in (shifted(month, -k) for k in range(11, -1, -1)) if m >= first]
    last = shifted(month, -1)
    by_key = {(r["mould"], r["measure"], r["month"]): r for r in rows.iter_rows(named=True)}
    now = sorted((r for r in by_key.values() if r["month"] == month), key=badness)
    return pl.DataFrame(
        [
            {
                "verdict": line(r),
                f"against {spoken(last, year=False)}": against(r, by_key.get((r["mould"], r["measure"], last))),
                **{_short(m): cell(by_key.get((r["mould"], r["measure"], m))) for m in months},
            }
            for r in now
        ]
    )


def _over_moulds(row: Row, shots: pl.DataFrame, zone: str) -> list[Block]:
    slugged = slug(row["measure"])
    levels: list[figures.Level] = []
    for end in ("upper", "lower"):
        at = row[f"control_{end}"]
        if at is not None:
            said = words.signed(100 * at, "%", 0)
            levels.append(figures.Level(None, None, at, f"{end} control limit {said}"))
    strip = figures.Strip(
        heading=f"{row['label']}: deviation from what was expected [share of the room to the limit]",
        x=shots["started_at"].to_list(),
        value=shots["deviation"].to_list(),
        names=[f"{s} ({m})" for s, m in shots.select("shot", "mould").iter_rows()],
        band=(-1.0, 1.0),
        band_words="each mould's own limits",
        rings=pictures.rings(shots, "deviation", 1.0),
        levels=levels,
    )
    return [Figure(f"over-{slugged}", f"{row['label']}, all moulds", figures.history([strip], zone=zone),
                   row["sentence"], None, 330)]  # fmt: skip


def roll_up(
    rows: pl.DataFrame, month: str, over: pl.DataFrame, over_shots: pl.DataFrame, zone: str, closed_at: Any,
    late: Sequence[str],
) -> list[tuple[str, Panel]]:  # fmt: skip
    """The panels of a month over all moulds. rows: `capability` of all months; over, over_shots: this month's."""
    now = rows.filter(pl.col("month") == month)
    verdicts = now["verdict"].to_list()
    capable, unsteady = verdicts.count("capable"), verdicts.count("not meaningful")
    all_of = words.count(len(verdicts), "mould and measure", "moulds and measures")
    headline = f"{spoken(month)}: {capable} of {all_of} capable"
    headline += f", {unsteady} not steady and so without a meaningful figure." if unsteady else "."
    table = DataTable("lines", "Moulds and measures, the worst first", lines(rows, month),
                      "Up to twelve months to the right, each with index and verdict in a word."
                      " Changes with their 95 % intervals.")  # fmt: skip
    panels: list[tuple[str, Panel]] = [
        ("All moulds and measures", Panel(state_of(verdicts), headline, [table], METHOD, REFERENCES))
    ]
    for row in over.sort("measure").iter_rows(named=True):
        own = over_shots.filter(pl.col("measure") == row["measure"]).sort("started_at", "shot")
        state = state_of([row["verdict"]])
        panels.append((f"{row['label']}, all moulds together",
                       Panel(state, row["sentence"], _over_moulds(row, own, zone))))  # fmt: skip
    panels.append(("Data and signature", signature(now, month, closed_at, late, zone)))
    return panels
