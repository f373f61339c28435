"""The volume section: the plain answer, the evidence, what to set next, and whether earlier advice was right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import polars as pl

from catchpot.report import words
from catchpot.report.figures import Flag
from catchpot.report.section import Block, Cell, DataTable, Page, Panel, Prose, Sheet, State, View
from catchpot_volume import go, pictures, week, week_page
from catchpot_volume.answer import in_short, told
from catchpot_volume.sheet import facts, pressure_words, reasons, sheet_html, sheet_name, verdict, volume_words
from catchpot_volume.tables import FOUND_STEP

METHOD = (
    "Arrival volume, permeability, the line's resistance, pressures, weighed parts and packs, batches, events and the"
    " other moulds on the same injector are weighed together: each cause moves them in its own proportion (geometry;"
    " Kozeny and Carman for the permeability; a meter error shows on every mould of its injector, and the other way"
    " round in the line's resistance). All sets of up to three causes are compared by how well they foretell the data"
    " under wide physical priors; two causes of which neither is four times as likely as the other stand in one row."
    " The litres of a row are what it would be worth if it is the cause, with 95 % interval; all rows but overflow add"
    " up to the change of the mean arrival volume. The volume to set follows level, wander and scatter of the mould's"
    " own arrival volumes, weighing several models by how well each foretold the shots so far."
)
REFERENCES = (
    "J. Kozeny, Sitzungsberichte der Akademie der Wissenschaften in Wien 136 (1927) 271.",
    "P. C. Carman, Transactions of the Institution of Chemical Engineers 15 (1937) 150.",
    "A. E. Raftery, M. Karny and P. Ettler, Technometrics 52 (2010) 52 (models weighed as they go).",
)


class VolumeSection:
    """Why the volume changed and what to set next."""

    name = "volume"
    title = "Volume: why it changed, what to set next"
    order = 5
    beside: Mapping[str, str] = MappingProxyType({"week.html": "The week, as planned last"})
    analyses: tuple[str, ...] = ("volume_cause", "next_shot", "meter")
    needs: Mapping[str, tuple[str, ...]] = {
        "shot": ("mould", "started_at", "injector"),
        "fill": ("*",),
        "permeability": ("permeability_m2", "line_resistance_per_m3"),
        "part": ("*",),
        "event": ("*",),
        "volume_cause": ("*",),
        "volume_change": ("*",),
        "next_shot": ("*",),
        "next_shot_check": ("*",),
        "meter": ("*",),
        "seal_life": ("*",),
        "seal_life_pooled": ("*",),
        "matter": ("mould", "state", "cause"),
    }

    def cells(self, view: View) -> Sequence[Cell]:
        """Whether to shoot, and the volume to set."""
        row = view.tables["next_shot"]
        if row.is_empty():
            return []
        r = go.aged(row.row(0, named=True), view.as_of, view.zone)
        text = volume_words(r) if r["volume_l"] is not None else "no volume"
        return [Cell("Next shot", text, r["go"], r["volume_l"], order=1, large=True)]

    def panel(self, view: View) -> Panel | None:
        """The mould's volume; on the workshop page the meters."""
        if view.mould is None:
            return _meters(view)
        change = view.tables["volume_change"].sort("since")
        ahead = view.tables["next_shot"]
        if change.is_empty() and ahead.is_empty():
            return None
        blocks: list[Block] = []
        more: list[Block] = []
        state: State = "not assessed"
        headline, brief = "Why the volume changes was not worked out; the reasons stand below.", ""
        if change.height:
            c = told(change)
            causes = view.tables["volume_cause"].filter(pl.col("since") == c["since"]).sort("rank")
            state, headline = ("watch" if c["changed"] else "in order"), c["sentence_1"]
            numbers: tuple[str, ...] = (c["sentence_2"],)
            if c["changed"] and causes.height:
                headline, numbers = in_short(c, causes, view.zone), ()
                more.append(Prose((c["sentence_1"], c["sentence_2"]), title="The change in numbers"))
            brief = c["sentence_3"] or headline
            later = change.filter(pl.col("since") > c["since"])
            still = [
                f"Since {words.day(t, view.zone)} nothing more has changed that shows." for t in later["since"][-1:]
            ]
            blocks += [Prose((*numbers, c["sentence_3"], *still))]
            worth = pictures.measurements(causes) if c["changed"] else None
            more += [worth] if worth is not None else []
            blocks += [pictures.bars(c, causes, view.zone)]
            blocks += [pictures.witness_history(_witnesses(view), c, _flags(view, c), view.zone)]
            if change.height > 1:
                more.append(_others(change.filter(pl.col("since") != c["since"]), view.zone))
        if ahead.height:
            first, folded = _next(go.aged(ahead.row(0, named=True), view.as_of, view.zone), view.zone)
            blocks += first
            more += folded
        if view.tables["next_shot_check"].height:
            more += pictures.checked(_in_time(view))
        elif ahead.height:
            more.append(Prose((NOT_JUDGED,)))
        return Panel(state, headline, blocks, METHOD, REFERENCES, brief, more)

    def pages(self, view: View) -> Sequence[Page]:
        """None of its own."""
        return ()

    def sheets(self, view: View) -> Sequence[Sheet]:
        """Every mould's set-up sheet, the no-gos first."""
        rows = [go.aged(r, view.as_of, view.zone) for r in view.tables["next_shot"].iter_rows(named=True)]
        rows.sort(key=lambda r: (-tuple(go.WORDS).index(r["go"]), r["mould"]))
        moulds = list(view.book.moulds)
        sheets = [
            Sheet(
                sheet_name(r["mould"], moulds), sheet_html(r, "", view.zone), f"{r['mould']}: {verdict(r)}", r["mould"]
            )
            for r in rows
        ]
        return [*sheets, *([Sheet(WEEK, _week(view), WEEK_WORDS)] if rows else [])]


