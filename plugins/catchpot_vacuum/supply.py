"""Whether a move of a mould's vacuum is its source's: by the other moulds that the same pump draws. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

SHARED: Final = 0.5
"""Share of weakened supplies that are common to all moulds of a source (pump, filter, main line) and not the branch of
one (valve, hose, gauge); common practice, no source."""
GOES_WITH: Final = 0.9
"""Chance that a mould drawn by a source that changed shows it."""
BY_ITSELF: Final = 0.05
"""Chance that a mould's vacuum moves the same way at the same time by itself."""
SUREST: Final = 0.99


@dataclass(frozen=True)
class Move:
    """A move of one mould's vacuum: the span it may have begun in, its last shot, and which way (mbar)."""

    mould: str
    low: datetime
    high: datetime
    until: datetime
    change: float


@dataclass(frozen=True)
class Shared:
    """What a source's other moulds say of a move. moved: those that moved with it; compared: those shot before and in
    its course, moved ones among them; common: chance that the source itself is behind it; supply: that the source or
    the mould's own branch of it is."""

    moved: tuple[str, ...]
    compared: int
    common: float
    supply: float


def shared(move: Move, others: list[Move], compared: list[str], supply: float) -> Shared:
    """Weigh a move by the other moulds of its source.

    others: moves of those. compared: names of those that were shot before it and in its course. supply: chance that it
    is the supply and no seal, by what is known of the mould alone.

    >>> day = lambda d: datetime(2026, 3, d)
    >>> m = Move("a", day(5), day(6), day(20), 60.0)
    >>> round(shared(m, [Move("b", day(4), day(8), day(20), 50.0)], ["b"], 0.5).supply, 2)
    0.9
    >>> alone = shared(m, [], ["b", "c"], 0.9)
    >>> alone.common < 0.05, 0.8 < alone.supply < 0.9
    (True, True)
    """
    with_it = sorted({
        o.mould for o in others
        if o.mould in compared and o.change * move.change > 0 and o.low <= move.high and move.low <= o.high
    })  # fmt: skip
    k, n = len(with_it), len(compared)

    def told(each: float) -> float:
        return float(each**k * (1.0 - each) ** (n - k))

    common = supply * SHARED * told(GOES_WITH)
    branch = supply * (1.0 - SHARED) * told(BY_ITSELF)
    own = (1.0 - supply) * told(BY_ITSELF)
    total = common + branch + own
    either = float(np.clip((common + branch) / total, 1.0 - SUREST, SUREST))
    return Shared(tuple(with_it), n, min(common / total, SUREST), either)


__all__ = ["Move", "Shared", "shared"]
