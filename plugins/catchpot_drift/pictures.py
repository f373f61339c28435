"""The figure of the drift section: the measures as strips with their levels, events as flags."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.section import Figure

Row = dict[str, Any]
STRIPS = 4
FIRST = ("arrival_volume_l", "permeability_m2", "injected_volume_l", "fill_time_s")


def shown_measures(changes: Sequence[Row], present: Sequence[str]) -> list[str]:
    """Measures to draw: those that changed, the newest first, then the usual ones."""
    changed = [r["measure"] for r in sorted(changes, key=lambda r: r["changed_at"], reverse=True)]
    wanted = [*changed, *(m for m in FIRST if m in present), *present]
    return list(dict.fromkeys(wanted))[:STRIPS]


def flags(events: pl.DataFrame, since: Any) -> list[figures.Flag]:
    """Events since a time, for the top of the strips."""
    rows = events.filter(pl.col("time") >= since).sort("time") if since is not None else events.sort("time")
    return [
        figures.Flag(r["time"], f"{words.words_of(r['kind'] or '')} {r['detail'] or ''}".strip())
        for r in rows.iter_rows(named=True)
    ]


def _levels(changes: Sequence[Row], scale: float, unit: str) -> list[figures.Level]:
    drawn: list[figures.Level] = []
    for i, r in enumerate(changes):
        begin = changes[i - 1]["changed_at"] if i else None
        kind = "trend began" if r["kind"] == "trend" else "step"
        said = words.number(r["before"], unit), words.number(r["after"], unit)
        drawn.append(
            figures.Level(begin, r["changed_at"], r["before"] / scale, "" if i else f"{said[0]} before",
                          r["before_low"] / scale, r["before_high"] / scale)
        )  # fmt: skip
        drawn.append(
            figures.Level(r["changed_at"], r["until"], r["after"] / scale, f"{kind}: {said[1]} after",
                          r["after_low"] / scale, r["after_high"] / scale)
        )  # fmt: skip
    return drawn


def history(values: pl.DataFrame, watch: pl.DataFrame, drift: pl.DataFrame, events: pl.DataFrame, zone: str) -> Figure:
    """Strips of the measures that matter most.

    values, watch, drift: one mould's rows of `drift_value`, `drift_watch`, `drift`.
    """
    changes = list(drift.sort("changed_at").iter_rows(named=True))
    about = {r["measure"]: r for r in watch.iter_rows(named=True)}
    strips: list[figures.Strip] = []
    for measure in shown_measures(changes, list(about)):
        rows = values.filter(pl.col("measure") == measure).sort("started_at", "shot")
        own = [r for r in changes if r["measure"] == measure]
        row = about[measure]
        exponent = words.tenfold(rows["adjusted"].to_list())
        scale = 10.0**exponent
        unit = " ".join(x for x in (words.power(exponent), words.pretty_unit(row["unit"])) if x)
        heading = f"{row['label']} [{unit}]" + (" season and batch taken out" if row["taken_out"] else "")
        usual, band_words = None, ""
        if row["smooth_lower"] is not None:
            usual = (row["smooth_lower"] / scale, row["smooth_upper"] / scale)
            band_words = "where the moving average of a steady state stays"
        strips.append(
            figures.Strip(
                heading=heading,
                x=rows["started_at"].to_list(),
                value=(rows["adjusted"] / scale).to_list(),
                names=rows["shot"].to_list(),
                band=usual,
                band_words=band_words,
                levels=_levels(own, scale, row["unit"]),
            )
        )
    marked = flags(events, values["started_at"].min() if values.height else None)
    key = figures.flag_key(marked, zone)
    said = [f"{r['label']}: {r['kind']} on {words.day(r['changed_at'], zone)}" for r in changes]
    summary = "Each strip is one measure, shot by shot, with its levels before and after a change. "
    summary += (f"Changes: {words.listed(said)}." if said else "No change was found.") + (
        f" Events: {key}." if key else ""
    )
    return Figure(
        "drift-history", "The measures shot by shot", figures.history(strips, marked, zone=zone), summary,
        height=figures.history_height(len(strips), bool(marked)),
    )  # fmt: skip
