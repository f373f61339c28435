"""What is stale: one key for each (analysis, part), from the digests of all that can touch its rows. It reads no data.

A key is a row of digests, one for each kind of input, so that two keys also say what changed between them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.core_tables import SHOT
from catchpot.run.graph import Step

if TYPE_CHECKING:
    from catchpot.plugins import Registry
    from catchpot.workshop import Workshop

COMPONENTS = ("code", "settings", "mould book", "logs", "events and parts", "other analyses")
# 48 bits a component: enough to tell a state from the one before it, and a third of the ledger's size.
_HEX = 12
FAILED = "failed"
WHOLE = "workshop"


def digest(*pieces: str) -> str:
    """A short digest of texts, in order."""
    return hashlib.sha256("\0".join(pieces).encode()).hexdigest()[:_HEX]


def why(before: str | None, now: str) -> str:
    """What changed between two keys, in words; empty where nothing did."""
    if before is None:
        return "new"
    if before == now:
        return ""
    old, new = before.split("."), now.split(".")
    changed = [name for name, a, b in zip(COMPONENTS, old, new, strict=False) if a != b]
    return f"changed: {', '.join(changed)}" if changed else "changed"


Group = str
"""Parts that one key stands for: those of a mould (of no mould: ""), or the workshop."""
NO_MOULD = ""


@dataclass
class Known:
    """What is known of an analysis's keys in this run.

    of_group: key of each group, with what failed in it; it says whether anything above changed. made: part keys, worked
    out group by group where they are asked for. failed: parts that failed. stored: of an analysis that is left alone in
    this run the keys that the ledger has; they stand for the rows that are there. content: digests of what a workshop's
    analysis has given to moulds of others that get only some of its rows.
    """

    step: Step
    keys: Keys
    of_group: dict[Group, str] = field(default_factory=dict)
    made: dict[Group, dict[str, str]] = field(default_factory=dict)
    first: dict[tuple[str, int], str] = field(default_factory=dict)
    failed: set[str] = field(default_factory=set)
    stored: Mapping[str, str] | None = None
    content: dict[str, str] = field(default_factory=dict)


CONTENT = "\x1f"
"""What the names of groups of content begin with: no mould is called so."""


def content_group(reader: str, table: str, mould: str) -> str:
    """The name in the ledger of the digest of what a mould of an analysis gets of a workshop's table."""
    return f"{CONTENT}{reader}.{table}={mould}"


@dataclass(frozen=True)
class Told:
    """Digests over a mould's shots, in their order: names, logs, what was weighed of their parts."""

    names: str
    logs: str
    parts: str


@dataclass(frozen=True)
class Inputs:
    """The digests a run starts from.

    shots: the whole table. of_shot: digest of each stored shot, ordered by shot. shots_of: group -> all its shots,
    ordered by shot. eligible: mould -> its shots in order of start (mould in the book, start known): what mould
    analyses get. starts: of these.
    events: (mould, time, detail, digest) of each. known: analyses that this run has passed.
    """

    shots: pl.DataFrame
    of_shot: Mapping[str, str]
    shots_of: Mapping[Group, tuple[str, ...]]
    eligible: Mapping[str, tuple[str, ...]]
    starts: Mapping[str, tuple[datetime, ...]]
    of_book: Mapping[str | None, str]
    of_events: Mapping[str | None, str]
    events: Sequence[tuple[str | None, datetime | None, str, str]]
    of_part: Mapping[str, str]
    code: Mapping[str, str]
    settings: str
    known: dict[str, Known] = field(default_factory=dict)
    _values: dict[str, dict[str, set[str]]] = field(default_factory=dict)
    _told: dict[tuple[str, bool], Told] = field(default_factory=dict)

    def groups(self, step: Step) -> Sequence[Group]:
        """The groups of an analysis's parts."""
        if step.analysis.part == "shot":
            return list(self.shots_of)
        if step.analysis.part == "mould":
            return list(self.eligible)
        return [WHOLE] if self.eligible else []

    def parts(self, step: Step, group: Group) -> Sequence[str]:
        """The parts in a group."""
        return self.shots_of[group] if step.analysis.part == "shot" else [group]

    def values(self, column: str) -> Mapping[str, set[str]]:
        """Which values of a column of `shot` each mould's shots have."""
        if column not in self._values:
            known = self.shots.select("mould", _value=pl.col(column)).drop_nulls().unique()
            self._values[column] = {}
            for mould, value in known.iter_rows():
                self._values[column].setdefault(mould, set()).add(str(value))
        return self._values[column]

    def told(self, step: Step, mould: str) -> Told:
        """What stands for a mould's shots as an analysis gets them; worked out once for all analyses."""
        at = mould, step.analysis.part == "shot"
        if at not in self._told:
            shots = self.shots_of[mould] if at[1] else self.eligible[mould]
            self._told[at] = Told(digest(*shots), self.logs(shots), digest(*(self.of_part.get(s, "") for s in shots)))
        return self._told[at]

    def logs(self, shots: Sequence[str]) -> str:
        """Digest of shots, in that order."""
        return digest(*(self.of_shot[s] for s in shots))


