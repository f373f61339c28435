"""How much went in, against where on this mould's curve resin arrives: short fill, stop before the vent, overfill.

How far past the arrival a shot ended is how far its mould's shots usually end past it, and how far aside of them it
ended. The first is known within limits, by the curve and by what is common; the second is metered, and weighed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.report import words
from catchpot_faults.found import Found
from catchpot_faults.hypothesis import Evidence, Floats, Look

CHANNEL = "volume"
OVER = 0.09
"""Share of the arrival volume past the vent, beyond the bleed wanted, from which on it is an overfill."""
END_SD = 0.012
"""What a shot's own stretch leaves open of where it ended beside the usual end (two-dimensional plates)."""
CLOTH_SD = 0.008
"""Where resin arrives from shot to shot beside the stretch (two-dimensional plates)."""
FEWEST = 4
LEAST_PLACE_SD = 0.04
"""What is left open of the place of arrival at least: where the curve bends is read by a model of parts."""
FIRST_PLACE_SD = 0.055
"""The same of a mould's first shots: their curve is one or two shots' own (lanes and two-dimensional moulds)."""
USUALLY_PAST, USUALLY_PAST_SD = 0.05, 0.03
"""How far past arrival a mould's shots usually go (common practice, no source)."""
FIRST_PAST_SD = 0.10
"""The same of a single shot of a mould without a habit yet."""
LEAST_WITNESS = 0.5
"""Chance of an arrival by the curve from which on it is a witness."""
TO_POT = 1.2
"""Litres that go in past arrival for each that reaches the catch pot: the corners go on taking some."""
POT_SD, MASS_SD = 0.012, 0.02
"""What corners leave open of an arrival by the catch pot; pack and gel coat too where the part was weighed."""
LATELY = 20


@dataclass(frozen=True)
class Ends:
    """Where the shots of a look ended; all (shots,).

    past: log of the injected volume, bleed taken off, over the place of arrival; sd: of that. aside: how far from the
    usual end; usual_past, usual_sd: of a usual shot of this mould, its scatter in. arrival_l: the place. witness:
    whether something saw the arrival. habit: whether there are shots enough to know where they end.
    """

    past: Floats
    sd: Floats
    aside: Floats
    usual_past: Floats
    usual_sd: Floats
    arrival_l: Floats
    witness: NDArray[np.bool_]
    habit: bool = True

    def beyond(self, bar: float) -> Floats:
        """Log of the odds that a shot ended beyond a bar, over those of a usual shot of its mould."""
        return _log_odds((self.past - bar) / self.sd) - _log_odds((self.usual_past - bar) / self.usual_sd)


def _log_odds(z: Floats) -> Floats:
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(z) - log_ndtr(-z))


def ends(look: Look) -> Ends:
    """Ends of the shots of a look beside those of the healthy ones before; the common practice where there are none."""
    n, rows = look.shots.number, look.rows
    # who was stopped elsewhere counts as well: where a mould's shots end is what people do
    before = np.arange(max(int(rows[0]) - LATELY, 0), int(rows[0]))
    bleed = np.nan_to_num(n["book.bleed_target_l"])
    spread = np.hypot(np.maximum(n["arrival_place_pct"] / 100.0 / 1.96, LEAST_PLACE_SD), CLOTH_SD)[rows]
    past = np.log(np.maximum(look.shots.injected_l - bleed, 1e-9)[rows] / look.place_l)
    end = np.log(look.shots.injected_l / look.aligned.scale_l)
    end[rows] = np.log(look.shots.injected_l[rows] / look.unit_l)
    known = end[before][np.isfinite(end[before])]
    if look.named:  # a stretch that made the best of a fault's curve
        past = past + look.tried
        end[rows] += look.tried
    if len(known) >= FEWEST:
        middle = float(np.median(known))
        low, high = np.quantile(known, [0.15, 0.85])
        scatter = float(high - low) / 2.07 * (1.0 + 3.0 / len(known))
        stroke = 1e-3 * np.nan_to_num(n["stroke_volume_ml"]) / look.shots.injected_l
        aside, aside_sd = end[rows] - middle, np.hypot(END_SD, 0.5 * stroke[rows])
        aside, aside_sd = _weighed(look, aside, aside_sd)
        # the habit itself: what the place of arrival makes of it, and what is common
        usual, habit_sd = _mixed(past - (end[rows] - middle), spread, USUALLY_PAST, USUALLY_PAST_SD)
        placed = np.isfinite(usual)
        usual, habit_sd = np.where(placed, usual, USUALLY_PAST), np.where(placed, habit_sd, USUALLY_PAST_SD)
        own, sd = usual + aside, np.hypot(habit_sd, aside_sd)
        usual_sd = np.sqrt(habit_sd**2 + scatter**2 + np.hypot(END_SD, 0.5 * stroke[rows]) ** 2)
    else:
        aside = np.zeros(len(rows))
        own, sd = _mixed(past, np.hypot(spread, FIRST_PLACE_SD), USUALLY_PAST, FIRST_PAST_SD)
        usual, usual_sd = np.full(len(rows), USUALLY_PAST), np.full(len(rows), np.hypot(USUALLY_PAST_SD, CLOTH_SD))
    unknown = ~np.isfinite(own)
    weighed = np.isfinite(look.number("catch_pot_l")) | np.isfinite(look.number("not_in_part_l"))
    witness = (np.nan_to_num(look.number("arrival_chance")) >= LEAST_WITNESS) | weighed
    own, usual = np.where(unknown, USUALLY_PAST, own), np.where(unknown, USUALLY_PAST, usual)
    sd, usual_sd = np.where(unknown, 1.0, sd), np.where(unknown, 1.0, usual_sd)
    arrival = look.shots.injected_l[rows] * np.exp(-own)
    return Ends(own, sd, np.nan_to_num(aside), usual, usual_sd, arrival, witness & ~unknown, len(known) >= FEWEST)


