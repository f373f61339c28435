"""Goes through a mould's shots: healthy is learned from the shots before, kinds are weighed, decisions are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.healthy_curve import (
    BATCH_SD,
    CELLS,
    LOOK_BACK,
    MOST_SHOTS,
    STRETCH_SD,
    Aligned,
    Healthy,
    Laid,
    before,
    learn,
    level_of,
)
from catchpot_faults.chances import LATELY, counted
from catchpot_faults.decide import CATCH_ALL, Odds, Verdict, decide
from catchpot_faults.found import Found
from catchpot_faults.hypothesis import Kind, Look
from catchpot_faults.shots import Shots

Floats = NDArray[np.float64]
Index = NDArray[np.intp]
Bools = NDArray[np.bool_]

FIRST_BLOCKS = (1, 2, 3, 4, 6, 8, 11, 15, 20, 26, 34)
"""Numbers of shots after which healthy is learned anew; then after every BLOCK shots."""
BLOCK = 12
NEAR = 8
"""Shots before, whose median level the next one is expected to have; ill ones do not count."""
EARLY = 8
"""Shots up to which all of them teach, ill ones with less weight: who is ill is not known yet."""
ILL_WEIGHT = 0.2
AGAIN = 6
"""Shots at the end that are always judged again: what is noted of a shot may come after the next ones."""
RELEARN_AFTER = 4
"""So many shots in a row that are odd by comparison only are a mould that has changed."""
STRETCHES: Floats = np.asarray(np.arange(-10, 11) * 0.01)
"""Log stretches beside the usual one at which a shot is tried."""
STEP_CHANCE, STEP_SD = 0.03, 0.03
"""Chance and size of a step of the stretch since the shots before (from experience, no source)."""
KEEPS_LEARNING = frozenset({
    "ratio_off", "catalyst_starved", "overfill", "short_fill", "stopped_before_vent", "clamp_margin_low",
})  # fmt: skip
"""Findings that say nothing against the shot's curve."""
SURE = 0.9
"""Chance below which nobody is told to act, only to watch."""
TEACH_A_LITTLE = frozenset({"race_tracking", "unusual_shape"})
"""What may be the habit of a cloth that lies one way or the other: such shots widen what counts as healthy a little."""
BY_COMPARISON = frozenset({"race_tracking", "unusual_shape", "flow_restriction"})


@dataclass(frozen=True)
class Finding:
    """A finding of a shot. chance: that it is so, given that kinds and healthy are all there is. runner_up: the next
    likeliest explanation of the same channels and its chance."""

    found: Found
    chance: float
    by_channel: Mapping[str, float]
    runner_up: tuple[str, float]
    settles: str
    parameter: Mapping[str, float]
    deformation: Floats | None


@dataclass(frozen=True)
class Memory:
    """What is known before a block begins. laid: the shots before it, as they lie. ill, curve_ill, odd: (shots,), which
    of them have a finding, one against their curve, and one that may be a habit. start_at: where the past begins.
    named: kinds of the last LATELY of them."""

    laid: Laid
    ill: Bools
    curve_ill: Bools
    odd: Bools
    start_at: int
    named: list[list[str]]


@dataclass
class Judged:
    """By shot. expected, resistance, scatter: log, on GRID, as it was laid when it was judged, with volume scale_l at
    share 1. odds: each kind's log odds, (shots,). last: the look at the last shots. memory: as it was before some of
    the last shots; rows of shots that another memory holds are empty."""

    findings: list[list[Finding]]
    usual_shots: Floats
    expected: Floats
    resistance: Floats
    scale_l: Floats
    scatter: Floats
    odds: dict[str, Floats]
    chance_healthy: Floats
    aligned: Aligned
    level_sd: Floats
    last: Look | None = None
    memory: Memory | None = None

    @staticmethod
    def nothing(n: int, kinds: Mapping[str, Kind], aligned: Aligned) -> Judged:
        """Before anything was judged."""
        one, curve = np.full(n, np.nan), np.full((n, CELLS), np.nan)
        return Judged([[] for _ in range(n)], np.zeros(n), curve.copy(), curve.copy(), one.copy(), curve.copy(),
                      {k: one.copy() for k in kinds}, one.copy(), aligned, one.copy())  # fmt: skip


