"""Statements that speak of one change, put together; and what is behind it. Pure.

Two statements are of one change where they may have begun together (or one within the other's course) and a cause
explains both. Analyses that looked into causes lead; a measure that merely moved is their witness; what is left over
is weighed by which measures moved and which did not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from catchpot.causes import CAUSES, VOLUMES, moves, through
from catchpot_matters.statements import CLAMP_LEAK, SEVERITIES, SURE_SEAL, Statement, same_measure

NEAR: Final = 5
"""Shots between two dates that may still be one: dates from few shots are known no better."""
ASIDE: Final = 0.02
"""A cause less likely than this does not tie two statements together."""
# What a cause that ought to move a measure leaves unmoved, and what moves without being asked to: detectors miss small
# moves and call a false one in a hundred (experience with the made-up workshops, no source).
MISSED: Final = 0.4
STRAY: Final = 0.02
BEFOREHAND: Final[Mapping[str, float]] = {
    "flow_meter": 0.05, "cavity_thickness": 0.08, "fabric_pack": 0.06, "laying": 0.05, "gel_coat": 0.05, "core": 0.03,
    "runner_or_hose": 0.015, "line": 0.05, "resin_past_seal": 0.015, "temperature": 0.03, "resin_viscosity": 0.08,
    "cavity_supply": 0.05, "cavity_fittings": 0.03, "catalyst_pump": 0.02, "overflow": 0.05, "clamp_seals": 0.05,
}  # fmt: skip
"""Chances of causes where only moved measures speak: those of the comparison of volumes, and like ones (experience)."""
LOOKED_INTO: Final = ("permeability_m2", "mobility_m2_pa_s", "fill_time_s", *VOLUMES)
LEFT_OVER: Final = 0.3
"""What the chance of a cause is worth where the comparison of volumes, which has weights and other moulds to go by,
looked into what moved and named none: of 13 such causes in 80 made-up workshops one was right, where 5 were expected
(seeds of their own, none of a study's)."""
UNNAMED: Final = 0.02
"""Chance of a cause that stands in no list."""


@dataclass
class Matter:
    """Statements of one change and what is behind it. chances: of causes, the likeliest first."""

    statements: list[Statement] = field(default_factory=list)
    chances: dict[str, float] = field(default_factory=dict)

    @property
    def lead(self) -> Statement:
        """The statement that speaks for it: the one nearest to the root of the change, then the gravest."""
        order = {"clamp_watch": 0, "seal_watch": 1, "volume_cause": 2}
        return min(
            self.statements,
            key=lambda s: (
                not s.principal,
                s.single,
                s.weak,
                order.get(s.analysis, 3),
                -SEVERITIES.index(s.severity),
                -len(s.anchors),
                s.at,
            ),
        )

    @property
    def span(self) -> tuple[int, int]:
        """First and last shot (places) that it concerns."""
        return min(s.at for s in self.statements), max(s.end for s in self.statements)


def together(a: Statement, b: Statement) -> bool:
    """Whether two may have begun together, or one within the other's course."""
    (a_low, a_high), (b_low, b_high) = _begin(a), _begin(b)
    return a_low - NEAR <= b_high and b_low - NEAR <= a_high


def _begin(s: Statement) -> tuple[int, int]:
    """The span of places where it may have begun, of a trend its whole course."""
    return min(s.low, s.at), max(s.high, s.end if s.trend else s.high)


def explained(s: Statement, cause: str) -> float:
    """How far a cause explains a statement: the chance its analysis gave, else by what the cause moves."""
    if s.causes:
        return max((p for c, p in s.causes.items() for one in c.split(" or ") if one in through(cause)), default=0.0)
    if s.single:
        return 1.0 if any(s.about in CAUSES[c].shows_as for c in through(cause) if c in CAUSES) else 0.0
    return 0.0 if moves(cause, s.about) is None else 1.0


def candidates(s: Statement) -> set[str]:
    """Causes that may be behind a statement."""
    if s.causes:
        named = {one for c, p in s.causes.items() if p > ASIDE for one in c.split(" or ")}
        return named | {c for c in CAUSES if set(CAUSES[c].brings) & named}
    return {c for c in CAUSES if explained(s, c) > ASIDE}


def one_change(a: Statement, b: Statement) -> bool:
    """Whether two statements that looked into causes speak of one change."""
    if a.about == b.about == CLAMP_LEAK and a.analysis == b.analysis and _beside(*sorted((a, b), key=lambda s: s.at)):
        return True
    if not together(a, b):
        return False
    if a.analysis == b.analysis == "volume_cause":
        # Two comparisons of one history are two changes, but for one that goes on.
        first, second = sorted((a, b), key=lambda s: s.at)
        return _top(first) == _top(second) and first.sign == second.sign and (first.trend or second.trend)
    return any(min(explained(a, c), explained(b, c)) > 0.2 for c in candidates(a) & candidates(b))


def _beside(first: Statement, second: Statement) -> bool:
    """Whether two statements of one clamp channel are of one leak: begun together, or the one in the other's course and
    not sure by itself. Which of its seals it is, is in doubt from shot to shot."""
    unsure = max(second.causes.values(), default=0.0) < SURE_SEAL
    return together(first, second) or (unsure and second.at <= first.end + NEAR)


def _top(s: Statement) -> str:
    return max(s.causes, key=lambda c: s.causes[c], default="")


def group(statements: Sequence[Statement], events: Mapping[int, Mapping[str, float]]) -> list[Matter]:
    """All statements of a mould as matters.

    events: place of the first shot after an event -> causes that it makes likelier, and how many times the odds.
    """
    made = _principals([s for s in statements if s.principal])
    loose: list[Statement] = []
    for s in (s for s in statements if not s.principal and not s.single):
        home = _home(s, made)
        if home is None:
            loose.append(s)
        else:
            home.statements.append(s)
    made += _by_date(loose)
    for m in made:
        m.chances = chances(m, [s for s in statements if not s.single], events)
    singles = []
    for s in (s for s in statements if s.single):
        home = _home_of_single(s, made)
        if home is None:
            singles.append(Matter([s]))
        else:
            home.statements.append(s)
    return sorted([*made, *singles], key=lambda m: m.span)


def _principals(principal: Sequence[Statement]) -> list[Matter]:
    made: list[Matter] = []
    for s in sorted(principal, key=lambda s: (s.at, s.about)):
        mates = [m for m in made if any(one_change(s, t) for t in m.statements)]
        joined = Matter([s])
        for m in mates:
            joined.statements = [*m.statements, *joined.statements]
            made.remove(m)
        made.append(joined)
    return made


def _home(s: Statement, made: Sequence[Matter]) -> Matter | None:
    """The matter that a moved measure bears witness to: the likeliest explanation, then the nearest date."""
    best: tuple[float, Matter] | None = None
    for m in made:
        near = [t for t in m.statements if t.principal and together(s, t) and _not_before(s, t)]
        if not near or (s.went_back and not any(t.went_back for t in near)):
            continue
        bears = max(
            (_fits(s, t, c) * (t.causes.get(c, 0.0) or explained(t, c)) for t in near for c in candidates(t)),
            default=0.0,
        )
        if bears > 0.05:
            apart = min(abs(s.at - t.at) for t in near)
            score = bears - 0.01 * apart
            if best is None or score > best[0]:
                best = (score, m)
    return best[1] if best else None


def _not_before(witness: Statement, principal: Statement) -> bool:
    """Whether a witness may have begun with it; a leak is told once it passes a limit, long after it began to grow."""
    if principal.about.startswith("leak") and same_measure(witness.about, principal.about):
        return True
    return _begin(witness)[1] >= min(principal.low, principal.at) - NEAR


def _fits(witness: Statement, principal: Statement, cause: str) -> float:
    """1 where a moved measure is what the cause would do, given which way the principal has the cause go."""
    if same_measure(witness.about, principal.about):
        return 1.0 if witness.sign == principal.sign else 0.0
    way, own = moves(cause, witness.about), went(principal, cause)
    if way is None:
        return 0.0
    if way == 0 or own == 0:
        return 0.6
    return 1.0 if way * own == witness.sign else 0.0


def went(s: Statement, cause: str) -> int:
    """Which way a statement has a cause go: 1 more, -1 less, 0 not known; by the cause's own litres where told."""
    for r in s.more.get("rows", ()):
        if cause in r["cause"].split(" or ") and cause in CAUSES:
            return int(np.sign(r["change_l"])) * CAUSES[cause].moves.get("arrival_volume_l", 1)
    return s.sign * (moves(cause, s.about) or 0)


def _by_date(loose: Sequence[Statement]) -> list[Matter]:
    """Measures that moved together and that no analysis looked into."""
    made: list[Matter] = []
    for s in sorted(loose, key=lambda s: (s.weak, s.at)):
        mate = next((
            m for m in made
            if any(together(s, t) and _end_alike(s, t) and candidates(s) & candidates(t) for t in m.statements)
        ), None)  # fmt: skip
        if mate is None:
            made.append(Matter([s]))
        else:
            mate.statements.append(s)
    return made


def _end_alike(a: Statement, b: Statement) -> bool:
    """Whether both stand, or both ended at about the same shot: what one cause brought ends with it."""
    if (a.ended is None) != (b.ended is None):
        return False
    return a.ended is None or abs(a.end - b.end) <= NEAR


def _home_of_single(s: Statement, made: Sequence[Matter]) -> Matter | None:
    """The matter in whose course a shot went odd the way its cause makes shots odd."""
    for m in made:
        leads = [t for t in m.statements if t.principal]
        if not leads:
            continue
        first, last = min(t.low for t in leads), max(t.end for t in leads)
        cause = next(iter(m.chances), "")
        if first - 1 <= s.at and s.end <= max(last, first) + NEAR and any(explained(s, c) for c in cause.split(" or ")):
            return m
    return None


def chances(
    m: Matter, all_statements: Sequence[Statement], events: Mapping[int, Mapping[str, float]]
) -> dict[str, float]:
    """Chances of what is behind a matter, the likeliest first.

    Where an analysis looked into causes its chances stand, and its root goes before what follows from it; where only
    measures moved, each cause is weighed by those that moved and those that ought to have and did not.
    """
    roots = [s for s in m.statements if s.principal and s.causes]
    if roots:
        return _by_roots(roots, m.lead)
    moved = [s for s in m.statements if not s.single]
    return _by_moves([s for s in moved if not s.weak] or moved, events)


def _by_roots(roots: Sequence[Statement], lead: Statement) -> dict[str, float]:
    """Those that explain what leads go before those of another change that fell to the same shots."""
    said: dict[str, float] = {}
    for s in sorted(roots, key=lambda s: (-SEVERITIES.index(s.severity), -len(s.anchors))):
        for c, p in s.causes.items():
            said[c] = max(said.get(c, 0.0), p)
    # What follows from another cause of the same matter is not its root.
    for c in list(said):
        ahead = [r for r in said if c in through(r)[1:] and said[r] > ASIDE]
        if ahead:
            said[c] *= 1.0 - max(said[r] for r in ahead)
    if {"outer_seal", "inner_seal"} & set(said):
        said.pop("clamp_seals", None)

    def far(cause: str) -> bool:
        return not any(explained(lead, one) > ASIDE for one in cause.split(" or "))

    return dict(sorted(said.items(), key=lambda kv: (far(kv[0]), -kv[1])))


def strongest(said: Iterable[Mapping[str, float]]) -> dict[str, float]:
    """What events make each cause likelier by, at most; 1 or more."""
    able: dict[str, float] = {}
    for causes in said:
        able |= {c: max(by, able.get(c, 1.0)) for c, by in causes.items()}
    return able


def _by_moves(moved: Sequence[Statement], events: Mapping[int, Mapping[str, float]]) -> dict[str, float]:
    first = min(s.low for s in moved) - NEAR
    last = max(s.high for s in moved) + 1
    able = strongest(causes for place, causes in events.items() if first <= place <= last)
    weight: dict[str, float] = {"": UNNAMED * STRAY ** len(moved)}
    for cause, prior in BEFOREHAND.items():
        best = -np.inf
        for way in (1, -1):
            score = 0.0
            for s in moved:
                sign = moves(cause, s.about)
                if sign is None:
                    score += np.log(STRAY)
                elif sign == 0 or s.sign == 0:
                    score += np.log(0.5)
                else:
                    score += np.log(1.0 - MISSED) if sign * way == s.sign else np.log(STRAY)
            seen = {s.about for s in moved}
            missed = [a for a in CAUSES[cause].moves if not any(same_measure(a, b) for b in seen)]
            groups = len({("volume" if same_measure(a, "arrival_volume_l") else a) for a in missed})
            best = max(best, score + groups * np.log(MISSED))
        weight[cause] = prior * able.get(cause, 1.0) * float(np.exp(best))
    total = sum(weight.values()) / (LEFT_OVER if any(s.about in LOOKED_INTO for s in moved) else 1.0)
    named = {c: w / total for c, w in weight.items() if c and w / total > ASIDE}
    return dict(sorted(named.items(), key=lambda kv: -kv[1])) or {"": 1.0}
