"""What happened near a change and can have moved the measure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from catchpot.causes import can_move
from catchpot.happened import Happened


def nearest(
    happened: Sequence[Happened],
    measure: str,
    starts: Sequence[datetime],
    at: int,
    earliest: int,
    latest: int,
    reach: int,
) -> tuple[Happened, int] | None:
    """The event nearest to a change within reach that can move the measure, and how many shots came between.

    0 shots: the change is the first shot after it.

    starts: of the measure's shots. at, earliest, latest: first shot of the change and its interval. An event counts
    from `reach` shots before the date up to the date, or anywhere in the date's interval.
    """
    first = starts[max(0, min(at - reach, earliest - 1))]
    last = starts[latest]
    best: tuple[int, Happened] | None = None
    for event in happened:
        if not first <= event.at <= last or not (can_move(event.kind, measure) or measure == "injected_volume_l"):
            continue
        place = sum(s < event.at for s in starts)  # the first shot at or after the event
        if best is None or abs(at - place) <= abs(at - best[0]):
            best = (place, event)
    return (best[1], max(at - best[0], 0)) if best else None