def judge(shots: Shots, kinds: Mapping[str, Kind], odds: Odds, memory: Memory | None = None) -> Judged:
    """All shots of a mould. Causal: what is said of a shot rests on it and on the shots before it.

    memory: of the first shots, which are then not judged again; it was made at the beginning of a block.
    """
    n = len(shots)
    first = len(memory.ill) if memory is not None else 0
    aligned = Aligned(shots.after(first).injections, memory.laid if memory is not None else None)
    result = Judged.nothing(n, kinds, aligned)
    ill = np.zeros(n, dtype=bool)
    curve_ill, odd = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    start_at = 0
    named: list[list[str]] = list(memory.named) if memory is not None else []
    if memory is not None:
        ill[:first], curve_ill[:first], odd[:first] = memory.ill, memory.curve_ill, memory.odd
        start_at = memory.start_at
    batch = _new_batch(shots)
    for begin, end in _blocks(n):
        if begin < first:
            continue
        if begin <= n - AGAIN:
            result.memory = Memory(
                aligned.laid(_remembered(start_at, begin, ill, curve_ill, odd), begin),
                ill[:begin].copy(), curve_ill[:begin].copy(), odd[:begin].copy(), start_at, named[-LATELY:],
            )  # fmt: skip
        past = np.arange(start_at, begin, dtype=np.intp)
        healthy = past[~ill[past]]
        teach = past if len(past) < EARLY else past[~curve_ill[past] | odd[past]]
        weight = np.where(curve_ill[teach], ILL_WEIGHT, 1.0)
        known = learn(aligned, teach, weight)
        rows = np.arange(begin, end, dtype=np.intp)
        lately = aligned.stretch[teach[~curve_ill[teach]][-LOOK_BACK:]]
        usual_stretch = float(np.median(lately)) if len(lately) else 0.0
        aligned.lay(rows, np.full(len(rows), usual_stretch))
        usual = _look(shots, aligned, known, rows, healthy, curve_ill, batch)
        tried, handicap = _tried(usual, usual_stretch)
        laid = usual_stretch + tried
        aligned.lay(rows, laid)
        look = replace(_look(shots, aligned, known, rows, healthy, curve_ill, batch), tried=tried)
        better = _better_unstretched(look, usual, handicap, kinds, odds)
        if len(better):
            laid[better] = usual_stretch
            aligned.lay(rows, laid)
            own = np.zeros(len(rows))
            own[better] = handicap[better]
            look = _look(shots, aligned, known, rows, healthy, curve_ill, batch)
            look = replace(look, tried=laid - usual_stretch, handicap=own)
        _judge_block(look, kinds, odds, result, named)
        result.last = look
        for i in rows:
            against = {f.found.kind for f in result.findings[i]} - KEEPS_LEARNING
            curve_ill[i] = bool(against - {"sensor_offset"})
            odd[i] = bool(against) and against <= TEACH_A_LITTLE
            ill[i] = bool({f.found.kind for f in result.findings[i]} - {"stopped_before_vent"})
        own = look.stretch()
        aligned.lay(rows, np.where(curve_ill[rows], usual_stretch, laid + own))
        start_at = _relearned(start_at, end, result, curve_ill, ill)
    return result


def _remembered(start: int, n: int, ill: Bools, curve_ill: Bools, odd: Bools) -> Index:
    """Of the first n shots those that later ones can be compared with, cell by cell."""
    past = np.arange(n)
    teachers = past[start:][~curve_ill[start:n] | odd[start:n]]
    kept = (past[max(n - MOST_SHOTS, start) :] if n - start < EARLY else teachers[-MOST_SHOTS:],
            past[start:][~ill[start:n]][-MOST_SHOTS:], past[-max(NEAR, EARLY) :])  # fmt: skip
    return np.unique(np.concatenate(kept))


