"""Changes of a long series, found window by window, so that a new shot has only the newest window searched again.

The search is quadratic in its length. Windows of `WINDOW` shots begin every half window, at places that do not move;
what a window says stands once it is full. Where two overlap, each speaks for its middle half.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

from catchpot.stats.changed_levels import Call
from catchpot.stats.segments import Least

WINDOW: Final = 240
"""Shots of a window: four times the histories whose false calls the limits were simulated on."""
HALF: Final = WINDOW // 2
QUARTER: Final = WINDOW // 4


def begins(n: int) -> range:
    """Where the windows of a series of n shots begin; the last one may be part full.

    >>> list(begins(240)), list(begins(241)), list(begins(500))
    ([0], [0, 120], [0, 120, 240, 360])
    """
    return range(0, max(n - WINDOW, 0) + HALF, HALF)


def joined(n: int, called: Callable[[int, int], Sequence[Call]]) -> list[Call]:
    """The changes of a series of n shots in time order, each once.

    called: the changes of the window of the shots [begin, end), places counted from its begin; a call at 0 is a slope
    from the first shot on.

    A change in the middle half of a window is taken from that window; one that lies about the border of two middle
    halves from either. Whether it is a step or a trend says the later window, which sees more of what follows. A trend
    that goes on from one window into the next is one trend, and ends where the later one sees the next change; where
    that sees nothing at all, at the later one's begin.
    """
    found: list[Call] = []
    for begin in begins(n):
        end = min(begin + WINDOW, n)
        low = begin + QUARTER if begin else 0
        high = begin + HALF + QUARTER if end < n else n
        own = [_moved(c, begin) for c in called(begin, end)]
        ends_first = False
        if begin:
            trending = bool(found) and found[-1].kind == "trend" and found[-1].at < begin
            if trending:
                goes_on = bool(own) and own[0].kind == "trend" and own[0].at < low
                own = own[1:] if goes_on else own or [_ended(found[-1], begin)]
                ends_first = bool(own)
            elif own and own[0].at == begin:
                own = [*_entered(own[0], found, own[1].at if len(own) > 1 else end, begin, low), *own[1:]]
        for i, c in enumerate(own):
            same = [k for k, f in enumerate(found) if _same(c, f)]
            if same and begin:
                if c.at >= begin + Least().first:
                    found[same[-1]] = replace(found[same[-1]], kind=c.kind)
            elif c.at < high and (not begin or c.high >= low or (i == 0 and ends_first)):
                on_a_trend = bool(found) and found[-1].kind == "trend"
                found.append(replace(c, ends_trend=c.ends_trend and on_a_trend))
    return sorted(found, key=lambda c: c.at)


def _moved(c: Call, by: int) -> Call:
    return replace(c, at=c.at + by, low=c.low + by, high=c.high + by, seen=c.seen + by)


def _same(a: Call, b: Call) -> bool:
    """Whether two windows may speak of one change: their dates' intervals touch."""
    return a.low <= b.high and b.low <= a.high


def _ended(trend: Call, begin: int) -> Call:
    """The end of a trend that a window does not see any more."""
    at = max(begin, trend.at + Least().ramp)
    return Call(at, at, at, max(at, trend.seen), "step", trend.rho, ends_trend=True)


def _entered(into: Call, found: Sequence[Call], until: int, begin: int, low: int) -> list[Call]:
    """The trend that a window begins in and no earlier one saw, if it lasts into the window's own half (until: where it
    ends) and nothing changed shortly before; it began a quarter of a window before or after."""
    if until < low or (found and found[-1].at >= begin - QUARTER):
        return []
    return [replace(into, low=begin - QUARTER, high=low)]


__all__ = ["WINDOW", "begins", "joined"]
