"""The faults section: what was found, flagged curves on their usual band, and how verdicts bear it out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from catchpot.report import words
from catchpot.report.section import Block, Cell, DataTable, Page, Panel, Prose, State, View

if TYPE_CHECKING:
    import polars as pl

RECENT = 5
DRAWN = 24
METHOD = (
    "Each shot's resistance (driving pressure over flow, free of viscosity where temperatures are known) is held "
    "against the median of the mould's last 40 healthy shots before it, over the share of the usual arrival volume; a "
    "factor, a little line resistance and a shift of the arrival volume are free. A named fault needs its physical "
    "evidence: a race track low resistance that falls further on the way and, where it shows, an early arrival; a "
    "restriction a rise within moments that stays; early gel a growth with time; air a brief collapse of pressure with "
    "the meter turning; a blocked vent a cavity pressure that rises as squeezed gas does, a lost vacuum one that comes "
    "to a new level. What has no name is held against a multiway principal component model of the healthy curves by T2 "
    "and squared residual; reference shots are judged by models made without them. Slow changes move the usual curve "
    "along and are no faults of a shot. To act on is what puts the part or the mould at risk now: a part that may be "
    "dry, porous or under-cured, gelling resin, a cover that lifts, vacuum or vent lost. To watch is what will if it "
    "goes on: a restriction, some air, an overfill, a gauge that can't be believed, a curve without a name. A stop "
    "before the vent is noted, not blamed."
)
REFERENCES = (
    "P. Nomikos, J. F. MacGregor, Technometrics 37 (1995) 41 (whole curves of batches).",
    "J. E. Jackson, G. S. Mudholkar, Technometrics 21 (1979) 341 (limit of the squared residual).",
    "G. E. P. Box, Annals of Mathematical Statistics 25 (1954) 290 (sums of unlike squares).",
    "B. R. Gebart, Journal of Composite Materials 26 (1992) 1100 (an open slot against a fibre bed).",
)


class FaultsSection:
    """Faults of a mould's shots."""

    name = "faults"
    title = "Faults in the filling curve"
    order = 30
    analyses: tuple[str, ...] = ("faults", "fault_signs")
    needs: Mapping[str, tuple[str, ...]] = {
        "shot": ("mould", "started_at"),
        "finding": ("*",),
        "fault_evidence": ("*",),
        "odd_curve": ("*",),
        "part": ("shot", "verdict"),
    }

    def cells(self, view: View) -> Sequence[Cell]:
        """Findings of the last shots."""
        evidence, found = view.tables["fault_evidence"], _found(view)
        if evidence.is_empty():
            return []
        recent = _recent(evidence, found)
        text = f"{words.count(recent['shot'].n_unique(), 'shot')} of the last {min(RECENT, evidence.height)}"
        return [Cell("Shots with a fault", text, _state(recent), float(recent["shot"].n_unique()), 30)]

    def panel(self, view: View) -> Panel | None:
        """The mould's faults; the workshop page has none."""
        if view.mould is None:
            return None
        evidence, found = view.tables["fault_evidence"], _found(view)
        if evidence.is_empty():
            return Panel("not assessed", "No injection of this mould was judged yet.", method=METHOD)
        blocks: list[Block] = [Prose(_sentences(evidence, found))]
        if found.height:
            from catchpot_faults import pictures

            blocks.append(pictures.lanes(found, view.tables["shot"]["started_at"], view.zone))
            blocks += _curves(view, found)
        blocks += _verdicts(view, found)
        return Panel(_state(_recent(evidence, found)), _headline(view, evidence, found), blocks, METHOD, REFERENCES)

    def pages(self, view: View) -> Sequence[Page]:
        """None of its own."""
        return ()


def _found(view: View) -> pl.DataFrame:
    import polars as pl

    return view.tables["finding"].filter(pl.col("analysis") == "faults").sort("since", "shot", "rank", nulls_last=True)


def _recent(evidence: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    return found.filter(pl.col("shot").is_in(evidence["shot"].tail(RECENT).implode()) & (pl.col("severity") != "note"))


def _state(recent: pl.DataFrame) -> State:
    severities = set(recent["severity"])
    return "act" if "act" in severities else "watch" if "watch" in severities else "in order"


def _headline(view: View, evidence: pl.DataFrame, found: pl.DataFrame) -> str:
    recent = _recent(evidence, found)
    n = min(RECENT, evidence.height)
    if recent.is_empty():
        return (
            f"No fault was found in the last {words.count(n, 'shot')} of {view.mould}; what was not looked at stands "
            "with its reason under what was not computed."
        )
    newest = recent.row(-1, named=True)
    kinds = words.listed(sorted({words.words_of(k) for k in recent["kind"]}))
    return (
        f"{words.count(recent['shot'].n_unique(), 'shot')} of the last {n} of {view.mould} had a fault ({kinds}). "
        f"The newest, {newest['shot']} of {words.day(newest['since'], view.zone)}: {newest['message']}"
    )


def _sentences(evidence: pl.DataFrame, found: pl.DataFrame) -> tuple[str, ...]:
    import polars as pl

    shots = evidence.height
    flagged = found.filter(pl.col("severity") != "note")["shot"].n_unique()
    text = [f"Of {words.count(shots, 'shot')} judged, {flagged or 'none'} had a fault."]
    usual = evidence["usual_shots"].fill_null(0)
    if usual[-1] < 8:
        again = (
            "The last shots were so unlike those before that the usual curve is learned anew. " if shots > 20 else ""
        )
        text.append(
            f"{again if shots > 20 else ''}The usual curve needs 8 healthy shots and has {usual[-1]}: race tracks and "
            "unusual shapes are not looked for until then."
        )
    rate = evidence.filter(pl.col("false_alarm_pct").is_not_null()).tail(1)
    if rate.height:
        r = rate.row(0, named=True)
        text.append(
            f"By bootstrap over this mould's healthy shots, {r['false_alarm_pct']:.1f} % of healthy shots (95 %: "
            f"{r['false_alarm_low_pct']:.1f} to {r['false_alarm_high_pct']:.1f}) would be called unusual in shape."
        )
    return tuple(text)


def _curves(view: View, found: pl.DataFrame) -> list[Block]:
    import polars as pl

    from catchpot_faults import pictures

    rows = view.tables["odd_curve"].filter(pl.col("shot").is_in(found["shot"].implode()))
    blocks: list[Block] = []
    for row in rows.tail(DRAWN).reverse().iter_rows(named=True):
        of_shot = found.filter(pl.col("shot") == row["shot"]).to_dicts()
        blocks.append(pictures.odd_curve(row, of_shot, view.zone))
        if any(f["kind"] == "unusual_shape" for f in of_shot):
            shading = pictures.shares(row, view.zone)
            blocks += [shading] if shading is not None else []
    if rows.height > DRAWN:
        blocks.append(Prose((f"The curves of the {rows.height - DRAWN} earlier shots with a finding are not drawn.",)))
    return blocks


def _verdicts(view: View, found: pl.DataFrame) -> list[Block]:
    from catchpot_faults.verdicts import by_kind, confusion, sentence

    part, evidence = view.tables["part"], view.tables["fault_evidence"]
    table = confusion(part, found, evidence["shot"])
    if table is None:
        return []
    note = sentence(part, found, evidence["shot"])
    return [
        DataTable("verdicts", "Findings against the verdicts in parts.csv", table, note),
        DataTable("verdicts-by-kind", "Which findings went with scrap and rework", by_kind(part, found)),
    ]


__all__ = ["FaultsSection"]
