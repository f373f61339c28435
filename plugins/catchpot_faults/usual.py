"""What a mould's usual shot is, at any shot's time, from the healthy shots before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.shape import nan_median, robust_band
from catchpot_faults.compare import EARLY, LATE, level
from catchpot_faults.curves import GRID, Shots

Floats = NDArray[np.float64]

LEAST_SHOTS = 8
"""Healthy shots from which on there is a usual curve."""
MOST_SHOTS = 40
"""The usual curve forgets what lies further back, so that wear and season move it along."""
BATCH_SD, BATCH_SD_KNOWN, PACK_SD, SERVICE_SD = 0.10, 0.04, 0.05, 0.05
"""How far the level of the resistance may move (s.d. of its log) when a resin batch of unknown or of measured
viscosity, a fabric batch, or a service comes between: common practice, +-10-20 % for a resin batch."""
LEVEL_FLOOR, LEAN_FLOOR, ARRIVAL_FLOOR, OVER_FLOOR = 0.03, 0.004, 0.007, 0.008


@dataclass(frozen=True)
class Expected:
    """A value expected of the next shot and the s.d. a healthy one may have about it."""

    value: float
    sd: float

    def off(self, seen: float) -> float:
        """How many s.d. a value lies off; 0 where it is unknown."""
        return (seen - self.value) / self.sd if np.isfinite(seen) and np.isfinite(self.value) else 0.0


@dataclass(frozen=True)
class Usual:
    """The usual shot. resistance, cavity (minus its start), low, high: on GRID. early, late, tilt: log level expected.

    arrival_l: usual arrival volume; arrival: the log of a shot's own over it. injected: log of the injected volume over
    its usual one. arrivals_seen: share of the healthy shots whose arrival could be found, arrivals_lately of
    the last five. clamp_lately: from the last four shots. share_l: of GRID.
    of_programmed: log of the injected volume over the programmed one. past_l: what goes through the vent by the weighed
    catch pots. over: share past the vent as each shot was judged. Shots called overfilled say nothing of the volumes
    usually injected.
    """

    shots: int
    share_l: float
    resistance: Floats
    low: Floats
    high: Floats
    cavity: Floats
    early: Expected
    late: Expected
    tilt: Expected
    arrival_l: float
    arrival: Expected
    arrivals_seen: float
    arrivals_lately: float
    overflow: Expected
    injected_l: float
    injected: Expected
    injected_lately: Expected
    clamp_margin: Expected
    clamp_mbar: Expected
    clamp_lately: Expected
    line_rest: Expected
    cavity_rest: Expected
    slugs: float
    left: float
    step_gain: float
    gap_rise: Expected
    end_growth: Expected
    of_programmed: Expected
    catch_pot_l: float
    past_l: float
    not_in_part_l: float
    over: Expected


def spread(values: Floats, floor: float) -> float:
    """Robust s.d. from shot to shot: the larger of that about the median and that of successive differences."""
    x = values[np.isfinite(values)]
    if len(x) < 4:
        return max(floor, 2 * floor)
    about = float(1.4826 * np.median(np.abs(x - np.median(x)))) * len(x) / (len(x) - 0.8)
    steps = float(1.4826 * np.median(np.abs(np.diff(x)))) / np.sqrt(2.0)
    return float(max(about, steps, floor))


def expect(values: Floats, floor: float, fresh: int | None = None, moved_sd: float = 0.0, recent: int = 12) -> Expected:
    """What the next shot's value should be, from the healthy ones before it (in time order).

    fresh: how many of the last values came after the latest change that may have moved the level by `moved_sd`.
    The level before the change and the values after it are weighed by what each leaves open.
    """
    x = values[np.isfinite(values)]
    if len(x) < 3:
        return Expected(float("nan"), float("inf"))
    sd = spread(x[-MOST_SHOTS:], floor)
    if fresh is None or moved_sd <= 0:
        last = x[-recent:]
        return Expected(float(np.median(last)), sd * np.sqrt(1 + 1.57 / len(last)))
    new, old = (x[-fresh:] if fresh else x[:0])[-recent:], (x[:-fresh] if fresh else x)[-recent:]
    weight_old = 1 / (moved_sd**2 + 1.57 * sd**2 / len(old)) if len(old) else 0.0
    weight_new = len(new) / (1.57 * sd**2)
    total = max(weight_old + weight_new, 1e-12)
    middle = weight_old * (float(np.median(old)) if len(old) else 0.0)
    middle = (middle + weight_new * (float(np.median(new)) if len(new) else 0.0)) / total
    return Expected(float(middle), float(np.sqrt(sd**2 + 1 / total)))


def lately(values: Floats, floor: float) -> Expected:
    """What the next value should be from the last four, with the scatter from one shot to the next.

    For what people set by hand, shot after shot: it wanders, and a jump stands out from its steps.
    """
    x = values[np.isfinite(values)]
    if len(x) < 6:
        return Expected(float("nan"), float("inf"))
    step = float(1.4826 * np.median(np.abs(np.diff(x[-MOST_SHOTS:]))))
    return Expected(float(np.median(x[-4:])), max(step, floor))


def usual_of(
    shots: Shots, healthy: NDArray[np.intp], moved: tuple[int | None, float], kept: dict[str, Floats]
) -> Usual:
    """The usual shot for the next one.

    healthy: numbers of the healthy shots before it, in order. moved: how many of them came after the latest change,
    and how far that may have moved the level. kept: evidence of earlier shots by name (shots,).
    """
    refs = healthy[-MOST_SHOTS:]
    number = shots.number
    arrivals = number["arrival_volume_l"][refs]
    seen = np.isfinite(arrivals)
    usual_volume = _not_overfilled(kept["overfilled"][refs])
    injected = np.where(usual_volume, number["injected_volume_l"][refs], np.nan)
    injected_l = float(nan_median(injected[-12:])) if len(refs) else float("nan")
    arrival_l = float(np.median(arrivals[seen][-20:])) if seen.sum() >= 4 else float("nan")
    share_l = arrival_l if np.isfinite(arrival_l) else injected_l
    fresh, moved_sd = moved
    fresh_seen = None if fresh is None else int(seen[-fresh:].sum()) if fresh else 0
    none = np.full(len(GRID), np.nan)
    if len(refs) >= LEAST_SHOTS:
        curves = shots.on_share(shots.resistance, share_l, refs)
        band = robust_band(curves)
        enough = band.count >= np.maximum(4, len(refs) // 2)
        usual = np.where(enough, band.centre, np.nan)
        low, high = (np.where(enough, np.maximum(edge, 0.0), np.nan) for edge in band.edges(0.95))
        ratio = curves / usual
        early, late = level(ratio, *EARLY), level(ratio, *LATE)
        expected = [
            expect(early, LEVEL_FLOOR, fresh, moved_sd),
            expect(late, LEVEL_FLOOR, fresh, moved_sd),
            expect(late - early, LEAN_FLOOR),
        ]
        cavity = shots.on_share(shots.curve["cavity_pressure_mbar"], share_l, refs)
        cavity = nan_median(cavity - _start(cavity)[:, None], axis=0)
    else:
        usual = low = high = cavity = none
        expected = [Expected(float("nan"), float("inf"))] * 3
    log_arrival = np.log(arrivals / arrival_l) if np.isfinite(arrival_l) else np.full(len(refs), np.nan)
    log_injected = np.log(injected / injected_l) if np.isfinite(injected_l) else np.full(len(refs), np.nan)
    margin, clamp = number["clamp_margin_n"], kept["clamp_start_mbar"]

    def usual_number(values: Floats, floor: float) -> Expected:
        return expect(values[refs], floor)

    slugs = number["slugs"][refs]
    return Usual(
        shots=len(refs),
        share_l=share_l,
        resistance=usual,
        low=low,
        high=high,
        cavity=cavity,
        early=expected[0],
        late=expected[1],
        tilt=expected[2],
        arrival_l=arrival_l,
        arrival=expect(log_arrival, ARRIVAL_FLOOR, fresh_seen, min(moved_sd, 0.02)),
        arrivals_seen=float(seen.mean()) if len(refs) else 0.0,
        arrivals_lately=float(seen[-5:].mean()) if len(refs) else 0.0,
        overflow=expect(number["overflow_l"][refs] / arrival_l, ARRIVAL_FLOOR),
        injected_l=injected_l,
        injected=expect(log_injected, ARRIVAL_FLOOR),
        injected_lately=lately(log_injected, ARRIVAL_FLOOR),
        clamp_margin=usual_number(margin, 1.0),
        clamp_mbar=usual_number(clamp, 3.0),
        clamp_lately=lately(clamp[refs], 3.0),
        line_rest=usual_number(number["line_rest_bar"], 0.002),
        cavity_rest=usual_number(kept["cavity_rest_off_mbar"], 1.0),
        slugs=float(nan_median(slugs)) if len(refs) >= LEAST_SHOTS and np.isfinite(slugs).any() else 0.0,
        left=_high(kept["left"][refs]),
        step_gain=_high(kept["step_gain"][refs]),
        gap_rise=usual_number(kept["gap_rise_mm"], 0.02),
        end_growth=usual_number(kept["end_growth"], 0.1),
        catch_pot_l=float(nan_median(number["catch_pot_l"][refs[-12:]])) if len(refs) else float("nan"),
        past_l=_known_median(number["past_l"][refs][usual_volume]),
        not_in_part_l=_known_median(number["not_in_part_l"][refs][usual_volume]),
        over=expect(kept["over"][refs][usual_volume], OVER_FLOOR),
        of_programmed=usual_number(np.log(number["injected_volume_l"] / number["programmed_volume_l"]), 0.005),
    )


def _not_overfilled(overfilled: Floats) -> NDArray[np.bool_]:
    """Shots that show the volume usually injected; all of them where the last twelve were overfilled for the most part:
    then that is the setting."""
    sound = ~(overfilled > 0)
    return sound if sound[-12:].sum() > 6 or len(sound) < LEAST_SHOTS else np.ones(len(sound), bool)


def _known_median(values: Floats) -> float:
    """Median of the last twelve that are known; NaN of fewer than four."""
    known = values[np.isfinite(values)][-12:]
    return float(np.median(known)) if len(known) >= 4 else float("nan")


def _high(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.quantile(known, 0.8)) if len(known) else float("nan")


def _start(cavity: Floats) -> Floats:
    """Median over the first tenth of the usual arrival volume (rows,)."""
    return nan_median(cavity[:, GRID < 0.1])


__all__ = ["LEAST_SHOTS", "MOST_SHOTS", "Expected", "Usual", "expect", "spread", "usual_of"]
