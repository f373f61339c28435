"""The drift section: what changed, when, after what, and how often such a watch calls falsely."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import polars as pl

from catchpot.report import words
from catchpot.report.section import Block, Cell, DataTable, Page, Panel, Prose, State, View
from catchpot_drift import pictures
from catchpot_drift.findings import sentence

METHOD = (
    "For every date at which a measure may have changed, the odds of a step or a trend of unknown size against no"
    " change are summed up after each shot; a change is called when they pass a limit found by simulating steady"
    " workshops with as many measures. Temperature and resin batches without a viscosity of their own are fitted"
    " beside the change, so what they can explain is not called; so is what correlation from shot to shot explains."
    " A step is told from a trend by the same odds; a trend without a jump begins where its level bends."
)
REFERENCES = (
    "H. Jeffreys, Theory of Probability, 1939 (odds of a new parameter)",
    "S. W. Roberts, Technometrics 1, 1959 and 8, 1966 (moving average; summed odds)",
    "E. S. Page, Biometrika 41, 1954 (CUSUM)",
)


class DriftSection:
    """A mould's measures over weeks."""

    name = "drift"
    title = "Drift over weeks"
    order = 50
    analyses: tuple[str, ...] = ("drift",)
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "drift": ("*",),
            "drift_value": ("*",),
            "drift_watch": ("*",),
            "event": ("time", "mould", "kind", "detail"),
            "finding": ("mould", "analysis", "severity", "until"),
        }
    )

    def cells(self, view: View) -> Sequence[Cell]:
        """None: what stands shows in the mould's state and in what to do."""
        return ()

    def panel(self, view: View) -> Panel | None:
        """The section on a mould's page."""
        if view.mould is None:
            return None
        watch = view.tables["drift_watch"]
        if watch.is_empty():
            return Panel("not assessed", "Too few shots to tell a change: a measure is watched from its 20th shot on.")
        drift = view.tables["drift"].sort("changed_at", "measure")
        more: list[Block] = [
            pictures.history(view.tables["drift_value"], watch, drift, view.tables["event"], view.zone)
        ]
        more += [_changes(drift, view.zone)] if drift.height else []
        more += [_present(watch, view.zone), Prose(tuple(_rates(watch)), title="How often it calls falsely")]
        return Panel(_state(view), _headline(view, drift, watch), (), METHOD, REFERENCES, more=more)

    def pages(self, view: View) -> Sequence[Page]:
        """None."""
        return ()


def _standing(drift: pl.DataFrame) -> list[dict[str, Any]]:
    if drift.is_empty():
        return []
    return list(drift.filter(pl.col("until").is_null()).sort("changed_at").iter_rows(named=True))


def _state(view: View) -> State:
    found = view.tables["finding"]
    if found.is_empty():
        return "in order"
    own = found.filter((pl.col("analysis") == "drift") & pl.col("until").is_null() & (pl.col("severity") == "watch"))
    return "watch" if own.height else "in order"


def _headline(view: View, drift: pl.DataFrame, watch: pl.DataFrame) -> str:
    standing = _standing(drift)
    shots = words.count(int(watch["shots"].max() or 0), "shot")  # type: ignore[arg-type]  # an integer column
    measures = words.count(watch.height, "measure")
    if not standing:
        return f"No change stands among {measures} watched over {shots}."
    newest = sentence(standing[-1], view.zone).removeprefix(f"{view.mould}: ")
    others = len(standing) - 1
    more = f" {words.count(others, 'other change stands', 'other changes stand')}." if others else ""
    return f"{newest[:1].upper()}{newest[1:]}{more}"


def _changes(drift: pl.DataFrame, zone: str) -> DataTable:
    rows = [
        {
            "measure": r["label"],
            "since": words.day(r["changed_at"], zone),
            "first shot": r["shot"],
            "how": r["kind"],
            "before": words.with_interval(r["before"], r["before_low"], r["before_high"], r["unit"]),
            "after": words.with_interval(r["after"], r["after_low"], r["after_high"], r["unit"]),
            "event near it": _event(r),
            "until": words.day(r["until"], zone) if r["until"] else "stands",
        }
        for r in drift.sort("changed_at", descending=True).iter_rows(named=True)
    ]
    return DataTable("drift-changes", "Changes, the newest first", pl.DataFrame(rows))


def _event(row: Mapping[str, Any]) -> str:
    if not row["event"]:
        return "none known"
    n = row["shots_after_event"]
    return f"{row['event']} ({words.count(n, 'shot')} before)" if n else f"{row['event']} (just before)"


def _present(watch: pl.DataFrame, zone: str) -> DataTable:
    rows = [
        {
            "measure": r["label"],
            "state since": words.day(r["since"], zone),
            "shots": r["state_shots"],
            "moving average": "baseline not complete" if r["smooth_beyond"] is None
            else "beyond its limits" if r["smooth_beyond"] else "within its limits",
            "CUSUM": "baseline not complete" if r["sum_limit"] is None
            else "beyond its limit" if max(r["sum_up"], r["sum_down"]) > r["sum_limit"] else "within its limit",
            "taken out first": r["taken_out"] or "nothing",
        }
        for r in watch.iter_rows(named=True)
    ]  # fmt: skip
    return DataTable(
        "drift-present", "The present state of each measure", pl.DataFrame(rows),
        note="Moving average and CUSUM compare the shots since the last change with the first shots of that state."
        " Beyond a limit is a hint to look, no finding: findings come from the changes above.",
    )  # fmt: skip


def _rough(shots: float) -> str:
    """A count to two significant figures: "43,000"."""
    return f"{float(f'{shots:.2g}'):,.0f}"


def _rates(watch: pl.DataFrame) -> list[str]:
    measures = int(watch["measures_watched"].max() or 1)  # type: ignore[arg-type]  # an integer column
    changes = (
        f"With {words.count(measures, 'measure')} watched at once, fewer than 5 % of steady histories of 60 shots bring"
        " a call in any of them, also where shots are alike from one to the next (correlation up to 0.6)."
    )
    r = watch.row(0, named=True)
    runs = f"{_rough(r['smooth_run_shots'])} and {_rough(r['sum_run_shots'])} shots"
    share, length = f"{r['stretch_share_pct']:.0f} %", words.count(r["stretch_shots"], "shot")
    charts = (
        f"Moving average (weight {r['smooth_weight']:g}) and CUSUM (slack {r['slack_spreads']:g} spreads) are held to"
        f" a baseline of {r['baseline_shots']} shots. Of steady stretches of {length} {share} pass their limits, each;"
        f" were the baseline known exactly, they would ring falsely once in about {runs}."
    )
    return [changes, charts]
