"""Gauges that can't be believed: one that stands still, one that reads wrong at rest."""

from __future__ import annotations

import numpy as np

from catchpot.report import words
from catchpot_faults.found import Found
from catchpot_faults.hypothesis import Evidence, Look, against

CHANNEL_WORDS = {
    "flow_l_min": ("flow meter", "l/min"),
    "line_pressure_bar": ("line gauge", "bar"),
    "cavity_pressure_mbar": ("cavity gauge", "mbar"),
    "clamp_pressure_mbar": ("clamp gauge", "mbar"),
    "catalyst_flow_ml_min": ("catalyst meter", "ml/min"),
}
STILL_S = 8.0
"""A gauge that stands still for less bears on little."""
STILL_PLACES = np.log(1e3)
"""A fault may begin anywhere and last as long as it likes."""
LINE_SD_BAR, LINE_WIDEST_BAR = 0.0045, 0.3
"""A line gauge at rest: head of the resin in the hose, zero (from experience, no source)."""
REST_SD_MBAR, WEATHER_SD_MBAR, REST_WIDEST_MBAR = 3.0, 8.0, 150.0
"""A vacuum gauge at ambient beside another one; beside its own past only, where weather comes in."""
REST_FREEDOM = 20.0
"""Gauges at rest scatter nearly normally."""
BELOW_NOUGHT_MBAR = -3.0
LEAST_READINGS = 3


class SensorStuck:
    """A reading repeated more often than chance allows, by what the channel does in the rest of the shot."""

    name = "sensor_stuck"
    channels = frozenset({"readings"})
    spoils = frozenset({"curve", "collapses", "cavity_pressure"})
    one_in = 300.0
    settles = "Tap or swap the gauge and watch whether its reading moves."

    def evidence(self, look: Look) -> Evidence:
        """The chance of so long a run in a sound channel."""
        chance = np.nan_to_num(look.number("still_log10_chance"))
        long = np.nan_to_num(look.number("still_s")) >= STILL_S
        ratio = np.where(long, np.minimum(-np.log(10.0) * chance, 60.0) - STILL_PLACES, -4.0)
        return Evidence({"readings": ratio})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """Which one, how long, at which reading."""
        channel = look.shots.text["still_channel"][look.rows[i]] or "line_pressure_bar"
        name, unit = CHANNEL_WORDS[channel]
        value, seconds, samples, begin, end = (
            float(look.number(f"still_{k}")[i]) for k in ("value", "s", "samples", "from_volume_l", "to_volume_l")
        )
        return Found(
            self.name,
            "watch",
            f"The {name} read {value:g} {unit} {samples:.0f} times running, for {seconds:.0f} s of the injection, "
            "though it moves from reading to reading elsewhere in the shot. What rests on it in that time is not "
            "known.",
            f"Check the {name}, its cable and its input. Limits and interlocks that use it do not protect while it "
            "stands still.",
            begin if np.isfinite(begin) else None,
            end if np.isfinite(end) else None,
        )


