"""The part of a month's page on one mould: a panel a measure, then data range and signature line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.blocks import slug
from catchpot.report.section import Block, DataTable, Panel, Prose, State
from catchpot.stats.laws import RULE
from catchpot_capability import pictures
from catchpot_capability.months import spoken
from catchpot_capability.sentences import VERDICTS, count_words, mould_month, plain, scaled_number

Row = Mapping[str, Any]
METHOD = (
    "Spread from shot to shot: mean moving range over 1.128, worth about 0.6 (n - 1) degrees of freedom. Spread over"
    " the month: standard deviation of all shots, n - 1. Indices by the percentile form of ISO 22514-2 (0.135 %, 50 %"
    " and 99.865 % points; for a normal law the mean and 3 standard deviations). Intervals from draws of every law the"
    " shots allow, by its weight; where neighbours are alike, those of fewer shots. By count alone: exact binomial"
    " limits of the share outside as an index, for any law. Unless set otherwise, control limits stand where, for"
    " this number of shots, one steady month in forty has a shot beyond; another one in forty is called for a step or a"
    " trend. " + RULE
)
REFERENCES = (
    "ISO 22514-2: capability and performance of time-dependent process models",
    "J. A. Hoeting, D. Madigan, A. E. Raftery, C. T. Volinsky, Statistical Science 14, 1999 (averaging over laws)",
    "G. E. P. Box, D. R. Cox, Journal of the Royal Statistical Society B 26, 1964 (powers)",
    "C. J. Clopper, E. S. Pearson, Biometrika 26, 1934 (limits of a share)",
)


def state_of(verdicts: Sequence[str]) -> State:
    """The state of several verdicts together."""
    if any(v in ("not capable", "not meaningful", "no curve fits") for v in verdicts):
        return "watch"
    return "in order" if "capable" in verdicts else "not assessed"


def indices_table(row: Row, key: str) -> DataTable:
    """Cp, Cpk, Pp, Ppk with intervals, n, and what lies outside."""
    said = [("Cp", "shot to shot"), ("Cpk", "shot to shot"), ("Pp", "over the month"), ("Ppk", "over the month")]
    rows = [
        {
            "index": name,
            "spread": spread,
            "value": plain(row[name.lower()]) if row[name.lower()] is not None else "not defined",
            "95 % interval": f"{plain(row[f'{name.lower()}_low'])} to {plain(row[f'{name.lower()}_high'])}"
            if row[name.lower()] is not None else "",
            "shots": row["n"],
        }
        for name, spread in said
    ]  # fmt: skip
    if row["by_count_low"] is not None or row["by_count_high"] is not None:
        rows.append(
            {"index": "by count alone", "spread": "no law assumed", "value": plain(row["by_count"]),
             "95 % interval": count_words(row), "shots": row["n"]}
        )  # fmt: skip
    if row["gauge_sd"] is not None:
        high = row["ppk_without_gauge_high"]
        ends = f"{plain(row['ppk_without_gauge_low'])} to {plain(high)}" if high is not None else "no upper end"
        rows.append(
            {"index": "Ppk without gauge", "spread": "over the month, gauge scatter taken out",
             "value": plain(row["ppk_without_gauge"]), "95 % interval": ends, "shots": row["n"]}
        )  # fmt: skip
    spread = [scaled_number(row[k], row) for k in ("sd_shot_to_shot", "sd_total")]
    method = f"{row['method'][:1].upper()}{row['method'][1:]}: {row['law_reason']}."
    note = f"Spread from shot to shot {spread[0]}, over the month {spread[1]}. {method}"
    return DataTable(f"indices-{key}", "Capability of the month", pl.DataFrame(rows), note)


def split_table(parts: pl.DataFrame, row: Row, zone: str, key: str) -> DataTable:
    """The month split at its events."""
    rows = [
        {
            "stretch": f"{words.day(p['from_at'], zone)} to {words.day(p['to_at'], zone)}",
            "begins with": p["begins_with"] or "the month",
            "shots": p["n"],
            "mean": scaled_number(p["mean"], row),
            **(
                {"Ppk": f"{plain(p['ppk'])} ({plain(p['ppk_low'])} to {plain(p['ppk_high'])})" if p["ppk"] else ""}
                if row["meaningful"]
                else {}
            ),
            "outside": p["outside"],
        }
        for p in parts.sort("part").iter_rows(named=True)
    ]
    return DataTable(f"split-{key}", "The month split where something was changed", pl.DataFrame(rows),
                     "A stretch of a few shots says little.")  # fmt: skip


def measure_panel(
    row: Row, shots: pl.DataFrame, parts: pl.DataFrame, flags: Sequence[figures.Flag], zone: str
) -> Panel:
    """One measure: verdict, strip, and only where the month was steady distribution and indices."""
    key = slug(row["measure"])
    blocks: list[Block] = [pictures.strip(row, shots, flags, zone, key)]
    if row["meaningful"]:
        blocks += [pictures.distribution(row, shots, key), indices_table(row, key)]
    elif row["verdict"] == "not meaningful":
        said = "No index is given: a month that was not steady has no one spread to set against the limits."
        blocks.append(Prose((said,), title="No capability for this month"))
    if not parts.is_empty():
        blocks.append(split_table(parts, row, zone, key))
    more = [Prose((_rules(row),), title="When a month is called unsteady")] if row["rules"] else []
    return Panel(state_of([row["verdict"]]), row["sentence"], blocks, METHOD, REFERENCES, more=more)


def _rules(row: Row) -> str:
    return (
        f"Marked when: {row['rules']} The ends of the tint, the control limits, stand"
        f" {plain(row['control_limit_sd'])} times the spread from shot to shot from the mean; of steady months of"
        f" {row['n']} shots {row['false_alarm_pct']:.0f} % would be called unsteady."
    )


def provisional(month: str) -> str:
    """What is said of a month that is not closed."""
    return f"Provisional: the numbers of {spoken(month)} are not fixed yet."


def signature(rows: pl.DataFrame, month: str, closed_at: Any, late: Sequence[str], zone: str) -> Panel:
    """Data range, whether the numbers are fixed, and the line to sign on."""
    first, last = rows["first_shot_at"].min(), rows["last_shot_at"].max()
    # Measures of a mould share its shots.
    shots = int(rows.group_by("mould").agg(pl.col("n").max())["n"].sum())
    data = f"Data: {words.count(shots, 'shot')} from {words.minute(first, zone)} to {words.minute(last, zone)}."  # type: ignore[arg-type]  # a datetime column
    lines = [data]
    if closed_at is None:
        headline = f"{provisional(month)} catchpot close {month} fixes them."
    else:
        headline = f"The numbers of {spoken(month)} were fixed on {words.day(closed_at, zone)} and stay as they are."
        lines += [f"Late data would change: {said}" for said in late] or ["Today's data give the same numbers."]
    lines.append("Signature: ______________________________     Name: ____________________     Date: ____________")
    return Panel("watch" if late else "in order", headline, [Prose(tuple(lines))])


def month_panels(
    rows: pl.DataFrame, shots: pl.DataFrame, parts: pl.DataFrame, flags: Sequence[figures.Flag], zone: str,
    closed_at: Any, late: Sequence[str],
) -> list[tuple[str, Panel]]:  # fmt: skip
    """The panels of one mould and month. All frames hold that mould's rows of that month."""
    listed = sorted(rows.iter_rows(named=True), key=lambda r: (VERDICTS.index(r["verdict"]), r["label"]))
    mould = listed[0]["mould"]
    state = state_of([r["verdict"] for r in listed])
    first = [Prose((provisional(listed[0]["month"]),), "caution")] if closed_at is None else []
    panels: list[tuple[str, Panel]] = [(f"{mould}: the month in a sentence", Panel(state, mould_month(listed), first))]
    for r in listed:
        own = shots.filter(pl.col("measure") == r["measure"]).sort("started_at", "shot")
        cut = parts.filter(pl.col("measure") == r["measure"])
        panels.append((r["label"], measure_panel(r, own, cut, flags, zone)))
    panels.append(("Data and signature", signature(rows, listed[0]["month"], closed_at, late, zone)))
    return panels
