"""What the analyses say of a mould, as statements of one form, placed on its shots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.causes import CAUSES, MARGINS, VOLUMES
from catchpot.report import words

Row = dict[str, Any]
SEAL_KINDS: Final = {"outer_seal_leak": "outer_seal", "inner_seal_leak": "inner_seal", "cavity_leak": "cavity_fittings"}
CLAMP_LEAK: Final = "leak_mbar_l_s[clamp]"
SURE_SEAL: Final = 0.95
"""Chance that a seal leaks more than it did or may, where a finding gives none; one that is surer stands by itself."""
PROVEN_SHOTS: Final = 5
"""Shots without it after which something is taken to be over."""
SEVERITIES: Final = ("note", "watch", "act")
SURE_ENOUGH: Final = 0.8
"""A change of the volume whose likeliest cause is less sure than this is worth a note, until a measure's own watch
confirms it."""
OF_SETTING: Final = 0.5
"""Share of a change of the injected volume that the volume set must make up to be called a setting."""


@dataclass(frozen=True)
class Timeline:
    """The mould's shots in time order: start times, names and seconds since 1970."""

    starts: list[datetime]
    shots: list[str]
    seconds: NDArray[np.float64]

    @classmethod
    def of(cls, shots: pl.DataFrame) -> Timeline:
        """From rows of `shot`."""
        known = shots.filter(pl.col("started_at").is_not_null()).sort("started_at", "shot")
        starts = known["started_at"].to_list()
        return cls(starts, known["shot"].to_list(), np.array([t.timestamp() for t in starts], dtype=float))

    def place(self, at: datetime | None, default: int = 0) -> int:
        """The first shot at or after a time; one past the last where there is none."""
        return default if at is None else int(np.searchsorted(self.seconds, at.timestamp()))

    def when(self, place: int) -> datetime:
        """The start of a shot by place, within the history."""
        return self.starts[int(np.clip(place, 0, len(self.starts) - 1))]

    @property
    def last(self) -> int:
        """Place of the newest shot."""
        return len(self.starts) - 1


@dataclass(frozen=True)
class Statement:
    """Something an analysis says of a mould.

    about: the measure that moved, or a kind of finding. sign: which way, 0 where that has no meaning. low, at, high:
    first shot (place) with the span it may have begun in; end: the last shot it concerns. ended: when it was over, by
    itself. single: it speaks of single shots. causes: chance of each cause, by the analysis; empty where it names none.
    principal: it has looked into causes or is a matter by itself; others are witnesses. weak: it may be nothing, all
    its errors together. more: what the analysis knows
    beside, by name.
    """

    about: str
    sign: int
    low: int
    at: int
    high: int
    end: int
    sentence: str
    severity: str
    analysis: str
    anchors: tuple[str, ...] = ()
    causes: Mapping[str, float] = field(default_factory=dict)
    principal: bool = False
    single: bool = False
    ended: datetime | None = None
    went_back: bool = False
    advice: str = ""
    trend: bool = False
    weak: bool = False
    more: Mapping[str, Any] = field(default_factory=dict)


def of_volume(
    changes: pl.DataFrame, causes: pl.DataFrame, line: Timeline, shots: pl.DataFrame
) -> list[Statement]:  # fmt: skip
    """Comparisons of volumes in which something changed, each with the chances of its causes.

    What is injected beyond what the part takes, because somebody set another volume, is a note.
    """
    made = []
    for r in changes.filter(pl.col("changed")).sort("since").iter_rows(named=True):
        own = causes.filter(pl.col("since") == r["since"]).sort("rank")
        chances = {c["cause"]: c["chance"] for c in own.iter_rows(named=True) if c["chance"] is not None}
        top = own.row(0, named=True)
        first = line.place(r["against_until"]) + 1
        later = line.place(r["since"])
        trend = r["why"] == "trend found"
        # what is compared of a trend is its end; it began after the shots before it
        at = first if trend else later
        overflow = top["cause"] == "overflow"
        change = r["injected_change_l"] if overflow else r["arrival_change_l"]
        by_hand = overflow and _set_moved(shots, r) * change > OF_SETTING * change**2
        sure = overflow or max(chances.values(), default=0.0) >= SURE_ENOUGH
        made.append(Statement(
            "beyond_programmed_l" if overflow else "arrival_volume_l", int(np.sign(change)),
            max(at - 4, 0), at, later, line.place(r["until"]), r["sentence_1"],
            "watch" if sure and not by_hand else "note", "volume_cause",
            causes={"overflow": 1.0} if overflow else chances, principal=True, trend=trend,
            more={"row": r, "second": r["sentence_2"], "rows": own.to_dicts()},
        ))  # fmt: skip
    return made


