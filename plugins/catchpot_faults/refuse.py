"""What could not be looked at, and why: "no finding" is not "in order"."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from catchpot import Refused
from catchpot_faults.usual import LEAST_SHOTS

if TYPE_CHECKING:
    from catchpot_faults.curves import Shots
    from catchpot_faults.judge import Judged


def not_assessed(shots: Shots, judged: Judged) -> list[Refused]:
    """One row a shot and matter, in the order of the shots."""
    number, curve = shots.number, shots.curve
    few = judged.evidence["usual_shots"]
    whole = np.isfinite(judged.evidence["t2"])
    out: list[Refused] = []
    no_arrival = ~np.isfinite(judged.evidence["usual_arrival_l"])
    no_catalyst = _never(curve["catalyst_flow_ml_min"])
    no_ratio = ~np.isfinite(number["ratio.setting"])
    no_clamp = _never(curve["clamp_pressure_mbar"])
    no_gap = _never(curve["flange_gap_mm"])
    no_rest = ~np.isfinite(number["cavity_rest_mbar"])
    no_barometer = ~np.isfinite(number["ambient_logged_mbar"])
    for i, shot in enumerate(shots.shot):
        if few[i] < LEAST_SHOTS:
            reason = (
                f"only {few[i]:.0f} healthy shots of this mould before it (8 needed): no usual curve yet, so race "
                "tracks and unusual shapes were not looked for, other faults by physics alone"
            )
            out.append(Refused(shot, "faults.usual_curve", reason))
        elif not whole[i]:
            reason = "too few whole curves of this mould yet (14 needed), or a gauge or air spoilt this one"
            out.append(Refused(shot, "faults.unusual_shape", reason))
        if few[i] >= LEAST_SHOTS and no_arrival[i]:
            reason = (
                "the curve of this mould does not show when resin arrives at the vent: a short fill or an overfill is "
                "told by the volume usually injected alone, and only beyond its scatter from shot to shot"
            )
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