class SensorOffset:
    """Gauges at rest: the line gauge at nought, the others at ambient, none below nought."""

    name = "sensor_offset"
    channels = frozenset({"line at rest", "cavity at rest", "clamp at rest"})
    spoils: frozenset[str] = frozenset()
    one_in = 200.0
    settles = "Vent the gauge to ambient and read it beside a barometer."

    def evidence(self, look: Look) -> Evidence:
        """The gauge furthest off; one off is enough."""
        n = look.shots.number
        line = n["line_rest_bar"]
        middle, sd = look.usual(line, LINE_SD_BAR)
        # a cavity that sucks the line below ambient does so in every shot
        low = float(np.clip(np.nan_to_num(middle), -0.1, 0.0))
        line_ratio = np.where(
            np.nan_to_num(n["line_rest_samples"]) >= LEAST_READINGS,
            against(line, low, max(np.nan_to_num(sd), LINE_SD_BAR), LINE_WIDEST_BAR, REST_FREEDOM), 0.0,
        )[look.rows]  # fmt: skip
        ambient, cavity, clamp = (
            look.number(k) for k in ("ambient_logged_mbar", "cavity_rest_mbar", "clamp_rest_mbar")
        )
        past, past_sd = look.usual(n["cavity_rest_mbar"], WEATHER_SD_MBAR)
        witness = np.where(np.isfinite(ambient), ambient, clamp)
        by_witness = against(cavity, witness, REST_SD_MBAR, REST_WIDEST_MBAR, REST_FREEDOM)
        by_past = against(cavity, past, max(np.nan_to_num(past_sd), WEATHER_SD_MBAR), REST_WIDEST_MBAR, REST_FREEDOM)
        cavity_ratio = np.where(np.isfinite(witness), by_witness, by_past)
        clamp_ratio = np.where(
            np.isfinite(ambient), against(clamp, ambient, REST_SD_MBAR, REST_WIDEST_MBAR, REST_FREEDOM), -20.0
        )
        below = {k: look.number(f"{k}_least_mbar") < BELOW_NOUGHT_MBAR for k in ("cavity", "clamp")}
        cavity_ratio = np.where(below["cavity"], np.maximum(cavity_ratio, 12.0), cavity_ratio)
        clamp_ratio = np.where(below["clamp"], np.maximum(clamp_ratio, 12.0), clamp_ratio)
        each = np.stack([line_ratio, cavity_ratio, np.where(np.isfinite(clamp) | below["clamp"], clamp_ratio, -20.0)])
        worst = np.argmax(each, axis=0)
        names = ("line at rest", "cavity at rest", "clamp at rest")
        made = {c: np.where(worst == k, each[k] - np.log(3.0), 0.0) for k, c in enumerate(names)}
        off = np.stack([line[look.rows] - low, cavity - np.where(np.isfinite(witness), witness, past), clamp - ambient])
        row = np.arange(len(worst))
        under = (below["cavity"] & (worst == 1)) | (below["clamp"] & (worst == 2))
        return Evidence(made, {"which": worst.astype(float), "off": off[worst, row], "below": under.astype(float)})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """Which one, by how much, against what."""
        which, off = int(evidence.parameter["which"][i]), float(evidence.parameter["off"][i])
        channel = ("line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar")[which]
        name, unit = CHANNEL_WORDS[channel]
        key = ("line_rest_bar", "cavity_rest_mbar", "clamp_rest_mbar")[which]
        reading, digits = float(look.number(key)[i]), 3 if which == 0 else 0
        if evidence.parameter["below"][i] > 0:
            least = float(look.number(key.replace("rest", "least"))[i])
            text = f"The {name} went down to {least:.0f} {unit} absolute, which no pump can reach: it reads too low."
        else:
            ambient, clamp = (float(look.number(k)[i]) for k in ("ambient_logged_mbar", "clamp_rest_mbar"))
            against_words = (
                "nought, before any flow" if which == 0
                else f"the barometer's {words.fixed(ambient, 'mbar', 0)}, before evacuation" if np.isfinite(ambient)
                else "the clamp gauge, both at ambient before evacuation" if np.isfinite(clamp)
                else "what it usually reads before evacuation, more than weather does"
            )  # fmt: skip
            text = (
                f"The {name} read {reading:.{digits}f} {unit} at rest, {abs(off):.{digits}f} {unit} "
                f"{'above' if off > 0 else 'below'} {against_words}."
            )
            if which == 0 and off > 0:
                text += " Pressure left in a full hose would look alike: open it carefully."
            elif which == 1 and not np.isfinite(ambient) and np.isfinite(clamp):
                text += " No barometer is logged: the clamp gauge may be the one that is off."
        return Found(
            self.name, "watch", text,
            f"Zero or calibrate the {name}. Until then pressures, permeability and limits from it are off by as much.",
        )  # fmt: skip


__all__ = ["CHANNEL_WORDS", "SensorOffset", "SensorStuck"]
