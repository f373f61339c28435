"""Units at the edge: every reading is converted once, at ingest, to the canonical unit of its channel.

Gauge, absolute and vacuum pressures are settled here and nowhere else. A pressure whose reference is not stated is
refused. Factors are exact by definition (SI brochure, 9th ed., 2019; conventional mmHg and inHg by density
13 595.1 kg/m3 and standard gravity 9.806 65 m/s2; international yard and pound of 1959).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Reference = Literal["gauge", "absolute", "vacuum"]

_POUND_KG, _GRAVITY, _INCH_M = 0.45359237, 9.80665, 0.0254
_PSI = _POUND_KG * _GRAVITY / _INCH_M**2
_MMHG = 13595.1 * _GRAVITY * 1e-3
_MMWATER = 1000.0 * _GRAVITY * 1e-3

# Spelling (blanks and dots removed, small letters) -> factor to the dimension's base unit.
_PRESSURE = {  # Pa
    "pa": 1.0, "hpa": 100.0, "kpa": 1e3, "bar": 1e5, "mbar": 100.0, "mb": 100.0, "millibar": 100.0,
    "psi": _PSI, "lbf/in2": _PSI, "lb/in2": _PSI, "inhg": _MMHG * 25.4, "\"hg": _MMHG * 25.4, "mmhg": _MMHG,
    "cmhg": _MMHG * 10, "torr": 101325 / 760, "mtorr": 0.101325 / 0.76, "kgf/cm2": 98066.5, "kg/cm2": 98066.5,
    "kp/cm2": 98066.5, "at": 98066.5, "atm": 101325.0, "mmh2o": _MMWATER, "mmws": _MMWATER, "cmh2o": 10 * _MMWATER,
    "mws": 1000 * _MMWATER, "inh2o": 25.4 * _MMWATER,
}  # fmt: skip
_VOLUME = {  # l
    "l": 1.0, "lt": 1.0, "ltr": 1.0, "liter": 1.0, "liters": 1.0, "litre": 1.0, "litres": 1.0, "dm3": 1.0, "ml": 1e-3,
    "cc": 1e-3, "ccm": 1e-3, "cm3": 1e-3, "cl": 1e-2, "dl": 0.1, "m3": 1e3, "usgal": 3.785411784,
    "impgal": 4.54609, "in3": (_INCH_M * 10) ** 3,
}  # fmt: skip
_MASS = {"kg": 1.0, "g": 1e-3, "mg": 1e-6, "t": 1e3, "lb": _POUND_KG, "lbs": _POUND_KG, "oz": _POUND_KG / 16}  # kg
_TIME = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "min": 60.0, "minute": 60.0, "minutes": 60.0,
         "m": 60.0, "h": 3600.0, "hr": 3600.0, "hour": 3600.0, "hours": 3600.0, "ms": 1e-3}  # fmt: skip
_LENGTH = {"mm": 1.0, "cm": 10.0, "m": 1e3, "um": 1e-3, "in": 25.4, "inch": 25.4, "\"": 25.4, "mil": 0.0254,
           "thou": 0.0254}  # mm  # fmt: skip
_TEMPERATURE = {  # K: (factor, shift)
    "c": (1.0, 273.15), "degc": (1.0, 273.15), "celsius": (1.0, 273.15), "k": (1.0, 0.0), "kelvin": (1.0, 0.0),
    "f": (5 / 9, 459.67 * 5 / 9), "degf": (5 / 9, 459.67 * 5 / 9), "fahrenheit": (5 / 9, 459.67 * 5 / 9),
    "grdc": (1.0, 273.15), "gradc": (1.0, 273.15),
}  # fmt: skip
_SHORT = {"lpm": "l/min", "slpm": "", "mlpm": "ml/min", "ccm/min": "cc/min", "usgpm": "usgal/min"}
_MARKS: dict[str, Reference] = {
    "g": "gauge", "gauge": "gauge", "ga": "gauge", "rel": "gauge", "relative": "gauge", "ü": "gauge", "e": "gauge",
    "a": "absolute", "abs": "absolute", "absolute": "absolute",
    "v": "vacuum", "vac": "vacuum", "vacuum": "vacuum",
}  # fmt: skip


class UnitError(ValueError):
    """A unit that can't be converted, in a sentence; `about` is the part to change: unit, reference or density."""

    def __init__(self, about: Literal["unit", "reference", "density"], message: str) -> None:
        super().__init__(message)
        self.about = about


@dataclass(frozen=True)
class Unit:
    """A parsed unit: base = value x factor + shift. Base units: Pa, l, kg, s, mm, K, and l/s and kg/s for flows."""

    dimension: Literal["pressure", "volume", "mass", "time", "length", "temperature", "volume flow", "mass flow"]
    factor: float
    shift: float = 0.0
    reference: Reference | None = None


@dataclass(frozen=True)
class Conversion:
    """canonical = reading x scale + shift + ambient x ambient pressure; ambient in the canonical unit."""

    scale: float
    shift: float = 0.0
    ambient: float = 0.0

    def apply(self, value: float, ambient: float = 0.0) -> float:
        """Convert one reading; `ambient`: the ambient pressure, absolute, in the canonical unit."""
        return value * self.scale + self.shift + self.ambient * ambient