def _blocks(n: int) -> list[tuple[int, int]]:
    edges = [0, *(b for b in FIRST_BLOCKS if b < n)]
    edges += list(range(edges[-1] + BLOCK, n, BLOCK)) if edges[-1] == FIRST_BLOCKS[-1] else []
    return list(zip(edges, [*edges[1:], n], strict=True))


def _relearned(start: int, end: int, result: Judged, curve_ill: Bools, ill: Bools) -> int:
    """Where the past begins; later, once so many shots in a row are odd by comparison: those are the usual ones now."""
    tail = range(max(end - RELEARN_AFTER, start), end)
    if len(tail) < RELEARN_AFTER or end - start <= EARLY:
        return start
    for i in tail:
        named = {f.found.kind for f in result.findings[i]} - KEEPS_LEARNING
        if not named or not named <= BY_COMPARISON:
            return start
    curve_ill[tail.start : end] = False
    ill[tail.start : end] = False
    return tail.start


def _new_batch(shots: Shots) -> Bools:
    """Shots within the first three of a resin or fabric batch (shots,): their level is not known from those before."""
    out = np.zeros(len(shots), dtype=bool)
    for key in ("resin_batch", "fabric_batch"):
        values = shots.text[key]
        for i in range(1, len(shots)):
            if values[i] is not None and values[i - 1] is not None and values[i] != values[i - 1]:
                out[i : i + 3] = True
    return out


def _better_unstretched(look: Look, usual: Look, handicap: Floats, kinds: Mapping[str, Kind], odds: Odds) -> Index:
    """Shots that a fault with the usual stretch explains better than any stretch does, by their place in the look."""
    at = np.flatnonzero(np.abs(look.tried) > STRETCH_SD)
    if look.healthy is None or not len(at):
        return at[:0]
    named = [k for k in kinds.values() if k.channels == {"curve"} and k.name != CATCH_ALL]
    with_stretch = [k.evidence(look.some(at)).total - odds.log_against(k) for k in named]
    without = replace(usual.some(at), handicap=handicap[at])
    unstretched = [k.evidence(without).total - odds.log_against(k) for k in named]
    if not named:
        return at[:0]
    best = np.max(unstretched, axis=0)
    return np.asarray(at[(best > 0) & (best > np.max(with_stretch, axis=0))])


def _tried(look: Look, usual: float) -> tuple[Floats, Floats]:
    """Log stretch, beside the usual one, at which each shot of a block is likeliest to be a healthy one: meters step.

    And by how much the usual one is less likely, log; both (rows,).
    """
    n = len(look.rows)
    if look.healthy is None:
        return np.zeros(n), np.zeros(n)
    rows, more = np.tile(look.rows, len(STRETCHES)), np.repeat(STRETCHES, n)
    y, _, known = look.aligned.cells_at(rows, usual + more)
    known &= look.healthy.cells
    level, level_sd = (np.tile(v, len(STRETCHES)) for v in (look.level, look.level_sd))
    left = np.where(known, np.nan_to_num(y) - look.healthy.mean - level[:, None], 0.0)
    tried = Look(
        look.shots,
        look.aligned,
        rows,
        look.past,
        look.healthy,
        left,
        known,
        level_sd,
        level,
        np.tile(look.wider, len(STRETCHES)),
        more,
        np.tile(look.unit_l, len(STRETCHES)),
        np.tile(look.place_l, len(STRETCHES)),
        np.zeros(len(rows)),
    )
    near = np.exp(-0.5 * (STRETCHES / STRETCH_SD) ** 2) / STRETCH_SD
    far = np.exp(-0.5 * (STRETCHES / STEP_SD) ** 2) / STEP_SD
    prior = np.log((1.0 - STEP_CHANCE) * near + STEP_CHANCE * far)
    said = tried.log_healthy.reshape(len(STRETCHES), n) + prior[:, None]
    handicap = np.max(said, axis=0) - said[np.argmin(np.abs(STRETCHES))]
    return np.asarray(STRETCHES[np.argmax(said, axis=0)]), np.asarray(handicap)