def _mixed(a: Floats, a_sd: Floats, b: Floats | float, b_sd: Floats | float) -> tuple[Floats, Floats]:
    """Mean of two that are known, weighed by their variances, and its s.d."""
    precision = 1.0 / np.square(a_sd) + 1.0 / np.square(b_sd)
    return (a / np.square(a_sd) + b / np.square(b_sd)) / precision, np.asarray(np.sqrt(1.0 / precision))


def _weighed(look: Look, aside: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """The same with what was weighed of a shot, pot or part, against what usually is."""
    for name, own_sd in (("catch_pot_l", POT_SD), ("not_in_part_l", MASS_SD)):
        values = look.shots.number[name] / look.shots.injected_l
        known = values[look.past][np.isfinite(values[look.past])][-LATELY:]
        now = values[look.rows]
        if len(known) < FEWEST or not np.isfinite(now).any():
            continue
        more = TO_POT * (now - float(np.median(known)))
        mixed, mixed_sd = _mixed(aside, sd, more, np.hypot(own_sd, 0.2 * more))
        use = np.isfinite(mixed)
        aside, sd = np.where(use, mixed, aside), np.where(use, mixed_sd, sd)
    return aside, sd


class ShortFill:
    """Ended before its mould's shots usually do, and before resin arrived."""

    name = "short_fill"
    channels = frozenset({CHANNEL})
    spoils: frozenset[str] = frozenset()
    one_in = 25.0
    settles = "Look at the part around the vent."

    def evidence(self, look: Look) -> Evidence:
        """The odds of not having arrived, over those of a usual shot."""
        e = look.shared(CHANNEL, ends)
        ratio = np.clip(-e.beyond(0.0), -20.0, 40.0)
        if not e.habit:  # no surer than the curve itself is that resin had not arrived
            arrived = np.clip(look.number("arrival_chance"), 1e-9, 1.0 - 1e-9)
            most = np.log((1.0 - arrived) / arrived) + np.log(self.one_in - 1.0)
            ratio = np.where(np.isfinite(most), np.minimum(ratio, most), ratio)
        return Evidence({CHANNEL: ratio}, {"past": e.past, "sd": e.sd, "arrival_l": e.arrival_l})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """By how much, and what stopped it."""
        past, sd, arrival = (float(evidence.parameter[k][i]) for k in ("past", "sd", "arrival_l"))
        injected, programmed = float(look.number("injected_volume_l")[i]), float(look.number("programmed_volume_l")[i])
        short = 100 * -np.expm1(past)
        low, high = (100 * -np.expm1(past + s * 1.96 * sd) for s in (1, -1))
        cause, advice = "", "Check the programmed volume, and whether the machine stopped by itself."
        if injected < 0.975 * programmed:
            cause = f" The machine was set to {words.fixed(programmed, 'l', 2)} and stopped before."
            advice = "Find out what stopped the machine: operator, pressure limit, time limit or an empty drum."
        elif programmed > 0:
            cause = " The machine stopped where it was set to."
            advice = "Check the programmed volume against the usual arrival volume."
        return Found(
            self.name,
            "act" if chance > 0.9 else "watch",
            f"Injection stopped at {words.fixed(injected, 'l', 2)}, {short:.1f} % (95 %: {max(low, 0.0):.1f} to"
            f" {high:.1f}) short of "
            f"{words.fixed(arrival, 'l', 2)}, where resin arrives at the vent: the part is probably dry around"
            f" the vent." + cause,
            "Look at the part around the vent and in the corners. " + advice,
            injected,
        )


class StoppedBeforeVent:
    """A habit of stopping before resin shows at the vent; not a fault by itself."""

    name = "stopped_before_vent"
    channels = frozenset({CHANNEL})
    spoils: frozenset[str] = frozenset()
    one_in = 30.0
    settles = "Note the second at which resin shows at the vent, once."
    LEAST = 0.01
    """Share that must be missing: below it nobody can tell."""

    def evidence(self, look: Look) -> Evidence:
        """As usual, and not arrived for sure."""
        e = look.shared(CHANNEL, ends)
        surely = -_log_odds((e.past + self.LEAST) / e.sd)
        usual = np.abs(e.aside) < e.usual_sd
        return Evidence({CHANNEL: np.where(usual, np.clip(surely, -20.0, 20.0), -20.0)}, {"arrival_l": e.arrival_l})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """Where it stopped."""
        injected, arrival = float(look.number("injected_volume_l")[i]), float(evidence.parameter["arrival_l"][i])
        return Found(
            self.name,
            "note",
            f"Injection stopped at {words.fixed(injected, 'l', 2)}, as usual on this mould, before resin"
            f" arrives at the vent (about "
            f"{words.fixed(arrival, 'l', 2)}); the front may have come the last way by itself.",
            "Nothing, if the part is wet at the vent.",
            injected,
        )


class Overfill:
    """Ended beyond its mould's usual end and more than a tenth past the arrival, which something witnessed."""

    name = "overfill"
    channels = frozenset({CHANNEL})
    spoils: frozenset[str] = frozenset()
    one_in = 25.0
    settles = "Weigh the catch pot of this shot."

    def evidence(self, look: Look) -> Evidence:
        """The odds of being past the bar, over those of a usual shot; impossible without a witness."""
        e = look.shared(CHANNEL, ends)
        ratio = np.clip(e.beyond(float(np.log1p(OVER))), -20.0, 40.0)
        # whatever the odds, a chance below a half is none, and so is one without a witness
        ratio = np.where(e.witness & (e.past > np.log1p(OVER)), ratio, -20.0)
        told = {"past": e.past, "sd": e.sd, "arrival_l": e.arrival_l, "aside": e.aside}
        return Evidence({CHANNEL: ratio}, told)

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """How much went past the vent."""
        past, sd, arrival = (float(evidence.parameter[k][i]) for k in ("past", "sd", "arrival_l"))
        bleed = float(np.nan_to_num(look.number("book.bleed_target_l")[i]))
        low, mid, high = (arrival * np.expm1(past + s * sd) + bleed for s in (-1.96, 0.0, 1.96))
        much = (
            f": {words.fixed(mid - bleed, 'l', 2)} beyond the {words.fixed(bleed, 'l', 2)} of bleed wanted, "
            if bleed > 0
            else ", "
        )
        held = float(look.number("catch_pot_l")[i])
        pot = f" The catch pot held {words.fixed(held, 'l', 2)}." if held >= 0 else ""
        usual = past - float(evidence.parameter["aside"][i])
        usually = f" Usually it is {100 * max(np.expm1(usual), 0.0):.0f} %."
        return Found(
            self.name,
            "watch",
            f"At most {words.fixed(mid, 'l', 2)} (95 %:"
            f" {words.between(max(low, 0.0), high, 'l', 2)}) went past the vent{much}"
            f"{100 * np.expm1(past):.0f} % of the volume at which resin arrives.{usually}{pot}",
            "Compare the programmed volume with the usual arrival volume; empty the catch pot before it fills. "
            "Catalysed waste heats itself: thin layers, ventilated, never sealed.",
        )


__all__ = ["Overfill", "ShortFill", "StoppedBeforeVent", "ends"]
