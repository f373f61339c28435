"""Where the flow is not known during an injection, and within which bounds its volume then lies.

A straight line over a short gap is worth more than the meter's own error. Over a long one it makes volume up: a logger
that was restarted, or one that leaves unchanged readings blank, would put in litres that nobody metered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from catchpot.channels import BY_NAME
from catchpot.ingest.segments import Samples

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Up to this share of the injection's time may be bridged; flow meters of the trade are good to about that (1-2 % of
# reading is a common data sheet value; common practice, no source).
BRIDGED_SHARE = 0.02
# A wait between two samples that is longer than this many usual ones, and than this time, is a gap and no jitter.
GAP_STEPS, GAP_S = 5.0, 2.0
# Flow that is first seen at more than this share of its peak, right after a gap, was under way before.
_UNDER_WAY = 0.3


@dataclass(frozen=True)
class Unknown:
    """Of one shot: share of the injection's time without flow readings, and what was injected at least and at most, l.

    at most: had the flow been, wherever it is not known, the highest that was logged.
    """

    share: float
    low_l: float
    high_l: float

    def sentence(self) -> str:
        """Why there is no volume."""
        return (
            f"flow is missing over {100 * self.share:.0f} % of the injection (more than {100 * BRIDGED_SHARE:.0f} %): "
            f"{self.low_l:.2f} to {self.high_l:.2f} l were injected"
        )


def possible(flow: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Where a flow reading is one that a sound meter can give."""
    channel = BY_NAME["flow_l_min"]
    with np.errstate(invalid="ignore"):
        return np.asarray((flow >= channel.low) & (flow <= channel.high))


def unknown_volumes(
    samples: Samples, first: NDArray[np.int64], last: NDArray[np.int64], counted: Sequence[bool]
) -> Mapping[int, Unknown]:
    """Shots whose injected volume is not known, by their place in the batch.

    first, last: rows of each injection, first < 0 without one. counted: shots whose volume a counter tells, whatever
    happened between two samples.
    """
    flow = samples.columns.get("flow_l_min")
    if flow is None:
        return {}
    t, volume = samples.columns["t_s"], samples.columns["vol_l"]
    good = possible(flow)
    wide = np.diff(t, prepend=0.0) > _widest(samples)[samples.shot_of]
    suspect = (~good | wide) & ~_starts(samples)
    found = {}
    for shot in np.unique(samples.shot_of[suspect]).tolist():
        a, b = int(first[shot]), int(last[shot])
        if a < 0 or b <= a or counted[shot]:
            continue
        rows = samples.rows(shot)
        known = np.flatnonzero(good[rows]) + rows.start
        if not len(known):
            continue
        from_row, to_row = known[:-1], known[1:]
        wait = t[to_row] - t[from_row]
        lost = np.where((to_row - from_row > 1) | (wait > _widest(samples)[shot]), wait - samples.step_s[shot], 0.0)
        inside = (from_row >= a) & (to_row <= b)
        peak = float(np.max(flow[a : b + 1][good[a : b + 1]], initial=0.0))
        before = (to_row == a) & (flow[to_row] > _UNDER_WAY * peak) & (wait > _widest(samples)[shot])
        lost = np.where(inside | before, np.maximum(lost, 0.0), 0.0)
        total = float(lost.sum())
        share = total / float(t[b] - t[a] + lost[before].sum())
        if share <= BRIDGED_SHARE:
            continue
        bridged = float((volume[to_row] - volume[from_row])[inside & (lost > 0)].sum())
        least = max(float(volume[b] - volume[a]) - bridged, 0.0)
        spans = float(wait[(inside | before) & (lost > 0)].sum())
        found[shot] = Unknown(share, least, least + spans * peak / 60.0)
    return found


def _widest(samples: Samples) -> NDArray[np.float64]:
    return np.maximum(GAP_STEPS * samples.step_s, GAP_S)


def _starts(samples: Samples) -> NDArray[np.bool_]:
    at = np.zeros(len(samples.shot_of), bool)
    at[samples.starts] = True
    return at


__all__ = ["BRIDGED_SHARE", "GAP_S", "GAP_STEPS", "Unknown", "possible", "unknown_volumes"]
