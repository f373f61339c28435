"""Go, go with care or no-go for a mould's next shot: every reason, who may clear it, and how."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

import polars as pl

from catchpot.answers import OPEN, Answer, event_words
from catchpot.events import KINDS, answering
from catchpot.report import words

Go = Literal["go", "care", "no-go"]
WORDS: Mapping[str, str] = {"go": "GO", "care": "GO WITH CARE", "no-go": "NO-GO"}
LEAKS = ("outer_seal_leak", "inner_seal_leak")
CLAMP_KINDS = ("clamp_margin_low", "cover_lifting", *LEAKS)
"""Findings that stop the next shot while they stand: a cover that may lift hurts people."""
TIGHT_TWICE = 2
"""Tight hold checks after which a leak that nobody answered is taken for gone; one may be chance."""
_SEAL_KINDS = ("seal_replaced", "seal_reseated")
_HOLD = "make a hold check before mixing"
_LOG = "put its log into logs/ and run “catchpot run”"


@dataclass(frozen=True)
class Reason:
    """Why it is not simply a go. state: care or no-go. who: may clear it. how: what clears it; both may be empty."""

    state: Literal["care", "no-go"]
    says: str
    who: str = ""
    how: str = ""


@dataclass(frozen=True)
class Hold:
    """The newest hold check since a time: of which log, when, its clamp leak with limit, and how many were tight."""

    shot: str
    at: datetime
    leak: tuple[float, float, float]
    limit: float | None
    tight: int

    @property
    def is_tight(self) -> bool:
        """Whether its leak is within the limit beyond doubt (95 %)."""
        return self.limit is not None and self.leak[2] <= self.limit

    def sentence(self, zone: str) -> str:
        """What it showed."""
        value, low, high = self.leak
        leak = words.with_interval(value, low, high, "mbar l/s")
        allowed = f"; {words.number(self.limit, 'mbar l/s', 2)} is allowed" if self.limit is not None else ""
        return f"hold check of {words.minute(self.at, zone)}: the clamp channel leaks {leak}{allowed}"


def of_reasons(reasons: Sequence[Reason]) -> Go:
    """The gravest state of the reasons.

    >>> of_reasons([]), of_reasons([Reason("care", "old"), Reason("no-go", "leaks")])
    ('go', 'no-go')
    """
    states = {r.state for r in reasons}
    return "no-go" if "no-go" in states else "care" if "care" in states else "go"


def ordered(reasons: Sequence[Reason]) -> list[Reason]:
    """No-go first, each sentence once."""
    once = {r.says: r for r in reversed(reasons)}
    kept = [r for r in reasons if once[r.says] is r]
    return sorted(kept, key=lambda r: r.state != "no-go")


def newest_hold(leak: pl.DataFrame | None, limit: float | None, since: datetime | None) -> Hold | None:
    """The newest rise of the mould's clamp channel after `since`; leak: seal_leak of one mould with started_at."""
    if leak is None or leak.is_empty():
        return None
    rows = leak.filter(
        (pl.col("seal") == "clamp") & pl.col("leak_mbar_l_s").is_not_null() & pl.col("started_at").is_not_null()
    ).sort("started_at", "shot")
    if since is not None:
        rows = rows.filter(pl.col("started_at") > since)
    if rows.is_empty():
        return None
    r = rows.row(-1, named=True)
    ends = (r["leak_mbar_l_s"], r["leak_low_mbar_l_s"], r["leak_high_mbar_l_s"])
    tight = int((rows["leak_high_mbar_l_s"] <= limit).sum()) if limit is not None else 0
    return Hold(r["shot"], r["started_at"], ends, limit, tight)


def on_the_clamp(
    mould: str, finding: pl.DataFrame, answered: Mapping[str, Answer], leak: pl.DataFrame | None, limit: float | None,
    newest: datetime | None, zone: str,
) -> list[Reason]:  # fmt: skip
    """Reasons by findings on seals and clamp.

    finding: the mould's. leak: its seal_leak. limit: of the clamp channel. newest: start of its newest injected shot.
    A leak stands until a later log shows the clamp channel; what else is on the clamp until a later shot.
    """
    made: list[Reason] = []
    mine = finding.filter(
        pl.col("kind").is_in(CLAMP_KINDS) & pl.col("severity").is_in(["act", "watch"]) & pl.col("until").is_null()
    )
    seen: set[str] = set()
    for f in mine.sort("since", descending=True, nulls_last=False).iter_rows(named=True):
        if f["kind"] in seen:
            continue
        answer = answered.get(f["anchor"], OPEN)
        reason = _of_finding(mould, f, answer, leak, limit, newest, zone)
        # the newest of its kind speaks: an earlier one is the same thing seen before
        seen.add(f["kind"])
        made += [reason] if reason is not None else []
    return made


