"""The units a workshop speaks in: everything is stored in l and mbar, and shown as `[workshop]` says.

Held here alone: opening a workshop sets it, and `catchpot.report.words` asks it for every number with a unit. It is the
process's, as a language would be: one process speaks for one workshop.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

PressureUnit = Literal["mbar", "kPa"]
VolumeUnit = Literal["l", "ml"]
_OTHER: Final[Mapping[str, Mapping[str, tuple[str, float, int]]]] = {
    "kPa": {
        "mbar": ("kPa", 0.1, 1), "mbar/min": ("kPa/min", 0.1, 1), "mbar/s": ("kPa/s", 0.1, 1),
        "mbar l/s": ("kPa l/s", 0.1, 1), "mbar/bar": ("kPa/bar", 0.1, 1),
    },
    "ml": {
        "l": ("ml", 1000.0, -3), "l/min": ("ml/min", 1000.0, -3), "bar min/l": ("bar s/ml", 0.06, 1),
    },
}  # fmt: skip
"""Unit asked for -> stored unit -> what is printed, the factor, and how many more decimal places that takes."""
_shown: dict[str, tuple[str, float, int]] = {}


def show_in(pressure: PressureUnit = "mbar", volume: VolumeUnit = "l") -> None:
    """Speak in these units from now on."""
    _shown.clear()
    _shown.update(_OTHER.get(pressure, {}))
    _shown.update(_OTHER.get(volume, {}))


@contextmanager
def speaking(pressure: PressureUnit = "mbar", volume: VolumeUnit = "l") -> Iterator[None]:
    """Speak in these units within the block."""
    before = dict(_shown)
    show_in(pressure, volume)
    try:
        yield
    finally:
        _shown.clear()
        _shown.update(before)


def in_shop(unit: str) -> tuple[str, float, int]:
    """For a stored unit: the one that is printed, the factor on the number, and the decimal places it takes more.

    >>> with speaking("kPa", "ml"):
    ...     in_shop("mbar"), in_shop("l"), in_shop("bar")
    (('kPa', 0.1, 1), ('ml', 1000.0, -3), ('bar', 1.0, 0))
    """
    return _shown.get(unit, (unit, 1.0, 0))


def in_heading(heading: str) -> tuple[str, float]:
    """A heading with its unit in brackets as it is printed, and the factor on the numbers below it.

    >>> with speaking("kPa", "ml"):
    ...     in_heading("arrival volume [l]"), in_heading("arrival (95 %) [l]"), in_heading("fill time [s]")
    (('arrival volume [ml]', 1000.0), ('arrival (95 %) [ml]', 1000.0), ('fill time [s]', 1.0))
    """
    before, bracket, rest = heading.rpartition("[")
    stored, end, after = rest.partition("]")
    unit, factor, _ = in_shop(stored)
    return (f"{before}[{unit}]{after}", factor) if bracket and end and factor != 1.0 else (heading, 1.0)


__all__ = ["PressureUnit", "VolumeUnit", "in_heading", "in_shop", "show_in", "speaking"]