def _set_moved(shots: pl.DataFrame, change: Row) -> float:
    """By how much the volume set differs between the two periods of a comparison, l; 0 where it is not logged."""
    at, volume = pl.col("started_at"), pl.col("programmed_volume_l")
    before = shots.filter(at.is_between(change["against_from"], change["against_until"])).select(volume.mean()).item()
    after = shots.filter(at.is_between(change["since"], change["until"])).select(volume.mean()).item()
    return float(after - before) if before is not None and after is not None else 0.0


def supply_of(changes: pl.DataFrame) -> dict[tuple[str, datetime], Row]:
    """What the other moulds of a vacuum source say of a move, by its measure and when it began."""
    return {(r["measure"], r["changed_at"]): r for r in changes.iter_rows(named=True)}


def of_clamp(
    changes: pl.DataFrame, findings: pl.DataFrame, line: Timeline, supplies: Mapping[tuple[str, datetime], Row]
) -> list[Statement]:
    """Moves of the clamp pressure that cost margin."""
    told = {f["since"]: f for f in findings.filter(pl.col("analysis") == "clamp_watch").iter_rows(named=True)}
    made = []
    for r in changes.sort("changed_at").iter_rows(named=True):
        f = told.get(r["changed_at"])
        if f is None:
            continue
        shared = supplies.get(("clamp_pressure_mbar", r["changed_at"]))
        supply = shared["supply_chance"] if shared is not None else r["supply_chance"]
        chances = {"vacuum_supply": 0.5, "clamp_seals": 0.5} if supply is None else {
            "vacuum_supply": supply, "clamp_seals": 1.0 - supply}  # fmt: skip
        made.append(Statement(
            "clamp_pressure_mbar", 1, line.place(r["changed_low_at"]), line.place(r["changed_at"]),
            line.place(r["changed_high_at"]), line.place(r["last_at"]), f["message"], f["severity"], "clamp_watch",
            (f["anchor"],), chances, principal=True, ended=f["until"], trend=r["kind"] == "trend", advice=f["advice"],
            more={"kind": f["kind"], "moved": r["sentence_1"], "second": shared["sentence"] if shared else ""},
        ))  # fmt: skip
    return made


def of_seals(
    findings: pl.DataFrame, line: Timeline, held: Mapping[str, Sequence[int]], pause: int = 10
) -> list[Statement]:
    """Findings about one seal, shot after shot, as one statement; `pause` shots without end it.

    held: places of the shots whose clamp channel or cavity was held. A leak that PROVEN_SHOTS holds since no longer
    show is over.
    """
    made = []
    for kind, cause in SEAL_KINDS.items():
        own = findings.filter((pl.col("kind") == kind) & (pl.col("analysis") != "faults")).sort("since")
        for run in _runs(own, line, pause):
            of = "cavity" if cause == "cavity_fittings" else "clamp"
            # The seals are named apart only where a finding of the run does so.
            told = next((f for f in reversed(run) if "can't be told" not in (f["message"] or "")), None)
            last = run[-1]
            first, end = line.place(run[0]["since"]), line.place(last["since"])
            sure = next(
                (f["chance"] for f in reversed(run) if f["chance"] is not None and told in (None, f)), SURE_SEAL
            )
            chances = {cause if told or of == "cavity" else "clamp_seals": sure}
            since = [p for p in held.get(of, ()) if p > end]
            worst = max((f["severity"] for f in run), key=SEVERITIES.index)
            made.append(Statement(
                f"leak_mbar_l_s[{of}]", 1,
                first, first, first, end, (told or last)["message"], worst, last["analysis"],
                tuple(f["anchor"] for f in run), chances, principal=True, advice=last["advice"],
                ended=line.when(since[0]) if len(since) >= PROVEN_SHOTS else None,
                more={"times": len(run), "kind": kind},
            ))  # fmt: skip
    return made


