"""Early gel: the resin thickens with time, whatever its place, from some moment on."""

from __future__ import annotations

import numpy as np

from catchpot.stats.healthy_curve import GRID
from catchpot_faults.found import GEL_CAUTION, Found, share_words
from catchpot_faults.hypothesis import Evidence, Look

STARTS = np.arange(0.1, 0.88, 0.06)
"""Where it may begin, as a share of the shot's own reach."""
GROWTH = np.geomspace(0.12, 4.0, 9)
"""Log of what it makes of the viscosity by the end of the shot."""


class EarlyGel:
    """Resistance grows exponentially with time (first-order cure far below its end), in this shot's own time."""

    name = "early_gel"
    channels = frozenset({"curve"})
    spoils: frozenset[str] = frozenset()
    one_in = 200.0
    settles = "Gel time of a cup of the same mix, at the same temperature."

    def evidence(self, look: Look) -> Evidence:
        """Growth with time from some moment on."""
        n = len(look.rows)
        if look.healthy is None:
            return Evidence({"curve": np.zeros(n)})
        time = np.nan_to_num(look.aligned.time_s[look.rows])
        last = np.where(look.known.any(axis=1), look.known.shape[1] - 1 - np.argmax(look.known[:, ::-1], axis=1), 0)
        end = GRID[last]
        begins = STARTS[None, :] * end[:, None]
        clock = np.stack([np.interp(b, GRID, t) for b, t in zip(begins, time, strict=True)])
        grown = np.maximum(time[:, None, :] - clock[:, :, None], 0.0)
        whole = np.maximum(time[np.arange(n), last][:, None] - clock, 1.0)
        grown = np.minimum(grown / whole[:, :, None], 1.5)
        ratio, which, step = look.curve_each(grown, GROWTH)
        row = np.arange(n)
        size = GROWTH[step]
        parameter = {"at": begins[row, which], "growth": size, "efold_s": whole[row, which] / size}
        return Evidence({"curve": ratio}, parameter, grown[row, which] * size[:, None])

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """From where, how fast, how far."""
        unit_l, arrival_l = float(look.unit_l[i]), float(look.arrival_l[i])
        at, growth = float(evidence.parameter["at"][i]), float(evidence.parameter["growth"][i])
        said = (
            f"From {share_words(at * unit_l, arrival_l)} on the resistance grew with time, e-fold in "
            f"{evidence.parameter['efold_s'][i]:.0f} s, to {np.exp(growth):.1f} times what the fill explains: the "
            "resin was thickening before it had arrived."
        )
        gel = float(look.number("book.gel_time_s")[i])
        if np.isfinite(gel):
            said += f" The mould book's gel time is {gel:.0f} s."
        advice = GEL_CAUTION + " Then check catalyst ratio, resin temperature and the age of the mix."
        return Found(self.name, "act", said, advice, at * unit_l)


__all__ = ["EarlyGel"]