def _look(shots: Shots, a: Aligned, known: Healthy | None, rows: Index, healthy: Index, curve_ill: Bools,
          batch: Bools) -> Look:  # fmt: skip
    """The block's shots beside their past: what is left of each curve once the level before it is taken off."""
    empty, one = np.zeros((len(rows), CELLS)), np.ones(len(rows))
    if known is None:
        return Look(
            shots,
            a,
            rows,
            healthy,
            None,
            empty,
            empty.astype(bool),
            one,
            0.0 * one,
            one,
            0.0 * one,
            a.scale_l[rows],
            a.place_l[rows],
            0.0 * one,
        )
    first = max(int(rows[0]) - NEAR, 0)
    near = np.arange(first, int(rows[-1]) + 1)
    cells = a.known[near] & known.cells
    level = np.where(
        cells.any(axis=1) & ~curve_ill[near], level_of(np.nan_to_num(a.y[near]), known.mean, cells), np.nan
    )
    expected = np.nan_to_num(before(level, NEAR)[rows - first])
    seen = a.known[rows] & known.cells
    left = np.where(seen, np.nan_to_num(a.y[rows]) - known.mean - expected[:, None], 0.0)
    sd = np.where(batch[rows], np.hypot(known.level_sd, BATCH_SD), known.level_sd)
    wider = known.wider(a.variance[rows])
    return Look(
        shots,
        a,
        rows,
        healthy,
        known,
        left,
        seen,
        sd,
        expected,
        wider,
        0.0 * one,
        a.scale_l[rows],
        a.place_l[rows],
        0.0 * one,
    )


def _judge_block(look: Look, kinds: Mapping[str, Kind], odds: Odds, result: Judged, named: list[list[str]]) -> None:
    """Decide on each shot of a look. named: kinds of the shots before, to which these are added."""
    evidence = {name: kind.evidence(look) for name, kind in kinds.items()}
    log = {name: e.total - odds.log_against(kinds[name]) for name, e in evidence.items()}
    for name, values in log.items():
        result.odds[name][look.rows] = values
    every = np.stack(list(log.values()))
    result.chance_healthy[look.rows] = 1.0 / (1.0 + np.sum(np.exp(np.minimum(every, 50.0)), axis=0))
    open_ = np.max(every, axis=0) > odds.least_log
    for j, i in enumerate(look.rows):
        if look.healthy is not None:
            result.usual_shots[i] = look.healthy.shots
            result.expected[i] = np.where(look.healthy.cells, look.healthy.mean + look.level[j], np.nan)
            result.resistance[i], result.scale_l[i] = look.aligned.y[i], look.aligned.scale_l[i]
            result.level_sd[i] = look.level_sd[j]
            result.scatter[i] = look.healthy.scatter
        if open_[j]:
            lately = counted(named[-LATELY:])
            result.findings[i] = [_finding(kinds, v) for v in decide(look, j, kinds, evidence, odds, lately)]
        named.append([f.found.kind for f in result.findings[i]])


def _finding(kinds: Mapping[str, Kind], v: Verdict) -> Finding:
    kind = kinds[v.kind]
    at = v.at
    found = kind.found(v.look, at, v.evidence, v.chance)
    if found.severity == "act" and v.chance < SURE:
        found = replace(found, severity="watch")
    return Finding(
        found, v.chance, {c: float(r[at]) for c, r in v.evidence.by_channel.items()}, v.runner_up, kind.settles,
        {k: float(p[at]) for k, p in v.evidence.parameter.items()},
        None if v.evidence.deformation is None else v.evidence.deformation[at],
    )  # fmt: skip


__all__ = ["Finding", "Judged", "Memory", "judge"]