WEEK, WEEK_WORDS = "sheets/week.html", "The week ahead, with as many shots as in the last seven days"


def _week(view: View) -> str:
    """The page of the week; `catchpot week` writes one for a plan."""
    ahead = week.build(view.tables, view.book, view.zone, view.as_of, view.currency)
    return week_page.html(ahead, view.zone)


NOT_JUDGED = (
    "Whether earlier advice was right is not known: no shot has a weighed catch pot."
    " One weighing now and then tells it."
)


def _in_time(view: View) -> pl.DataFrame:
    check = view.tables["next_shot_check"]
    if "started_at" in check.columns:
        return check
    return check.join(view.tables["shot"].select("shot", "started_at"), on="shot", how="left").sort(
        "started_at", "shot"
    )


def _witnesses(view: View) -> pl.DataFrame:
    own = [c for c in ("mould", "started_at") if c in view.tables["fill"].columns]
    frame = view.tables["shot"].select("shot", "started_at").join(view.tables["fill"].drop(own), on="shot", how="inner")
    frame = frame.join(
        view.tables["permeability"].select("shot", "permeability_m2", "line_resistance_per_m3"), on="shot", how="left"
    )
    part = view.tables["part"]
    if part.height:
        frame = frame.join(part.select("shot", "part_mass_kg", "fabric_mass_kg"), on="shot", how="left")
    return frame.filter(pl.col("started_at").is_not_null()).sort("started_at", "shot")


def _flags(view: View, change: dict[str, Any]) -> list[Flag]:
    events = view.tables["event"].filter(pl.col("time") >= change["against_from"]).sort("time")
    return [
        Flag(e["time"], words.words_of(e["kind"]) + (f" ({e['detail']})" if e["detail"] else ""))
        for e in events.iter_rows(named=True)
    ]


def _others(change: pl.DataFrame, zone: str) -> DataTable:
    rows = [
        {"since": words.day(r["since"], zone), "what changed": r["sentence_1"], "why": r["sentence_2"]}
        for r in change.sort("since", descending=True).iter_rows(named=True)
    ]
    return DataTable("volume-earlier", "Other times at which periods were compared", pl.DataFrame(rows))


def _next(row: dict[str, Any], zone: str) -> tuple[list[Block], list[Block]]:
    """What stands in sight of the next shot, and what lies folded: why it is no plain go is on the sheet and, where it
    is a matter, at the top of the page."""
    given = reasons(row)
    lead = f"Set {volume_words(row)}, line pressure {pressure_words(row)}."
    if row["go"] == "no-go":
        lead = "Do not shoot: no volume is given."
    why = " Why, and who may clear it, stands on the set-up sheet and below under “More”." if given else ""
    blocks: list[Block] = [Prose((f"Next shot: {verdict(row)}. {lead}{why}",), "caution" if given else "text")]
    if cautions := row["cautions"].splitlines():
        blocks.append(Prose(tuple(cautions), "caution", "Mind first"))
    folded: list[Block] = []
    if given:
        folded.append(Prose(tuple(f"{why}. To clear it: {how.rstrip('.')}." for why, how in given), "list",
                            f"Why the next shot is a {verdict(row)}"))  # fmt: skip
    table = pl.DataFrame([{"what": name, "value": value} for name, value in facts(row, zone)])
    return blocks, [*folded, DataTable("volume-next", "What goes with the next shot", table)]


def _meters(view: View) -> Panel | None:
    meter = view.tables["meter"]
    if meter.is_empty():
        return None
    rows = [
        {
            "injector": r["injector"],
            "since": words.day(r["since"], view.zone),
            "gain (95 %)": words.with_interval(r["gain"], r["gain_low"], r["gain_high"]),
            "step (95 %)": "first" if r["change_pct"] is None else f"{words.signed(r['change_pct'], '%')}"
            f" ({words.signed(r['change_low_pct'], '')} to {words.signed(r['change_high_pct'], '%')})",
            "moulds": r["moulds"],
            "rests on": r["source"],
        }
        for r in meter.sort("injector", "since").iter_rows(named=True)
    ]  # fmt: skip
    steps = meter.filter(pl.col("change_pct").is_not_null()).sort("since")
    state: State = "in order"
    if steps.is_empty():
        headline = f"No step of a flow meter was found on {words.count(meter['injector'].n_unique(), 'injector')}."
    else:
        s = steps.row(-1, named=True)
        # A step that somebody noted is known; one that the moulds alone show waits for bucket and scales.
        if s["source"].startswith(FOUND_STEP):
            state = "watch"
        headline = (
            f"{s['injector']}: the flow meter's gain stepped by {words.signed(s['change_pct'], '%')} (95 %:"
            f" {words.signed(s['change_low_pct'], '')} to {words.signed(s['change_high_pct'], '%')}) on"
            f" {words.day(s['since'], view.zone)}, on {words.count(s['moulds'], 'mould')}."
        )
    blocks = (DataTable("meters", "Flow meters: metered over true volume", pl.DataFrame(rows)),)
    return Panel(state, headline, blocks, METHOD, REFERENCES)
