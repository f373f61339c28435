"""What is stale: one key for each (analysis, part), from the digests of all that can touch its rows. It reads no data.

A key is a row of digests, one for each kind of input, so that two keys also say what changed between them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
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


@dataclass(frozen=True)
class Inputs:
    """The digests a run starts from.

    shots: shot, mould, started_at of every stored shot, ordered by shot. eligible: mould -> its shots in order of start
    (mould in the book, start known): what mould analyses get.
    """

    shots: pl.DataFrame
    of_shot: Mapping[str, str]
    mould_of: Mapping[str, str | None]
    eligible: Mapping[str, tuple[str, ...]]
    of_book: Mapping[str | None, str]
    of_events: Mapping[str | None, str]
    of_part: Mapping[str, str]
    code: Mapping[str, str]
    settings: str
    keys: dict[str, dict[str, str]] = field(default_factory=dict)
    statuses: dict[str, dict[str, str]] = field(default_factory=dict)

    def parts(self, step: Step) -> Sequence[str]:
        """The parts of an analysis: all shots, the moulds that have any, or the workshop."""
        if step.analysis.part == "shot":
            return list(self.of_shot)
        if step.analysis.part == "mould":
            return list(self.eligible)
        return [WHOLE] if self.eligible else []


def read_inputs(shots: pl.DataFrame, workshop: Workshop, registry: Registry) -> Inputs:
    """Digest the run's inputs. shots: the whole `shot` table, ordered by shot."""
    from catchpot import physics, stats
    from catchpot.plugins.sources import code_digest

    of_shot = dict(zip(shots["shot"].to_list(), _row_digests(shots, SHOT.names), strict=True))
    mould_of: dict[str, str | None] = dict(zip(shots["shot"].to_list(), shots["mould"].to_list(), strict=True))
    book = workshop.book
    in_book = shots.filter(pl.col("started_at").is_not_null() & pl.col("mould").is_in(list(book.moulds)))
    by_mould = in_book.sort("started_at", "shot").group_by("mould", maintain_order=True).agg("shot").sort("mould")
    moulds = {m for m in mould_of.values() if m is not None} | set(book.moulds)
    of_book: dict[str | None, str] = {m: book.digest(m) for m in moulds}
    common = code_digest(physics, stats)
    settings = {
        k: v for k, v in workshop.settings.raw.items() if k not in ("plugins", "analyses", "profiles", "export")
    }
    return Inputs(
        shots=shots.select("shot", "mould", "started_at"),
        of_shot=of_shot,
        mould_of=mould_of,
        eligible={m: tuple(s) for m, s in by_mould.iter_rows()},
        of_book=of_book,
        of_events=_event_digests(workshop.events, moulds),
        of_part=dict(
            zip(workshop.parts["shot"].to_list(), _row_digests(workshop.parts, workshop.parts.columns), strict=True)
        ),
        code={p.name: digest(common, p.digest) for p in registry.plugins},
        settings=digest(json.dumps(settings, sort_keys=True, default=str)),
    )


def key_all(inputs: Inputs, step: Step, params: Any) -> dict[str, str]:
    """The key of every part of a step; the parents' keys must be known already."""
    a = step.analysis
    # The declaration is code too, but a core's table is declared outside its plugin.
    code = digest(
        inputs.code.get(step.plugin, ""),
        json.dumps([asdict(t) for t in a.yields]),
        json.dumps([a.part, a.causal, sorted(step.reads.items()), sorted(step.star.items())]),
    )
    given = digest(inputs.settings, json.dumps(params.model_dump(mode="json"), sort_keys=True))
    events, parts = "event" in step.reads, "part" in step.reads or "part" in step.star
    parents = [(p, inputs.keys.get(p, {}), inputs.statuses.get(p, {})) for p in step.parents]

    def of_shot(shot: str) -> str:
        mould = inputs.mould_of[shot]
        beside = digest(
            inputs.of_events.get(mould, inputs.of_events[None]) if events else "",
            inputs.of_part.get(shot, "") if parts else "",
        )
        upstream = digest(*(_outcome(k, s, p) for _, k, s in parents for p in (shot, mould, WHOLE)))
        return ".".join((code, given, inputs.of_book.get(mould, "")[:_HEX], inputs.of_shot[shot], beside, upstream))

    def of_many(moulds: Iterable[str]) -> str:
        moulds = list(moulds)
        shots = [s for m in moulds for s in inputs.eligible[m]]
        beside = digest(
            *((inputs.of_events.get(m, inputs.of_events[None]) for m in moulds) if events else ()),
            *((inputs.of_part.get(s, "") for s in shots) if parts else ()),
        )
        upstream = digest(*(_outcome(k, s, p) for _, k, s in parents for p in (*shots, *moulds, WHOLE)))
        logs = digest(*(inputs.of_shot[s] for s in shots))
        return ".".join((code, given, digest(*(inputs.of_book[m] for m in moulds)), logs, beside, upstream))

    if a.part == "shot":
        return {s: of_shot(s) for s in inputs.of_shot}
    if a.part == "mould":
        return {m: of_many([m]) for m in inputs.eligible}
    return {WHOLE: of_many(inputs.eligible)} if inputs.eligible else {}


def _outcome(keys: Mapping[str, str], statuses: Mapping[str, str], part: str | None) -> str:
    """A parent's key; a failure told apart, since a later success under the same key brings rows that weren't there."""
    if part is None or part not in keys:
        return ""
    return keys[part] + ("!" if statuses.get(part) == FAILED else "")


def _row_digests(frame: pl.DataFrame, columns: Sequence[str]) -> list[str]:
    texts = [pl.col(c).cast(pl.String).fill_null("\1") for c in columns]
    rows = frame.select(pl.concat_str(texts, separator="\0"))
    return [hashlib.sha256(t.encode()).hexdigest()[:_HEX] for t in rows.to_series()]


def _event_digests(events: pl.DataFrame, moulds: Iterable[str]) -> dict[str | None, str]:
    """For each mould the digest of its events and the whole workshop's; under None of the workshop's alone."""
    rows = list(zip(events["mould"].to_list(), _row_digests(events, events.columns), strict=True))
    found: dict[str | None, str] = {None: digest(*(d for m, d in rows if m is None))}
    for mould in moulds:
        found[mould] = digest(*(d for m, d in rows if m is None or m == mould))
    return found
