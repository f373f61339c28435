"""A matter's rows: its headline, what it rests on, whether it stands, and what to do."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final

from catchpot.answers import SETTLES_AFTER_SHOTS, deals_with, read_closing
from catchpot.causes import CAUSES, by_words, through
from catchpot.events import CLOSED
from catchpot.happened import Happened
from catchpot.report import words
from catchpot_matters.grouping import NEAR, Matter, went
from catchpot_matters.named_events import shares_of
from catchpot_matters.statements import PROVEN_SHOTS, SEVERITIES, Statement, Timeline

Row = dict[str, Any]
SETTLED_SHOTS: Final = 60
"""Shots after which a step that stands is how the mould is now."""
LIKELIER: Final = 0.5
SUREST: Final = 0.99
"""No cause is called more likely than this: the causes weighed are not all there are."""
FEW_SETTINGS: Final = 2


@dataclass(frozen=True)
class Standing:
    """Whether a matter stands. state: open, answered or closed; by: what answered or closed it; again: it was seen
    after something that should have put it right."""

    state: str
    at: datetime | None = None
    by: str = ""
    again: str = ""


def rows_of(
    mould: str, matters: Sequence[Matter], happened: Sequence[Happened], line: Timeline, forecasts: Sequence[Row],
    zone: str,
) -> tuple[list[Row], list[Row]]:  # fmt: skip
    """Rows of `matter` and `matter_line` of one mould. forecasts: the newest row of `seal_life` of each seal."""
    heads: list[Row] = []
    lines: list[Row] = []
    taken: set[str] = set()
    for m in matters:
        name = matter_id(mould, m, line)
        while name in taken:
            name += "-b"
        taken.add(name)
        stands = standing(name, m, matters, happened, line, zone)
        heads.append({"matter": name, **_head(mould, m, stands, line, zone)})
        for i, (role, sentence, s) in enumerate(_lines(m, stands, happened, forecasts, line, zone)):
            lines.append({
                "matter": name, "mould": mould, "row": i + 1, "role": role, "sentence": sentence,
                "anchor": s.anchors[0] if s and s.anchors else "", "analysis": s.analysis if s else "",
                "at": line.when(s.at) if s else None,
            })  # fmt: skip
            if s is not None and role in ("evidence", "single_shot"):
                lines += [
                    {**lines[-1], "row": 1000 * (i + 1) + k, "role": "also", "sentence": "", "anchor": a}
                    for k, a in enumerate(s.anchors[1:])
                ]
    order = {"open": 0, "answered": 1, "closed": 2}
    heads.sort(key=lambda h: (
        order[h["state"]], -SEVERITIES.index(h["severity"]), not h["hazard"], -h["last_seen"].timestamp(),
    ))  # fmt: skip
    for i, h in enumerate(heads):
        h["rank"] = i + 1
    return heads, lines


def top_of(m: Matter) -> tuple[str, float | None]:
    """The likeliest cause and its chance; a kind of finding where none was weighed."""
    lead = m.lead
    if m.chances:
        cause, chance = next(iter(m.chances.items()))
        if cause:
            return cause, min(chance, SUREST)
        return lead.about, None
    return lead.about, lead.more.get("chance")


def percent(chance: float) -> str:
    """A chance in words.

    >>> percent(0.873), percent(0.998)
    ('87 %', '99 %')
    """
    return f"{100 * min(max(chance, 0.01), 0.99):.0f} %"


def way(m: Matter, cause: str) -> int:
    """Which way a single cause went: 1 more, -1 less, 0 not known; by its own litres where it has any, else by what
    moved."""
    for s in m.statements:
        if any(cause in r["cause"].split(" or ") for r in s.more.get("rows", ())):
            return went(s, cause)
    score = 0
    for s in m.statements:
        known = [sign for c in through(cause) if c in CAUSES and (sign := CAUSES[c].moves.get(s.about))]
        if known and not s.single:
            score += known[0] * s.sign * (3 if s.principal else 1)
    return _sign(score)


def _sign(value: float) -> int:
    return (value > 0) - (value < 0)


def said(m: Matter, cause: str) -> str:
    """A cause in words, each of a pair by the way it would have gone."""
    return " or ".join(by_words(one, way(m, one)) for one in cause.split(" or "))


def standing(
    name: str, m: Matter, others: Sequence[Matter], happened: Sequence[Happened], line: Timeline, zone: str
) -> Standing:  # fmt: skip
    """Whether a matter of that name stands, was answered or is over."""
    cause, _ = top_of(m)
    own = set(cause.split(" or "))
    first, last = m.span
    closing = [(h, told) for h in happened if h.kind == CLOSED and (told := read_closing(h.detail))]
    anchors = {a for s in m.statements for a in s.anchors} | {name}
    mine = [(h, f"{who}: {why}") for h, (anchor, who, why) in closing if anchor in anchors]
    if mine:
        h, by = mine[-1]
        if m.lead.single and last >= line.place(h.at):
            return Standing("open", again=f"Closed on {words.day(h.at, zone)} ({by}), and seen again since.")
        return Standing("closed", h.at, by)
    back = next((o for o in others if o is not m and _undoes(o, m)), None)
    if back is not None:
        near = range(back.lead.low - NEAR, back.lead.high + 2)
        did = next((h for h in happened if line.place(h.at) in near and h.ends & own), None)
        said_by = f"{did.text}, {words.day(did.at, zone)}" if did else "it went back"
        return Standing("closed", line.when(back.lead.at), said_by)
    ended = [s.ended for s in m.statements if s.principal or not any(t.principal for t in m.statements)]
    if ended and all(e is not None for e in ended) and not m.lead.single:
        over = max(e for e in ended if e is not None)
        put_right = [h for h in happened if h.ends & own and abs(line.place(h.at) - line.place(over)) <= NEAR]
        by = f"{put_right[-1].text}, {words.day(put_right[-1].at, zone)}" if put_right else "it went back by itself"
        return Standing("closed", over, by)
    known = cause if own & CAUSES.keys() else None
    answers = [
        h for h in happened
        if line.place(h.at) > first and deals_with(h.kind, h.detail, m.lead.more.get("kind", m.lead.about), known)
        # what showed in single shots is over by itself so many shots later, and nobody's doing
        and (not m.lead.single or line.place(h.at) - last <= SETTLES_AFTER_SHOTS)
    ]  # fmt: skip
    if answers:
        h = answers[-1]
        text = f"{h.text}, {words.day(h.at, zone)}"
        if last >= line.place(h.at):
            return Standing("open", again=f"Seen again since: {text}.")
        made = line.last - line.place(h.at) + 1
        return Standing("closed" if made >= PROVEN_SHOTS else "answered", h.at, text)
    if m.lead.single and line.last - last >= SETTLES_AFTER_SHOTS:
        over = line.when(last + SETTLES_AFTER_SHOTS)
        return Standing("closed", over, f"not seen in {SETTLES_AFTER_SHOTS} shots since")
    return Standing("open")


def _undoes(later: Matter, m: Matter) -> bool:
    """Whether a later matter is this one going back."""
    a, b = m.lead, later.lead
    return bool(
        not a.single and not b.single and b.at > a.at and a.about == b.about and a.sign * b.sign < 0
        and set(top_of(m)[0].split(" or ")) & set(top_of(later)[0].split(" or "))
    )  # fmt: skip


def matter_id(mould: str, m: Matter, line: Timeline) -> str:
    """A stable name for links."""
    lead = m.lead
    about = re.sub(r"[^a-z0-9]+", "-", lead.about.lower()).strip("-")
    return f"{mould}-{about}-{line.when(lead.at):%Y-%m-%d-%H%M}"


def _head(mould: str, m: Matter, stands: Standing, line: Timeline, zone: str) -> Row:
    lead = m.lead
    cause, chance = top_of(m)
    parts = [c for c in cause.split(" or ") if c in CAUSES]
    severity = max((s.severity for s in m.statements), key=SEVERITIES.index)
    if lead.about == "beyond_programmed_l" and lead.severity == "note":
        severity = "note"
    if stands.state == "closed" or (
        not lead.trend and not lead.single and lead.analysis in ("drift", "volume_cause")
        and line.last - lead.at >= SETTLED_SHOTS
    ):  # fmt: skip
        severity = "note"
    hazard = any(CAUSES[c].hazard for c in parts) or lead.about in ("clamp_margin_low", "cover_lifting", "vent_blocked")
    advice = lead.advice if lead.single or not parts else " ".join(dict.fromkeys(CAUSES[c].advice for c in parts))
    settles = ""
    if parts and (chance is None or chance < 0.95 or len(parts) > 1):
        settles = words.listed(list(dict.fromkeys(CAUSES[c].settles for c in parts)))
    if not parts and not lead.single:
        settles = "weighed parts, fabric packs and catch pots of the next shots"
    perhaps = "perhaps " if chance is not None and chance <= LIKELIER and not lead.single else ""
    return {
        "mould": mould, "severity": severity, "state": stands.state,
        "headline": headline(mould, m, line, zone), "cause": cause, "cause_words": perhaps + said(m, cause),
        "chance": chance,
        "since": line.when(lead.at), "since_low": line.when(lead.low), "since_high": line.when(lead.high),
        "last_seen": line.when(min(m.span[1], line.last)), "closed_at": stands.at, "closed_by": stands.by,
        "advice": advice, "settles": settles, "hazard": hazard,
    }  # fmt: skip


def headline(mould: str, m: Matter, line: Timeline, zone: str) -> str:
    """What is the matter, in one sentence or two."""
    lead = m.lead
    cause, chance = top_of(m)
    likely = ""
    if chance is not None and any(c in CAUSES for c in cause.split(" or ")) and not lead.single:
        sure = percent(chance)
        likely = f" Likeliest: {said(m, cause)}, with a chance of {sure}."
        if chance <= LIKELIER:
            likely = f" What is behind it can't be told yet; first to look at: {said(m, cause)} ({sure})."
    if lead.analysis == "volume_cause":
        r = lead.more["row"]
        day = words.day(line.when(lead.at), zone)
        if lead.about == "beyond_programmed_l":
            change, what = (
                r["injected_change_l"],
                "more is injected" if r["injected_change_l"] > 0 else "less is injected",
            )
            much = words.number(abs(change), "l", 2)
            return f"{mould}: {much} {what} than before {day}, and the part does not take it.{likely}"
        change = r["arrival_change_l"]
        more = "more" if change > 0 else "less"
        beside = [c for c in lead.more["rows"] if c["cause"] != cause and (c["chance"] or 0.0) > LIKELIER]
        if beside and likely:
            own = next((c["change_l"] for c in lead.more["rows"] if c["cause"] == cause), None)
            told = [f"{said(m, c['cause'])}, {words.signed(c['change_l'], 'l', 3)}" for c in beside]
            mine = f" ({words.signed(own, 'l', 3)})" if own is not None else ""
            likely = likely.removesuffix(".") + f"{mine}; beside it {words.listed(told)}."
        much = words.number(abs(change), "l", 2)
        if lead.trend:
            return f"{mould} has come to take {much} {more} since {day}.{likely}"
        return f"{mould} takes {much} {more} since {day} than before.{likely}"
    if lead.single:
        first = re.split(r"(?<=[a-z)])\. ", lead.sentence)[0].rstrip(".")
        times = lead.more["times"]
        shots = lead.more["shots"]
        where = shots[-1] if times == 1 else f"{times} shots, the last {shots[-1]}"
        return f"{mould}, {where}: {words.words_of(lead.about)}. {first}."
    if lead.analysis == "drift":
        return (lead.more["message"] or f"{mould}: {lead.sentence}") + likely
    if lead.analysis == "seal_watch":
        times = lead.more.get("times", 1)  # a replacement that nobody logged is no run of shots
        return lead.sentence + (f" Found in {times} shots." if times > 1 else "")
    if lead.analysis == "clamp_watch":
        # which end it is stands in the evidence, as the hold checks say it
        return str(lead.more["moved"]) + likely
    return lead.sentence + likely


def _lines(
    m: Matter, stands: Standing, happened: Sequence[Happened], forecasts: Sequence[Row], line: Timeline, zone: str
) -> list[tuple[str, str, Statement | None]]:  # fmt: skip
    lead = m.lead
    made: list[tuple[str, str, Statement | None]] = []
    if stands.again:
        made.append(("history", stands.again, None))
    elif stands.state != "open":
        made.append(("history", f"{stands.state.capitalize()}: {stands.by}.", None))
    for s in sorted(m.statements, key=lambda s: (s is not lead, s.single, not s.principal, s.at)):
        if s.single and s is not lead:
            shots = words.listed(s.more["shots"], 3)
            made.append(("single_shot", f"{words.words_of(s.about)} in {shots}: {s.sentence}", s))
            continue
        made.append(("evidence", s.sentence, s))
        if second := s.more.get("second"):
            made.append(("evidence", second, None))
    top = next(iter(m.chances), "")
    for lead_in, low, high in (("It may be both, beside it", LIKELIER, 1.01), ("Less likely", 0.01, LIKELIER)):
        some = [f"{said(m, c)} ({percent(p)})" for c, p in list(m.chances.items())[1:4] if c and low <= p < high]
        if top and some:
            made.append(("rules_out", f"{lead_in}: {words.listed(some)}.", None))
    if stands.state != "closed":
        made += [("forecast", text, None) for text in _forecast(top, forecasts, zone)]
    first, last = min(lead.low, lead.at) - 2, max(lead.high, lead.at) + 1
    named = (m.chances.get(top) or 0.0) >= LIKELIER
    near = [h for h in happened if first <= line.place(h.at) <= last and h.kind != CLOSED]
    shares = shares_of(near, top, lead, line)
    settings = [h for h in near if h.kind == "volume_set"]
    if len(settings) > FEW_SETTINGS:
        # Where what is set follows each shot, no one setting says anything.
        near = [h for h in near if h not in settings]
    for h in near:
        if not lead.trend or h.telling or min(abs(line.place(h.at) - lead.low), abs(line.place(h.at) - lead.at)) <= 1:
            # Named only where cause and event are each likelier than not.
            fits = named and shares.get(h, 0.0) > LIKELIER
            role = "evidence" if fits else "same_time"
            lead_in = "It began after" if fits else "At the same time"
            made.append((role, f"{lead_in}: {h.text}, {words.day(h.at, zone)}.", None))
    return made


def _date(on: date) -> str:
    return words.day(datetime(on.year, on.month, on.day, 12, tzinfo=UTC), "UTC")


def _forecast(cause: str, forecasts: Sequence[Row], zone: str) -> list[str]:
    seals = {"outer_seal": ("outer", "clamp"), "inner_seal": ("inner", "clamp"), "clamp_seals": ("clamp",)}.get(
        cause, ()
    )
    made = []
    for r in forecasts:
        if r["seal"] not in seals or r["shots_left"] is None:
            continue
        seal = "clamp channel" if r["seal"] == "clamp" else f"{r['seal']} seal"
        left = words.with_interval(r["shots_left"], r["shots_left_low"], r["shots_left_high"], "shots", "80 %")
        due = f", about {_date(r['due_on'])}" if r["due_on"] is not None else ""
        reached = f"The {seal} is at its limit: due now."
        made.append(f"Until the limit of the {seal}: {left}{due}." if r["shots_left"] > 0 else reached)
    return made[:1]
