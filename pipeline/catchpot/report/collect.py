"""What every page shows beside the sections: findings, what was not computed and why, failures, files set aside."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from catchpot.report import words

if TYPE_CHECKING:
    import polars as pl

    from catchpot.report.section import Section
    from catchpot.tables import Table

SEVERITIES = ("act", "watch", "note")


@dataclass(frozen=True)
class Found:
    """A finding as it is shown. open: it has not ended. rank: 1 for the likeliest of competing explanations."""

    anchor: str
    mould: str
    shot: str
    kind: str
    severity: str
    since: datetime | None
    until: datetime | None
    message: str
    advice: str
    analysis: str
    rank: int

    @property
    def open(self) -> bool:
        """Whether it stands."""
        return self.until is None


@dataclass(frozen=True)
class NotGiven:
    """One reason why a value or an analysis was not given, with the shots or moulds concerned, the newest first.

    noun: what the units are, "shot" or "mould".
    """

    analysis: str
    what: str
    reason: str
    units: tuple[str, ...]
    noun: str = "shot"

    @property
    def count(self) -> int:
        """How many shots or moulds."""
        return len(self.units)


@dataclass(frozen=True)
class Failed:
    """An analysis that failed on some parts: name, parts, the first error's text."""

    analysis: str
    parts: tuple[str, ...]
    reason: str


def findings(rows: pl.DataFrame) -> list[Found]:
    """Stored findings: those that stand first, then the gravest, then the newest."""
    found = [
        Found(
            anchor=r["anchor"],
            mould=r["mould"] or "",
            shot=r["shot"] or "",
            kind=words.words_of(r["kind"] or ""),
            severity=r["severity"] if r["severity"] in SEVERITIES else "note",
            since=r["since"],
            until=r["until"],
            message=r["message"] or "",
            advice=r["advice"] or "",
            analysis=r["analysis"] or "",
            rank=r["rank"] or 1,
        )
        for r in rows.iter_rows(named=True)
    ]
    found.sort(key=lambda f: (f.shot, f.rank, f.anchor))
    found.sort(key=lambda f: f.since.timestamp() if f.since else 0.0, reverse=True)
    return sorted(found, key=lambda f: (not f.open, SEVERITIES.index(f.severity)))


def by_section(found: Iterable[Found], sections: Sequence[Section]) -> tuple[dict[str, list[Found]], list[Found]]:
    """Findings under their section's name by analysis, and those whose analysis has no section."""
    home = {analysis: section.name for section in sections for analysis in section.analyses}
    placed: dict[str, list[Found]] = {}
    homeless: list[Found] = []
    for finding in found:
        if finding.analysis in home:
            placed.setdefault(home[finding.analysis], []).append(finding)
        else:
            homeless.append(finding)
    return placed, homeless


def value_words(what: str, declared: Mapping[str, Table]) -> str:
    """A refused value as words: `fill.arrival_volume_l` by its column's label, an analysis by its name.

    >>> value_words("fill", {})
    'the whole analysis "fill"'
    """
    table, dot, column = what.partition(".")
    if not dot:
        return f'the whole analysis "{what}"'
    base, bracket, key = column.partition("[")
    # An analysis over many measures names them under its own name; the column's own table has the words.
    tables = [*([declared[table]] if table in declared else []), *declared.values()]
    known = [t.column(base).heading for t in tables if base in t.names]
    label = known[0].split(" [")[0] if known else words.words_of(base)
    return label + (f" ({key.rstrip(']')})" if bracket else "")


def not_given(rows: pl.DataFrame, newest_first: Sequence[str], declared: Mapping[str, Table]) -> list[NotGiven]:
    """Refusals grouped by analysis, value and reason, the most frequent first within an analysis.

    Reasons that differ in a number only ("3 shots, 8 needed") are one, with the numbers' range.
    newest_first: shots in the order they are to be listed; other units (moulds) come first, by name.
    """
    import polars as pl

    if rows.is_empty():
        return []
    newest = pl.DataFrame({"unit": list(newest_first)}, schema={"unit": pl.String()}).with_row_index("rank")
    said = rows.select(pl.col("analysis", "unit", "what", "reason").fill_null(""))
    like = {reason: _NUMBER.sub("#", reason) for reason in said["reason"].unique()}
    said = said.join(newest.with_columns(pl.col("rank").cast(pl.Int64)), on="unit", how="left", maintain_order="left")
    said = said.with_columns(pl.col("rank").fill_null(-1), like=pl.col("reason").replace_strict(like))
    alike = said.group_by("analysis", "like", "what", maintain_order=True).agg(
        pl.col("unit").sort_by("rank", "unit"), pl.col("reason").unique(maintain_order=True),
        shots=(pl.col("rank") >= 0).all(),
    )  # fmt: skip
    # Values that one reason takes away from the same shots stand together.
    values: dict[tuple[str, str, tuple[str, ...], str], list[str]] = {}
    for analysis, _, what, units, reasons, shots in alike.iter_rows():
        key = (analysis, _with_ranges(reasons), tuple(units), "shot" if shots else "mould")
        values.setdefault(key, []).append(value_words(what, declared))
    made = [
        NotGiven(analysis, _sentence_case(words.listed(what, 20)), reason, units, noun)
        for (analysis, reason, units, noun), what in values.items()
    ]
    return sorted(made, key=lambda g: (g.analysis, -g.count, g.what, g.reason))


# Numbers that stand alone; those within a name (B-17) are part of it.
_NUMBER = re.compile(r"(?<![\w.-])\d+(?:\.\d+)?(?![\w-])")


def _with_ranges(reasons: Sequence[str]) -> str:
    """One reason for many that differ in their numbers only.

    >>> _with_ranges(["only 3 shots (8 needed)", "only 5 shots (8 needed)"])
    'only 3 to 5 shots (8 needed)'
    """
    ranges = [
        sorted(set(found), key=float)
        for found in zip(*(_NUMBER.findall(reason) for reason in set(reasons)), strict=True)
    ]
    said = iter(r[0] if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in ranges)
    return _NUMBER.sub(lambda _: next(said), reasons[0])


def counts_by_mould(group: NotGiven, mould_of: Mapping[str, str]) -> list[tuple[str, str]]:
    """Moulds a group concerns, the most often concerned first, each with its count in words (empty: the mould itself).

    mould_of: shot -> mould; units that are no shots are moulds, shots without one are left to the group's own count.
    """
    counts: dict[str, int] = {}
    for unit in group.units:
        mould = mould_of.get(unit, unit if group.noun == "mould" else "")
        counts[mould] = counts.get(mould, 0) + (unit in mould_of)
    ordered = sorted((m for m in counts if m), key=lambda m: (-counts[m], m))
    return [(m, words.count(counts[m], "shot") if counts[m] else "") for m in ordered]


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


def failures(ledger: pl.DataFrame) -> list[Failed]:
    """Analyses that failed, by name and error, with the parts concerned."""
    groups: dict[tuple[str, str], list[str]] = {}
    for r in ledger.iter_rows(named=True):
        if r["status"] == "failed":
            # The last line of a traceback says what; the whole of it is kept in the ledger.
            said = [line for line in (r["reason"] or "").splitlines() if line.strip()]
            groups.setdefault((r["analysis"], said[-1] if said else "no reason kept"), []).append(r["part"])
    return [Failed(analysis, tuple(parts), reason) for (analysis, reason), parts in sorted(groups.items())]


__all__ = [
    "Failed",
    "Found",
    "NotGiven",
    "by_section",
    "counts_by_mould",
    "failures",
    "findings",
    "not_given",
    "value_words",
]
