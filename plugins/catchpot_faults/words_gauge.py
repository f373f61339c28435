"""What is said of a gauge or meter that can't be believed."""

from __future__ import annotations

from catchpot_faults.found import Found

CHANNEL_WORDS = {
    "flow_l_min": ("flow meter", "l/min"),
    "line_pressure_bar": ("line gauge", "bar"),
    "cavity_pressure_mbar": ("cavity gauge", "mbar"),
    "clamp_pressure_mbar": ("clamp gauge", "mbar"),
    "catalyst_flow_ml_min": ("catalyst meter", "ml/min"),
}


def sensor_stuck(
    channel: str, value: float, seconds: float, samples: int, from_l: float | None, to_l: float | None
) -> Found:
    """A channel that stood still."""
    name, unit = CHANNEL_WORDS[channel]
    return Found(
        "sensor_stuck",
        "watch",
        f"The {name} read {value:g} {unit} {samples} times running, for {seconds:.0f} s of the injection, though it "
        "moves from reading to reading elsewhere in the shot. What rests on it in that time is not known.",
        f"Check the {name}, its cable and its input. Limits and interlocks that use it do not protect while it stands "
        "still.",
        from_l,
        to_l,
    )


def sensor_offset(channel: str, off: float, reading: float, against: str, samples: int, tail: str = "") -> Found:
    """A gauge that does not read what it must at rest."""
    name, unit = CHANNEL_WORDS[channel]
    digits = 3 if unit == "bar" else 0
    return Found(
        "sensor_offset",
        "watch",
        f"The {name} read {reading:.{digits}f} {unit} at rest ({samples} readings), {abs(off):.{digits}f} {unit} "
        f"{'above' if off > 0 else 'below'} {against}.{tail}",
        f"Zero or calibrate the {name}. Until then pressures, permeability and limits from it are off by as much.",
    )


def vacuum_impossible(channel: str, least: float) -> Found:
    """Absolute pressure below nought."""
    name, unit = CHANNEL_WORDS[channel]
    return Found(
        "sensor_offset",
        "watch",
        f"The {name} went down to {least:.0f} {unit} absolute, which no pump can reach: it reads too low by at least "
        f"{-least:.0f} {unit}, or its reference is set wrongly.",
        f"Zero or calibrate the {name}; check whether its profile says absolute, gauge or vacuum.",
    )


__all__ = ["sensor_offset", "sensor_stuck", "vacuum_impossible"]