def read_inputs(shots: pl.DataFrame, workshop: Workshop, registry: Registry) -> Inputs:
    """Digest the run's inputs. shots: the whole `shot` table, ordered by shot."""
    from catchpot import answers, events, physics, stats
    from catchpot.plugins.sources import code_digest

    names: list[str] = shots["shot"].to_list()
    of_shot = dict(zip(names, _row_digests(shots, SHOT.names), strict=True))
    book = workshop.book
    in_book = shots.filter(pl.col("started_at").is_not_null() & pl.col("mould").is_in(list(book.moulds)))
    by_mould = in_book.sort("started_at", "shot").group_by("mould", maintain_order=True).agg("shot", "started_at")
    by_mould = by_mould.sort("mould")
    shots_of: dict[Group, list[str]] = {}
    for shot, mould in zip(names, shots["mould"].to_list(), strict=True):
        shots_of.setdefault(mould or NO_MOULD, []).append(shot)
    moulds = (shots_of.keys() - {NO_MOULD}) | set(book.moulds)
    of_book: dict[str | None, str] = {m: book.digest(m) for m in moulds}
    common = code_digest(answers, events, physics, stats)
    settings = {
        k: v
        for k, v in workshop.settings.raw.items()
        if k not in ("plugins", "analyses", "settings", "profiles", "export", "run")
    }
    happened = workshop.events
    return Inputs(
        shots=shots,
        of_shot=of_shot,
        shots_of={m: tuple(s) for m, s in sorted(shots_of.items())},
        eligible={m: tuple(s) for m, s, _ in by_mould.iter_rows()},
        starts={m: tuple(t) for m, _, t in by_mould.iter_rows()},
        of_book=of_book,
        of_events=_event_digests(happened, moulds),
        events=list(
            zip(
                happened["mould"].to_list(), happened["time"].to_list(), happened["detail"].fill_null("").to_list(),
                _row_digests(happened, happened.columns), strict=True,
            )
        ),
        of_part=dict(
            zip(workshop.parts["shot"].to_list(), _row_digests(workshop.parts, workshop.parts.columns), strict=True)
        ),
        code={p.name: digest(common, p.digest) for p in registry.plugins},
        settings=digest(json.dumps(settings, sort_keys=True, default=str)),
    )  # fmt: skip


