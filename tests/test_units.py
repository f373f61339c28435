"""Conversions at the edge, held against pint."""

from __future__ import annotations

import math
from typing import Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpot.units import Reference, UnitError, conversion, parse_unit

UREG: Any = pint.UnitRegistry()
# ours -> pint's; `at`, `Torr` and the columns of mercury and water are conventional, as pint has them
PRESSURES = {
    "bar": "bar", "mbar": "millibar", "hPa": "hectopascal", "kPa": "kilopascal", "MPa": "megapascal", "Pa": "pascal",
    "mPa": "millipascal", "psi": "psi", "mmHg": "millimeter_Hg", "inHg": "inch_Hg", "Torr": "torr",
    "kgf/cm2": "kilogram_force / centimeter ** 2", "at": "technical_atmosphere", "atm": "atmosphere",
    "mmH2O": "millimeter_H2O", "inH2O": "inch_H2O",
}  # fmt: skip
FLOWS = {
    "l/min": "liter/minute", "ml/min": "milliliter/minute", "cc/min": "cc/minute", "l/h": "liter/hour",
    "l/s": "liter/second", "m3/h": "meter**3/hour", "US gal/min": "gallon/minute",
    "imp gal/min": "imperial_gallon/minute", "dm³/min": "decimeter**3/minute", "LPM": "liter/minute",
}  # fmt: skip
MASS_FLOWS = {"g/s": "gram/second", "kg/min": "kilogram/minute", "kg/h": "kilogram/hour", "lb/min": "pound/minute"}
TEMPERATURES = {"degC": "degC", "°C": "degC", "C": "degC", "K": "kelvin", "degF": "degF", "°F": "degF", "F": "degF"}
LENGTHS = {"mm": "millimeter", "inch": "inch", "in": "inch", "cm": "centimeter", "µm": "micrometer", "thou": "thou"}

readings = st.floats(-1e4, 1e4, allow_nan=False).map(lambda x: round(x, 6))


def pint_value(value: float, unit: str, to: str) -> float:
    return float(UREG.Quantity(value, UREG.Unit(unit)).to(to).magnitude)


def close(ours: float, theirs: float) -> bool:
    # pint's mercury and water are given to about seven digits
    return math.isclose(ours, theirs, rel_tol=2e-6, abs_tol=1e-9)


@given(readings, st.sampled_from(sorted(PRESSURES)), st.sampled_from(["bar", "mbar"]))
def test_absolute_pressures(value: float, unit: str, to: str) -> None:
    ours = conversion(unit, to, reference="absolute", to_reference="absolute").apply(value)
    assert close(ours, pint_value(value, PRESSURES[unit], "bar" if to == "bar" else "millibar"))


@given(
    readings,
    st.sampled_from(sorted(PRESSURES)),
    st.sampled_from(["gauge", "absolute", "vacuum"]),
    st.sampled_from(["gauge", "absolute"]),
    st.floats(500, 1100),
)
def test_references_are_settled_with_the_ambient_pressure(
    value: float, unit: str, stated: Reference, wanted: Reference, ambient: float
) -> None:
    ours = conversion(unit, "mbar", reference=stated, to_reference=wanted).apply(value, ambient)
    plain = pint_value(value, PRESSURES[unit], "millibar")
    absolute = {"gauge": ambient + plain, "absolute": plain, "vacuum": ambient - plain}[stated]
    expected = absolute if wanted == "absolute" else absolute - ambient
    assert math.isclose(ours, expected, rel_tol=2e-6, abs_tol=2e-6 * (abs(plain) + ambient))


@given(readings, st.sampled_from(sorted(FLOWS)))
def test_volume_flows(value: float, unit: str) -> None:
    assert close(conversion(unit, "l/min").apply(value), pint_value(value, FLOWS[unit], "liter/minute"))


@given(readings, st.sampled_from(sorted(MASS_FLOWS)), st.floats(700, 2500))
def test_mass_flows_need_and_use_the_density(value: float, unit: str, density: float) -> None:
    with pytest.raises(UnitError) as e:
        conversion(unit, "l/min")
    assert e.value.about == "density"
    mass = UREG.Quantity(value, UREG.Unit(MASS_FLOWS[unit]))
    theirs = float((mass / UREG.Quantity(density, "kg/m**3")).to("liter/minute").magnitude)
    assert close(conversion(unit, "l/min", density_kg_m3=density).apply(value), theirs)


@given(readings, st.sampled_from(sorted(TEMPERATURES)))
def test_temperatures(value: float, unit: str) -> None:
    ours = conversion(unit, "degC").apply(value)
    assert math.isclose(ours, pint_value(value, TEMPERATURES[unit], "degC"), rel_tol=1e-9, abs_tol=1e-7)


@given(readings, st.sampled_from(sorted(LENGTHS)))
def test_lengths(value: float, unit: str) -> None:
    assert close(conversion(unit, "mm").apply(value), pint_value(value, LENGTHS[unit], "millimeter"))


@pytest.mark.parametrize(
    ("text", "reference"),
    [
        ("barg", "gauge"), ("bar(g)", "gauge"), ("bar g", "gauge"), ("bar gauge", "gauge"), ("Bar (G)", "gauge"),
        ("psig", "gauge"), ("kPag", "gauge"), ("barü", "gauge"), ("atü", "gauge"), ("kPa rel", "gauge"),
        ("bara", "absolute"), ("bar abs", "absolute"), ("bar(a)", "absolute"), ("psia", "absolute"),
        ("mbar abs.", "absolute"), ("ata", "absolute"), ("inHg vac", "vacuum"), ("kPa(vac)", "vacuum"),
        ("mbar vacuum", "vacuum"), ("bar", None), ("at", None), ("kPa", None), ("MPa", None), ("mPa", None),
    ],
)  # fmt: skip
def test_the_reference_may_stand_in_the_unit(text: str, reference: str | None) -> None:
    unit = parse_unit(text)
    assert unit.dimension == "pressure"
    assert unit.reference == reference


def test_a_pressure_without_reference_is_refused() -> None:
    with pytest.raises(UnitError, match="say what it is measured against") as e:
        conversion("bar", "mbar", to_reference="absolute", what="cavity_pressure_mbar")
    assert e.value.about == "reference"
    assert "cavity_pressure_mbar" in str(e.value)


def test_references_that_disagree_are_refused() -> None:
    with pytest.raises(UnitError, match="says gauge, the reference vacuum"):
        conversion("barg", "mbar", reference="vacuum", to_reference="absolute")


@pytest.mark.parametrize("text", ["", "%", "gal/min", "gpm", "slpm", "furlong", "bar/min", "l/l", "g"])
def test_what_is_unknown_or_ambiguous_is_refused_as_a_flow(text: str) -> None:
    with pytest.raises(UnitError):
        conversion(text, "l/min")


def test_c_is_a_temperature_and_bar_g_no_product() -> None:
    # the two that a general library reads as coulomb and as bar times gram
    assert parse_unit("C").dimension == "temperature"
    assert parse_unit("bar(g)").dimension == "pressure"


def test_by_hand() -> None:
    # 20 inHg below an ambient of 1013.25 mbar: 20 x 33.8639 = 677.28 mbar below
    got = conversion("inHg vac", "mbar", to_reference="absolute").apply(20.0, 1013.25)
    assert got == pytest.approx(335.97, abs=0.01)
    assert conversion("psi", "bar", reference="gauge", to_reference="gauge").apply(100.0) == pytest.approx(6.89476)
