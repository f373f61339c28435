"""From the joint estimate to rows: which causes are named alone, which as a pair, and what is left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catchpot.physics.volume import CAUSES
from catchpot.stats.causes import Posterior
from catchpot_volume.compare import Comparison, Triple

RIVAL = 0.25
"""A cause stands alone where, something having changed, no rival has this share of its chance (four to one)."""
SECOND = 0.5
CHANGED = 0.5
WORTH = 0.01
"""Share of the volume below which a change of overflow is left unnamed."""
SETTLES = {
    "fabric_pack": ("weigh three fabric packs", 5.0),
    "gel_coat": ("weigh the gel coat of three parts", 10.0),
    "cavity_thickness": ("put a feeler gauge to the flange", 10.0),
    "flow_meter": ("check the meter with bucket and scales", 15.0),
    "core": ("weigh three cores and compare them with the drawing", 10.0),
    "runner_or_hose": ("compare hose and runner with the mould book (length, bore)", 5.0),
    "resin_past_seal": ("look for resin in the clamp channel and the seal's groove", 5.0),
    "overflow": ("weigh what is in the catch pot for three shots", 3.0),
    "unexplained": ("weigh the next ten parts and their fabric packs", 20.0),
}
"""The cheapest measurement that settles each cause, and its working time in minutes (common practice, no source)."""
HOLD_CHECK = ("make a hold check of the clamp: if it holds, see to pump, line and gauge, else to its seals", 5.0)
TELLING_MBAR = 10.0
"""A change of the clamp pressure that is worth a word."""


@dataclass(frozen=True)
class Row:
    """One row of volume_cause. in_doubt: litres that the row's measurement would settle; measure empty: it is done."""

    cause: str
    change: Triple
    chance: float | None
    score: float
    measure: str = ""
    minutes: float | None = None
    in_doubt: float = 0.0


def named(posterior: Posterior) -> list[tuple[tuple[int, ...], float]]:
    """Causes to name, each a tuple of one or two numbers of CAUSES, with its chance, the likeliest first.

    One cause always leads, however unlikely. It is joined by a second where the two compete for the same change; a
    further cause is named where it is likely beside it.
    """
    numbers = range(len(CAUSES))
    alone = posterior.chance(*numbers)
    given = posterior.given(posterior.active[:, : len(CAUSES)].any(axis=1)) if alone > 0 else posterior
    taken: list[int] = []
    made: list[tuple[tuple[int, ...], float]] = []
    for turn in range(3):
        free = [c for c in numbers if c not in taken]
        chances = {c: given.chance(c) for c in free}
        first = max(free, key=lambda c: chances[c])
        # what may be active in the first's stead
        without = given.given(~given.active[:, first])
        rest = 1.0 - chances[first]
        pair: tuple[int, ...] = (first,)
        floor = 0.0 if turn == 0 else SECOND
        second = max((c for c in free if c != first), key=lambda c: without.chance(c))
        if rest * without.chance(second) > RIVAL * chances[first]:
            pair = tuple(sorted((first, second)))
        chance = given.chance(*pair)
        if turn and chance < floor:
            break
        made.append((pair, posterior.chance(*pair)))
        taken += pair
        if alone < 0.2:
            break
        given = given.given(given.active[:, list(pair)].any(axis=1))
    return made


def _name(pair: tuple[int, ...]) -> str:
    return " or ".join(CAUSES[c] for c in pair)


def settle(cause: str, seen: frozenset[str], clamp_moved: bool = False) -> tuple[str, float | None]:
    """The cheapest measurement that would tell a row's causes apart, or settle a single one; empty where it is done.

    clamp_moved: where a clamp that opens the cavity is looked at first.
    """
    already = {"fabric_pack": "fabric_mass", "gel_coat": "gel_coat_mass", "flow_meter": "bucket and scales",
               "cavity_thickness": "thickness"}  # fmt: skip
    parts = cause.split(" or ")
    open_ = [p for p in parts if already.get(p, "") not in seen]
    if cause == "cavity_thickness" and clamp_moved:
        return HOLD_CHECK
    if not open_:
        return "", None
    cheapest = min(SETTLES[p][1] for p in open_)
    # two that cost the same are both named
    return ", or ".join(SETTLES[p][0] for p in reversed(open_) if SETTLES[p][1] == cheapest), cheapest


def rows(c: Comparison) -> list[Row]:
    """All rows of a comparison, the likeliest first; all but overflow add up to the change of the arrival volume."""
    made: list[Row] = []
    told = 0.0
    if c.posterior is not None:
        for pair, chance in named(c.posterior):
            factors = np.zeros(len(c.per_unit))
            factors[list(pair)] = c.per_unit[list(pair)]
            # how much, if it is one of these: the row's chance says whether it is
            given = c.posterior.given(c.posterior.active[:, list(pair)].any(axis=1))
            change = given.total(factors)
            told += change[0]
            # in doubt: what the likeliest of them may not be, and how much it is
            lead = max(given.chance(p) for p in pair) * chance
            doubt = abs(change[0]) * (1.0 - lead) + (change[2] - change[1]) / 2
            made.append(Row(_name(pair), change, chance, chance, *settle(_name(pair), c.seen, _clamp_moved(c)), doubt))
    if c.temperature is not None:
        made.append(Row("temperature", c.temperature, None, 0.0))
        told += c.temperature[0]
    rest = c.change[0] - told
    half = (c.change[2] - c.change[1]) / 2
    made.append(Row("unexplained", (rest, rest - half, rest + half), None, 0.01, *SETTLES["unexplained"], abs(rest)))
    own = _overflow_score(c)
    measure: tuple[str, float | None] = SETTLES["overflow"] if own and "pot_volume" not in c.seen else ("", None)
    made.append(Row("overflow", c.overflow, None, own, *measure, (c.overflow[2] - c.overflow[1]) / 2))
    return sorted(made, key=lambda r: (-round(r.score, 2), -abs(r.change[0])))


def _clamp_moved(c: Comparison) -> bool:
    """Whether the clamp pressure moved as it does where the cavity opens or closes with it."""
    return c.clamp_mbar is not None and c.clamp_mbar * c.change[0] > 0 and abs(c.clamp_mbar) > TELLING_MBAR


def to_measure(rows_: list[Row]) -> list[Row]:
    """The rows whose measurement is worth while, most litres settled a minute first; one row a measurement."""
    seen: set[str] = set()
    made = []
    for r in sorted(rows_, key=lambda r: -r.in_doubt / (r.minutes or 1.0)):
        likely = (r.chance or 0.0) > SECOND or r is rows_[0]
        if r.measure and r.measure not in seen and likely:
            seen.add(r.measure)
            made.append(r)
    return made


def _overflow_score(c: Comparison) -> float:
    """How much overflow itself is the cause: it moved the injected volume, and the arrival volume did not."""
    moved, injected = c.overflow, c.injected
    clear = all(low > 0 or high < 0 for _, low, high in (moved, injected)) and moved[0] * injected[0] > 0
    own = min(abs(moved[0]), abs(injected[0]))
    if not clear or own < WORTH * c.before_l:
        return 0.0
    return 2.0 if own > abs(c.change[0]) else 0.3


def changed(c: Comparison) -> bool:
    """Whether more than the everyday changed: a cause is likelier active than not, or overflow clearly moved."""
    if _overflow_score(c) > 0:
        return True
    if c.posterior is None:
        return bool(c.change[1] > 0 or c.change[2] < 0)
    return c.posterior.chance(*range(len(CAUSES))) > CHANGED
