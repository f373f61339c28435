"""The faults section: what was found, flagged curves on their usual band, and how verdicts bear it out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from catchpot.report import words
from catchpot.report.section import Block, Cell, DataTable, Page, Panel, Prose, State, View

if TYPE_CHECKING:
    import polars as pl

RECENT = 5
DRAWN = 6
FEW = 8
"""Healthy shots from which on a mould's own scatter outweighs what is expected of any mould."""
METHOD = (
    "Healthy is what this mould's own shots before were: one curve of resistance (free of viscosity) over the volume, "
    "a level that wanders with resin and cloth, and departures of shape whose size and kinship along the curve are "
    "learned shot by shot. Each kind of fault is a small model of what it does to the curve or to another channel: a "
    "restriction adds a resistance at one moment, gel grows with time, a gap lets the resistance fall on the way, a "
    "lifted cover lets it fall at once, air makes the pressure collapse while the meter turns, a blocked vent "
    "squeezes the gas before the front, a stuck gauge repeats itself more often than chance. How much likelier the "
    "shot is under it than healthy, averaged over what the fault may look like, is its evidence; all channels in one "
    "sum. With how seldom the kind is, that makes a chance; what is likelier than not is named, with the runner-up. "
    "Kinds that speak of the same channels compete; what a first fault leaves of the curve is weighed again. Slow "
    "changes and steps of the meter move the usual curve along and are no faults of a shot. An overfill needs an "
    "arrival that the curve shows, or a weighed pot or part. To act on is what puts the part or the mould at risk "
    "now; to watch is what will if it goes on."
)
REFERENCES = (
    "H. Jeffreys, Theory of Probability, Oxford 1939 (odds before and after; from memory).",
    "K. L. Lange, R. J. A. Little, J. M. G. Taylor, J. Am. Statistical Association 84 (1989) 881 (multivariate t).",
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
        "fault_odds": ("*",),
        "odd_curve": ("*",),
        "part": ("shot", "verdict"),
    }

    def cells(self, view: View) -> Sequence[Cell]:
        """None: what stands shows in the mould's state and in what to do."""
        return ()

    def panel(self, view: View) -> Panel | None:
        """The mould's faults; the workshop page has none."""
        if view.mould is None:
            return None
        evidence, found = view.tables["fault_evidence"], _found(view)
        if evidence.is_empty():
            return Panel("not assessed", "No injection of this mould was judged yet.", method=METHOD)
        blocks: list[Block] = []
        more: list[Block] = [Prose(_sentences(evidence, found), title="How often")]
        if found.height:
            from catchpot_faults import pictures

            blocks.append(pictures.lanes(found, view.tables["shot"]["started_at"], view.zone))
            more += _curves(view, found)
        more += _verdicts(view, found)
        return Panel(
            _state(_recent(evidence, found)), _headline(view, evidence, found), blocks, METHOD, REFERENCES, more=more
        )

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
    if usual[-1] < FEW:
        text.append(
            f"The usual curve rests on {words.count(int(usual[-1]), 'shot')} yet; until there are {FEW} much of what "
            "is called healthy is what is expected of any mould, and only what is plain is named."
        )
    healthy = evidence["chance_healthy_pct"].drop_nulls()
    if healthy.len():
        expected = float((100 - healthy).sum()) / 100
        text.append(f"By the chances given, {expected:.1f} of them are expected to have had one.")
    return tuple(text)


def _curves(view: View, found: pl.DataFrame) -> list[Block]:
    import polars as pl

    from catchpot_faults import pictures

    rows = view.tables["odd_curve"].filter(pl.col("shot").is_in(found["shot"].implode()))
    blocks: list[Block] = []
    for row in rows.tail(DRAWN).reverse().iter_rows(named=True):
        of_shot = found.filter(pl.col("shot") == row["shot"]).to_dicts()
        blocks.append(pictures.odd_curve(row, of_shot, view.zone))
    evidence = _evidence_table(view)
    blocks += [evidence] if evidence is not None else []
    if rows.height > DRAWN:
        blocks.append(
            Prose((f"The curves of the {rows.height - DRAWN} earlier shots with a finding stand with their shots.",))
        )
    return blocks


def _evidence_table(view: View) -> DataTable | None:
    """What each channel said for the latest findings, and what else it may have been."""
    import polars as pl

    odds = view.tables["fault_odds"].join(view.tables["shot"].select("shot", "started_at"), on="shot", how="left")
    if odds.is_empty():
        return None
    latest = odds.sort("started_at", "shot", nulls_last=False).tail(DRAWN).reverse()
    table = latest.select(
        pl.col("shot"), pl.col("kind").str.replace_all("_", " ", literal=True),
        pl.col("chance_pct").round(0).alias("chance [%]"),
        pl.col("log_odds_before").round(1).alias("log odds before"),
        pl.col("by_channel").alias("log likelihood ratio, by channel"),
        pl.col("parameters").alias("likeliest parameters"),
        pl.col("runner_up").str.replace_all("_", " ", literal=True).alias("next likeliest"),
        pl.col("runner_up_chance_pct").round(0).alias("its chance [%]"),
        pl.col("settles").alias("what would settle it"),
    )  # fmt: skip
    note = "A log ratio of 2.3 makes it ten times likelier than healthy, one of 4.6 a hundred times."
    return DataTable("fault-odds", "The evidence behind the findings", table, note)


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