def _of_finding(
    mould: str, f: Mapping[str, Any], answer: Answer, leak: pl.DataFrame | None, limit: float | None,
    newest: datetime | None, zone: str,
) -> Reason | None:  # fmt: skip
    since, act = f["since"], f["severity"] == "act"
    what = f["message"].removeprefix(f"{mould}: ")
    if answer.state != "open" and f["kind"] == "clamp_margin_low" and f["cause"] == "vacuum_supply":
        # tight seals say nothing of the pump: its own gauge and the next shot do
        said = f"{answer.words}, {words.day(answer.at, zone)}; read the clamp gauge before mixing. Before that: {what}"
        how = "read the clamp gauge: it must be back where it was; the next shot's log clears this"
        return Reason("care", said, "the operator", how)
    if answer.state != "open":
        hold = newest_hold(leak, limit, answer.at)
        if hold is not None and hold.is_tight:
            return None
        done = f"{answer.words}, {words.day(answer.at, zone)}; {_HOLD}"
        if hold is None:
            return Reason("care", f"{done}. Before that: {what}", "whoever makes the hold check",
                          f"{_HOLD}, {_LOG}: a tight one makes this a go")  # fmt: skip
        return Reason("care", f"{answer.words}, {words.day(answer.at, zone)}, but the {_unsettled(hold, zone)}",
                      "whoever makes the hold check", _how_unsettled(hold))  # fmt: skip
    looked = newest_hold(leak, limit, since) if f["kind"] in LEAKS else None
    if looked is not None:
        if looked.is_tight and looked.tight >= TIGHT_TWICE:
            return None
        if looked.is_tight:
            return Reason("care", f"{what} The {looked.sentence(zone)}, within its limit, though no repair is noted",
                          *_clear(mould, f))  # fmt: skip
        if act:
            return Reason(
                "care", f"{what} Not beyond doubt any more: the {_unsettled(looked, zone)}", *_clear(mould, f)
            )
    if f["shot"] is not None and f["kind"] not in LEAKS and newest is not None and since is not None and newest > since:
        return None
    again = "" if answer.at is None else f" It was answered ({answer.words}, {words.day(answer.at, zone)}) and is back."
    return Reason("no-go" if act else "care", what + again, *_clear(mould, f))


def _unsettled(hold: Hold, zone: str) -> str:
    said = hold.sentence(zone)
    return said + ("" if hold.limit is not None else "; the mould book has no limit to judge it by")


def _how_unsettled(hold: Hold) -> str:
    if hold.limit is None:
        return "put clamp_leak_limit_mbar_l_s (or the outer and inner limits) into the mould book"
    return f"find the leak, or make a longer hold check that settles it, {_LOG}"


_WHO = {
    "outer_seal_leak": "whoever replaces or reseats the outer seal",
    "inner_seal_leak": "whoever replaces or reseats the inner seal",
    "clamp_margin_low": "whoever puts the clamp vacuum right (pump, filter, valve, line, seals)",
    "cover_lifting": "whoever finds why the cover lifted and puts it right",
}


def _clear(mould: str, f: Mapping[str, Any]) -> tuple[str, str]:
    """Who may clear an open finding, and how."""
    cause = set((f.get("cause") or "").split(" or ")) - {""}
    kinds = [(k, d) for k, d in answering(f["kind"]) if not cause or cause & set(KINDS[k].ends)]
    commands = [f"“catchpot note {mould} {kind}{' ' + d if d else ''}”" for kind, d in kinds]
    noted = f"note what was done ({words.listed(commands[:2]).replace(' and ', ' or ')})" if commands else ""
    closes = f"“catchpot note --close {f['anchor']} --by NAME --because TEXT” by the person who answers for the mould"
    who = _WHO.get(f["kind"], "the shift leader")
    if f["kind"] == "clamp_margin_low" and "vacuum_supply" in cause:
        who = "whoever puts pump, filter, valve, line or gauge of the clamp vacuum right"
    supply = "vacuum_supply" in cause
    then = "then read the clamp gauge before mixing" if supply else f"then {_HOLD}"
    then = then if f["kind"] in CLAMP_KINDS else ""
    return who, "; ".join(filter(None, [noted, then, f"or {closes}"]))