def _plain(text: str) -> str:
    text = text.strip().replace("µ", "u").replace("μ", "u").replace("°", "deg").replace("²", "2").replace("³", "3")
    # the one pair that only its case tells apart
    text = re.sub(r"\bMPa", "megapa", re.sub(r"\bmPa", "millipa", text))
    return re.sub(r"[\s.^_]", "", text).lower().removeprefix("[").removesuffix("]")


def _pressure(plain: str) -> Unit | None:
    factors = {**_PRESSURE, "megapa": 1e6, "millipa": 1e-3}
    if plain in factors:
        return Unit("pressure", factors[plain])
    if plain in ("ata", "atü", "atu"):
        return Unit("pressure", 98066.5, reference="absolute" if plain == "ata" else "gauge")
    for mark in sorted(_MARKS, key=len, reverse=True):
        for ending in (f"({mark})", f"[{mark}]", f"-{mark}", mark):
            if plain.endswith(ending) and (stem := plain.removesuffix(ending)) in factors and stem != "at":
                return Unit("pressure", factors[stem], reference=_MARKS[mark])
    return None


def parse_unit(text: str) -> Unit:
    """Read a unit as people write it; UnitError where it is unknown.

    >>> parse_unit("bar(g)").reference
    'gauge'
    >>> round(parse_unit("psi").factor, 3)
    6894.757
    """
    plain = _plain(text)
    if (pressure := _pressure(plain)) is not None:
        return pressure
    plain = _SHORT.get(plain, plain)
    if plain in _TEMPERATURE:
        factor, shift = _TEMPERATURE[plain]
        return Unit("temperature", factor, shift)
    if plain in _VOLUME:
        return Unit("volume", _VOLUME[plain])
    if plain in _LENGTH:
        return Unit("length", _LENGTH[plain])
    if plain in _MASS:
        return Unit("mass", _MASS[plain])
    if plain in _TIME:
        return Unit("time", _TIME[plain])
    amount, _, per = plain.replace("per", "/").partition("/")
    if per in _TIME and amount in _VOLUME:
        return Unit("volume flow", _VOLUME[amount] / _TIME[per])
    if per in _TIME and amount in _MASS:
        return Unit("mass flow", _MASS[amount] / _TIME[per])
    if "gal" in plain or plain == "gpm":
        raise UnitError("unit", f"{text!r}: US and imperial gallons differ by a fifth; write US gal/min or imp gal/min")
    raise UnitError("unit", f"unknown unit {text!r}; known are e.g. bar, mbar, kPa, psi, inHg, l/min, cc/min, degC, mm")


def conversion(
    unit: str,
    to: str,
    *,
    reference: Reference | None = None,
    to_reference: Reference | None = None,
    density_kg_m3: float | None = None,
    what: str = "this",
) -> Conversion:
    """How readings in `unit` become readings in `to`.

    reference: what a pressure is measured against, if the unit doesn't say so itself (`barg`, `inHg vac`).
    to_reference: what the result is measured against; "gauge" or "absolute". density_kg_m3: turns a mass flow into a
    volume flow. what: the channel, for the message.

    Refused (UnitError): unknown units, other dimensions, a pressure without reference, two references that disagree.

    >>> conversion("kPa", "mbar", reference="vacuum", to_reference="absolute").apply(60.0, ambient=1000.0)
    400.0
    >>> conversion("cc/min", "l/min").apply(1500.0)
    1.5
    """
    given, wanted = parse_unit(unit), parse_unit(to)
    scale = given.factor / wanted.factor
    if wanted.dimension == "pressure" and given.dimension == "pressure":
        if given.reference and reference and given.reference != reference:
            raise UnitError("reference", f"{what}: the unit {unit!r} says {given.reference}, the reference {reference}")
        stated = given.reference or reference
        if stated is None:
            raise UnitError(
                "reference",
                f"{what} is a pressure in {unit}: say what it is measured against with"
                ' reference = "gauge", "absolute" or "vacuum" (below ambient, positive)',
            )
        if to_reference not in ("gauge", "absolute"):
            raise UnitError("reference", f"{what}: a pressure is kept as gauge or absolute, not {to_reference}")
        if stated == "vacuum":
            return Conversion(-scale, 0.0, 1.0 if to_reference == "absolute" else 0.0)
        share = {("gauge", "absolute"): 1.0, ("absolute", "gauge"): -1.0}.get((stated, to_reference), 0.0)
        return Conversion(scale, 0.0, share)
    if reference is not None:
        raise UnitError("reference", f"{what} in {unit} is no pressure and takes no reference")
    if wanted.dimension == "volume flow" and given.dimension == "mass flow":
        if density_kg_m3 is None:
            raise UnitError("density", f"{what} in {unit} is a mass flow and needs density_kg_m3")
        return Conversion(scale / density_kg_m3 * 1000.0)
    if wanted.dimension == "volume" and given.dimension == "mass":
        if density_kg_m3 is None:
            raise UnitError("density", f"{what} in {unit} is a mass and needs density_kg_m3")
        return Conversion(scale / density_kg_m3 * 1000.0)
    if given.dimension != wanted.dimension:
        raise UnitError("unit", f"{what}: {unit!r} is a {given.dimension}, expected a {wanted.dimension} like {to}")
    return Conversion(scale, (given.shift - wanted.shift) / wanted.factor)


__all__ = ["Conversion", "Reference", "Unit", "UnitError", "conversion", "parse_unit"]
