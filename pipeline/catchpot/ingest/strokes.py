"""A stroke counter in the place of a flow meter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from catchpot.ingest.reader import Remark

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A wait between strokes longer than this many usual ones is a pause: no resin is thought to have moved in it.
_PAUSE = 3.0


def from_strokes(
    t_s: NDArray[np.float64], strokes: NDArray[np.float64], stroke_volume_ml: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[Remark]]:
    """Flow (l/min) and running volume (l) of one shot from its stroke counter.

    t_s: ascending times. strokes: count so far, NaN where not read. The volume is the count times the stroke volume.
    The flow of a stroke is spread evenly over the time since the stroke before it; of the first stroke, and after a
    pause, over a usual wait. A counter that falls has been reset and goes on from 0.

    >>> flow, volume, _ = from_strokes(np.array([0., 1., 2., 3.]), np.array([0., 1., 2., 3.]), 50.0)
    >>> volume.tolist(), flow.tolist()
    ([0.0, 0.05, 0.1, 0.15000000000000002], [0.0, 3.0, 3.0, 3.0])
    """
    remarks = [
        Remark(
            "strokes_stand_in", f"flow and volume come from the strokes, {stroke_volume_ml:g} ml each", "pump_strokes"
        )
    ]
    known = np.flatnonzero(~np.isnan(strokes))
    if not len(known):
        return np.zeros(len(t_s)), np.zeros(len(t_s)), remarks
    count = strokes[np.maximum.accumulate(np.where(np.isnan(strokes), known[0], np.arange(len(strokes))))]
    step = np.diff(count, prepend=count[0])
    resets = int((step < 0).sum())
    if resets:
        remarks.append(
            Remark(
                "counter_reset",
                f"the stroke counter fell {resets} times and was taken as reset",
                "pump_strokes",
                0,
                resets,
            )
        )
        step = np.where(step < 0, count, step)
    litres = step * stroke_volume_ml / 1000.0
    volume = np.cumsum(litres)
    at = np.flatnonzero(step > 0)
    flow = np.zeros(len(t_s))
    if not len(at):
        return flow, volume, remarks
    waits = np.diff(t_s[at])
    usual = float(np.median(waits)) if len(waits) else float(np.median(np.diff(t_s))) if len(t_s) > 1 else 1.0
    spread = np.minimum(np.concatenate(([usual], waits)), _PAUSE * usual)
    spread = np.where(np.concatenate(([usual], waits)) > spread, usual, spread)
    begin = np.searchsorted(t_s, t_s[at] - spread, side="right")
    begin = np.minimum(begin, at)
    ahead = np.where(begin > 0, t_s[np.maximum(begin - 1, 0)], t_s[0] - usual)
    rate = litres[at] / (t_s[at] - ahead) * 60.0
    edges = np.zeros(len(t_s) + 1)
    np.add.at(edges, begin, rate)
    np.add.at(edges, at + 1, -rate)
    flow = np.cumsum(edges[:-1])
    return np.where(np.abs(flow) < 1e-9, 0.0, flow), volume, remarks