def beside_the_clamp(
    mould: str, finding: pl.DataFrame, answered: Mapping[str, Answer], last_shot: str | None
) -> list[Reason]:
    """Reasons to take care by what else stands with severity act: a mould's, or of its newest shot."""
    rows = finding.filter(
        ~pl.col("kind").is_in(CLAMP_KINDS) & (pl.col("severity") == "act") & pl.col("until").is_null()
    )
    made = []
    for f in rows.sort("since", descending=True, nulls_last=True).iter_rows(named=True):
        if (f["shot"] is None or f["shot"] == last_shot) and answered.get(f["anchor"], OPEN).state == "open":
            advice = f" {f['advice']}" if f["advice"] else ""
            made.append(Reason("care", f["message"].removeprefix(f"{mould}: ") + advice, *_clear(mould, f)))
    return made


def since_the_last_shot(
    events: Sequence[Mapping[str, Any]], leak: pl.DataFrame | None, limit: float | None, zone: str
) -> list[Reason]:
    """Reasons by what happened since the last shot: repaired seals, new batches, a meter worked on."""
    made = []
    for e in events:
        kind, day = e["kind"], words.day(e["time"], zone)
        said = f"{event_words(kind, e['detail'])}, {day}"
        if kind in _SEAL_KINDS or (KINDS[kind].then == "hold" if kind in KINDS else False):
            hold = newest_hold(leak, limit, e["time"])
            if kind in _SEAL_KINDS and not (hold is not None and hold.is_tight):
                made.append(Reason("care", f"{said}; {_HOLD}", "whoever makes the hold check", f"{_HOLD}, {_LOG}"))
        if kind in ("fabric_batch", "resin_batch"):
            what = (
                "weigh a pack before it goes in" if kind == "fabric_batch" else "measure its viscosity in the flow cup"
            )
            made.append(Reason("care", f"{said}, is new since the last shot: {what}, and watch the vent",
                               "the operator", "the first shot with it clears this"))  # fmt: skip
        vacuum = (e["detail"] or "").lower().startswith("vacuum")
        if kind in ("meter_calibrated", "pump_serviced") and not vacuum:
            made.append(Reason("care", f"{said}: check with bucket and scales before the first shot", "the operator",
                               "the first shot after it clears this"))  # fmt: skip
    return made


LARGE_STEP = 0.10
"""Share of the last setting from which a step asks for care (common practice, no source)."""


def large_step(volume_l: float, frame: pl.DataFrame) -> list[Reason]:
    """A reason to take care where the setting changes by much. frame: the mould's shots."""
    last = frame["programmed_volume_l"][-1] if frame.height else None
    if not last or abs(volume_l / last - 1) < LARGE_STEP:
        return []
    said = (
        f"a large step: {words.signed(volume_l - last, 'l', 3)} ({words.signed(100 * (volume_l / last - 1), '%', 0)})"
        f" from the last setting, {words.number(last, 'l', 4)}; ask why before it is set, and watch the vent"
    )
    return [Reason("care", said, "the shift leader", "the next shot's log, or “--set VOLUME --because TEXT”")]


OLD = "old history"


def aged(row: dict[str, Any], now: datetime | None, zone: str) -> dict[str, Any]:
    """The row as it stands at `now`: a go whose data are older than they may be becomes a go with care."""
    until = row["valid_until"]
    if now is None or until is None or now <= until or row["go"] == "no-go":
        return row
    if any(line.startswith(OLD) for line in row["reasons"].splitlines()):
        return row
    days = (now - row["last_shot_at"]).days
    said = (
        f"{OLD}: the last shot is {words.count(days, 'day')} old, and what is said here was good until"
        f" {words.day(until, zone)}. {_HOLD[0].upper()}{_HOLD[1:]} and watch the vent"
    )
    lines = [*row["reasons"].splitlines(), said]
    clears = [*row["clears"].splitlines(), "The operator: the next shot's log clears this"]
    return row | {"go": "care", "reasons": "\n".join(lines), "clears": "\n".join(clears)}


def columns(reasons: Sequence[Reason]) -> dict[str, Any]:
    """The columns go, reasons and clears of `next_shot`; a line a reason, in the same order."""
    kept = [replace(r, says=_line(r.says), how=_line(r.how)) for r in ordered(reasons)]
    clears = [f"{r.who[:1].upper()}{r.who[1:]}: {r.how}" if r.who else r.how or "-" for r in kept]
    return {"go": of_reasons(kept), "reasons": "\n".join(r.says for r in kept), "clears": "\n".join(clears)}


def _line(text: str) -> str:
    return " ".join(text.split()).rstrip(".")