def of_drift(
    drift: pl.DataFrame, findings: pl.DataFrame, line: Timeline, supplies: Mapping[tuple[str, datetime], Row]
) -> list[Statement]:
    """Changes of measures: witnesses of a matter, or one of their own where nothing else speaks of it.

    One of a cavity's pressure that other moulds on its vacuum source share has its cause by that.
    """
    told = findings.filter(pl.col("analysis") == "drift")
    made = []
    for r in drift.sort("changed_at").iter_rows(named=True):
        own = [f for f in told.iter_rows(named=True) if f["since"] == r["changed_at"] and f["about"] == r["measure"]]
        moved = words.with_interval(r["before"], r["before_low"], r["before_high"], r["unit"])
        to = words.with_interval(r["after"], r["after_low"], r["after_high"], r["unit"])
        how = "in a trend" if r["kind"] == "trend" else "in one step"
        until = line.place(r["until"]) if r["until"] else line.last
        shared = supplies.get((r["measure"], r["changed_at"])) or {"moved": 0, "sentence": ""}
        causes = (
            {"cavity_supply": s, "cavity_fittings": 1.0 - s}
            if shared["moved"] and (s := shared["supply_chance"])
            else {}
        )
        made.append(Statement(
            r["measure"], int(np.sign(r["change"])), line.place(r["changed_low_at"]), line.place(r["changed_at"]),
            line.place(r["changed_high_at"]), until, f"{r['label']} went from {moved} to {to}, {how}.",
            max([f["severity"] for f in own] or ["note"], key=SEVERITIES.index), "drift",
            tuple(f["anchor"] for f in own), ended=own[0]["until"] if own else r["until"], trend=r["kind"] == "trend",
            went_back=bool(own and "went back" in own[0]["message"]), advice=own[0]["advice"] if own else "",
            weak=r["change_low"] is not None and r["change_low"] <= 0 <= r["change_high"],
            causes=causes, principal=bool(causes),
            more={"message": own[0]["message"] if own else "", "second": shared["sentence"]},
        ))  # fmt: skip
    return made


def of_shots(findings: pl.DataFrame, line: Timeline, pause: int = 10) -> list[Statement]:
    """Findings of single shots; the same kind within `pause` shots is one statement. Lesser ranks go along."""
    own = findings.filter(
        pl.col("shot").is_not_null() & ~pl.col("kind").is_in(list(SEAL_KINDS))
        | (pl.col("shot").is_not_null() & (pl.col("analysis") == "faults"))
    ).sort("since", "shot")
    first_rank = own.filter(pl.col("rank").fill_null(1) == 1)
    return [
        _of_run(kind, run, own, line)
        for kind in first_rank["kind"].unique(maintain_order=True).to_list()
        for run in _runs(first_rank.filter(pl.col("kind") == kind), line, pause)
    ]


def _runs(findings: pl.DataFrame, line: Timeline, pause: int) -> list[list[Row]]:
    """Findings in time order, cut where more than `pause` shots lie between two."""
    runs: list[list[Row]] = []
    for f in findings.iter_rows(named=True):
        if runs and line.place(f["since"]) - line.place(runs[-1][-1]["since"]) <= pause:
            runs[-1].append(f)
        else:
            runs.append([f])
    return runs


def _of_run(kind: str, run: Sequence[Row], own: pl.DataFrame, line: Timeline) -> Statement:
    shots = [f["shot"] for f in run]
    beside = own.filter(pl.col("shot").is_in(shots) & (pl.col("rank").fill_null(1) > 1))
    gravest = max(run, key=lambda f: (SEVERITIES.index(f["severity"]), f["since"]))
    return Statement(
        kind, 0, line.place(run[0]["since"]), line.place(run[0]["since"]), line.place(run[0]["since"]),
        line.place(run[-1]["since"]), gravest["message"], gravest["severity"], gravest["analysis"],
        (*(f["anchor"] for f in run), *beside["anchor"].to_list()), single=True, advice=gravest["advice"] or "",
        more={"times": len(run), "shots": shots, "chance": gravest["chance"]},
    )  # fmt: skip


def of_others(findings: pl.DataFrame, known: set[str], line: Timeline) -> list[Statement]:
    """Findings nobody above has taken: of a mould, by analyses this one knows nothing of."""
    return [
        Statement(
            f["about"] or f["kind"], 0, line.place(f["since"]), line.place(f["since"]), line.place(f["since"]),
            line.place(f["until"]) if f["until"] else line.last, f["message"] or "", f["severity"], f["analysis"] or "",
            (f["anchor"],), {f["cause"]: f["chance"] or 0.5} if f["cause"] in CAUSES else {}, principal=True,
            ended=f["until"], advice=f["advice"] or "",
        )
        for f in findings.iter_rows(named=True) if f["anchor"] not in known
    ]  # fmt: skip


def same_measure(a: str, b: str) -> bool:
    """Whether two measures are one thing seen twice.

    >>> same_measure("arrival_relative", "arrival_volume_l"), same_measure("permeability_m2", "fill_time_s")
    (True, False)
    """
    return a == b or any(a in group and b in group for group in (VOLUMES, MARGINS))