class Keys:
    """The keys of one analysis; those of its parents must be known already."""

    def __init__(self, inputs: Inputs, step: Step, params: Any) -> None:
        a = step.analysis
        self.inputs, self.step = inputs, step
        # The declaration is code too, but a core's table is declared outside its plugin.
        self.code = digest(
            inputs.code.get(step.plugin, ""),
            json.dumps([asdict(t) for t in a.yields]),
            json.dumps([a.part, a.causal, sorted(step.reads.items()), sorted(step.star.items())]),
        )
        self.given = digest(inputs.settings, json.dumps(params.model_dump(mode="json"), sort_keys=True))
        self.reads_events = "event" in step.reads
        self.reads_parts = "part" in step.reads or "part" in step.star
        self.parents = [inputs.known[p] for p in step.parents if p in inputs.known]

    @property
    def code_and_settings(self) -> str:
        """What no input but the program and its settings can change."""
        return f"{self.code}.{self.given}"

    def of_group(self, group: Group) -> str:
        """One key over all parts of a group."""
        i = self.inputs
        a = self.step.analysis
        if a.part == "workshop":
            moulds: Sequence[str] = list(i.eligible)
            above = [p.of_group.get(g, "") for p in self.parents for g in (*moulds, WHOLE)]
        else:
            moulds = [group]
            above = [p.of_group.get(group, "") for p in self.parents]
            above += [self._of_whole(p, group) for p in self.parents if p.step.analysis.part == "workshop"]
        books = digest(*(i.of_book.get(m, "") for m in moulds))
        names = digest(*(i.told(self.step, m).names for m in moulds))
        return ".".join((self.code, self.given, books, names, self._logs(moulds), self._beside(moulds),
                         digest(*above)))  # fmt: skip

    def of_parts(self, group: Group) -> dict[str, str]:
        """The key of every part of a group."""
        i = self.inputs
        a = self.step.analysis
        if a.part == "mould":
            return {group: self._of_mould(group)}
        if a.part == "workshop":
            return {group: self._of_workshop()}
        mould = group or None
        events = i.of_events.get(mould, i.of_events[None]) if self.reads_events else ""
        book = i.of_book.get(mould, "")[:_HEX]
        above = [_reader(i, p, group) for p in self.parents]

        def one(shot: str) -> str:
            beside = digest(events, i.of_part.get(shot, "") if self.reads_parts else "")
            upstream = digest(*(made(shot) for made in above))
            return ".".join((self.code, self.given, book, i.of_shot[shot], beside, upstream))

        return {s: one(s) for s in i.shots_of[group]}

    def of_first(self, mould: str, n: int) -> str:
        """The key of a mould's part as it was when only its first n shots were there; "" where nobody can say.

        Events count that happened before the shot after them, and those that name one of the first.
        """
        i = self.inputs
        shots = i.eligible[mould][:n]
        above = []
        for p in self.parents:
            part = p.step.analysis.part
            if part == "shot":
                read = _reader(i, p, mould)
                above += [read(s) for s in shots]
            elif part == "mould" and p.step.analysis.causal and p.stored is None and mould not in p.failed:
                at = (mould, n)
                if at not in p.first:
                    p.first[at] = p.keys.of_first(mould, n)
                above.append(p.first[at])
            elif part == "workshop":
                above.append(self._of_whole(p, mould))
            else:
                above.append(_reader(i, p, mould)(mould))
        events: list[str] = []
        if self.reads_events:
            names, later = set(shots), i.starts[mould][n] if n < len(i.starts[mould]) else None
            for of, time, detail, told in i.events:
                if of not in (None, mould):
                    continue
                early = time is None or later is None or time < later
                if early or not names.isdisjoint(detail.replace(",", " ").split()):
                    events.append(told)
        beside = digest(*events, *((i.of_part.get(s, "") for s in shots) if self.reads_parts else ()))
        return ".".join((self.code, self.given, i.of_book[mould], digest(*shots), i.logs(shots), beside,
                         digest(*above)))  # fmt: skip

    def _of_mould(self, mould: str) -> str:
        i = self.inputs
        shots = i.eligible[mould]
        above = []
        for p in self.parents:
            if p.step.analysis.part == "workshop":
                above.append(self._of_whole(p, mould))
                continue
            read = _reader(i, p, mould)
            above += [read(s) for s in (shots if p.step.analysis.part == "shot" else (mould,))]
        beside = self._beside([mould])
        logs = self._logs([mould])
        return ".".join((self.code, self.given, digest(i.of_book[mould]), logs, beside, digest(*above)))

    def _of_workshop(self) -> str:
        i = self.inputs
        moulds = list(i.eligible)
        above = [p.of_group.get(g, "") for p in self.parents for g in (*moulds, WHOLE)]
        books = digest(*(i.of_book[m] for m in moulds))
        return ".".join((self.code, self.given, books, self._logs(moulds), self._beside(moulds), digest(*above)))

    def _of_whole(self, parent: Known, mould: str) -> str:
        """What a workshop's analysis says to a mould: of tables that are narrowed, by the rows that the mould gets."""
        asked = [t.name for t in parent.step.analysis.yields if t.name in self.step.reads]
        said = [parent.content.get(content_group(self.step.name, t, mould)) for t in asked]
        if not said or None in said or WHOLE in parent.failed:
            return parent.of_group.get(WHOLE, "")
        return digest(*(s for s in said if s is not None))

    def _logs(self, moulds: Sequence[str]) -> str:
        return digest(*(self.inputs.told(self.step, m).logs for m in moulds))

    def _beside(self, moulds: Sequence[str]) -> str:
        i = self.inputs
        return digest(
            *((i.of_events.get(m, i.of_events[None]) for m in moulds) if self.reads_events else ()),
            *((i.told(self.step, m).parts for m in moulds) if self.reads_parts else ()),
        )


def _reader(inputs: Inputs, parent: Known, group: Group) -> Callable[[str], str]:
    """What a parent says of a part of a group: its key; a failure told apart, since a later success under the same key
    brings rows that weren't there."""
    if parent.stored is not None:
        keys = parent.stored
    else:
        part = parent.step.analysis.part
        own = WHOLE if part == "workshop" else group
        if own not in parent.made:
            there = own in inputs.shots_of if part == "shot" else own in inputs.eligible if part == "mould" else True
            parent.made[own] = parent.keys.of_parts(own) if there else {}
        keys = parent.made[own]

    def read(part: str) -> str:
        name = part
        if parent.step.analysis.part == "mould":
            name = group
        elif parent.step.analysis.part == "workshop":
            name = WHOLE
        key = keys.get(name, "")
        return key + "!" if name in parent.failed else key

    return read


def _row_digests(frame: pl.DataFrame, columns: Sequence[str]) -> list[str]:
    texts = [pl.col(c).cast(pl.String).fill_null("\1") for c in columns]
    rows = frame.select(pl.concat_str(texts, separator="\0"))
    return [hashlib.sha256(t.encode()).hexdigest()[:_HEX] for t in rows.to_series()]


def _event_digests(events: pl.DataFrame, moulds: Iterable[str]) -> dict[str | None, str]:
    """For each mould the digest of its events and the whole workshop's; under None of the workshop's alone."""
    rows = list(zip(events["mould"].to_list(), _row_digests(events, events.columns), strict=True))
    found: dict[str | None, str] = {None: digest(*(d for m, d in rows if m is None))}
    named = {m for m, _ in rows}
    for mould in moulds:
        found[mould] = digest(*(d for m, d in rows if m is None or m == mould)) if mould in named else found[None]
    return found
