"""What could not be looked at, and why: "no finding" is not "in order"."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from catchpot import Refused

if TYPE_CHECKING:
    from catchpot_faults.judge import Judged
    from catchpot_faults.shots import Shots


def not_assessed(shots: Shots, judged: Judged, first: int = 0) -> list[Refused]:
    """One row a shot and matter, in the order of the shots, without the first ones."""
    number, curve = shots.number, shots.curve
    few = judged.usual_shots
    out: list[Refused] = []
    no_place = ~np.isfinite(judged.aligned.place_l)
    no_catalyst = _never(curve["catalyst_flow_ml_min"])
    no_ratio = ~np.isfinite(number["ratio.setting"])
    no_clamp = _never(curve["clamp_pressure_mbar"])
    no_gap = _never(curve["flange_gap_mm"])
    no_rest = ~np.isfinite(number["cavity_rest_mbar"])
    no_barometer = ~np.isfinite(number["ambient_logged_mbar"])
    for i in range(first, len(shots)):
        shot = shots.shot[i]
        if few[i] < 1:
            reason = (
                "no healthy shot of this mould before it, or too few readings: what a curve alone shows (race track, "
                "restriction, gel, unusual shape) was not looked for"
            )
            out.append(Refused(shot, "faults.usual_curve", reason))
        if no_place[i]:
            reason = "it is not known where on this mould's curve resin arrives: see fill.arrival_volume_l"
            out.append(Refused(shot, "faults.short_fill and overfill", reason))
        if no_catalyst[i]:
            out.append(Refused(shot, "faults.ratio_off", "catalyst ratio not assessed: no catalyst flow logged"))
        elif no_ratio[i]:
            out.append(Refused(shot, "faults.ratio_off", "catalyst ratio not assessed: the mould book names no ratio"))
        if no_clamp[i]:
            out.append(Refused(shot, "faults.clamp_margin_low", "clamp not assessed: no clamp pressure logged"))
        if no_gap[i]:
            reason = "flange gap not logged: a lifting cover shows in the resistance only"
            out.append(Refused(shot, "faults.cover_lifting", reason))
        if no_rest[i]:
            reason = "cavity gauge not checked at ambient: the log begins with the cavity already evacuated"
            out.append(Refused(shot, "faults.sensor_offset", reason))
        elif no_barometer[i]:
            reason = "no barometer logged: an offset of the cavity gauge smaller than the weather's changes is not seen"
            out.append(Refused(shot, "faults.sensor_offset", reason))
    return out


def _never(channel: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.asarray(~np.isfinite(channel).any(axis=1))


__all__ = ["not_assessed"]
