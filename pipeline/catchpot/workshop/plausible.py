"""Values that a workshop can hardly mean: said by `check`, never in the way."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from catchpot.workshop.book import MouldBook
from catchpot.workshop.locate import KeyPath, line_of
from catchpot.workshop.problems import Problem, did_you_mean, key_text

if TYPE_CHECKING:
    import polars as pl

USUAL: Final[Mapping[str, tuple[float, float, str]]] = {
    "inlet_width_m": (0.005, 50, "m"),
    "flow_length_m": (0.02, 20, "m"),
    "part_area_m2": (0.005, 100, "m2"),
    "thickness_mm": (0.5, 25, "mm"),
    "fibre_areal_weight_g_m2": (50, 15000, "g/m2"),
    "fibre_density_kg_m3": (900, 3000, "kg/m3"),
    "gel_time_s": (60, 4 * 3600, "s"),
    "line_pressure_limit_bar": (0.02, 8, "bar"),
    "clamp_volume_l": (0.005, 500, "l"),
    "cavity_gas_volume_l": (0.01, 5000, "l"),
    "clamp_area_m2": (0.001, 20, "m2"),
    "clamp_leak_limit_mbar_l_s": (0.001, 20, "mbar l/s"),
    "outer_leak_limit_mbar_l_s": (0.001, 20, "mbar l/s"),
    "inner_leak_limit_mbar_l_s": (0.001, 20, "mbar l/s"),
    "viscosity_pa_s": (0.02, 5, "Pa s"),
    "density_kg_m3": (900, 1800, "kg/m3"),
    "catalyst_ratio_pct_by_volume": (0.3, 5, "%"),
    "catalyst_ratio_pct_by_mass": (0.3, 5, "%"),
}
"""Least and most of a mould or resin of light closed moulding (common practice, no source), with the unit."""
PART_USUAL: Final[Mapping[str, tuple[float, float, str]]] = {
    "part_mass_kg": (0.01, 500, "kg"),
    "overflow_kg": (0, 20, "kg"),
    "thickness_mm": (0.5, 25, "mm"),
    "fabric_mass_kg": (0.005, 300, "kg"),
    "gel_coat_mass_kg": (0.005, 200, "kg"),
}


def of_book(file: str, book: MouldBook, lines: Mapping[KeyPath, int]) -> list[Problem]:
    """Values of the mould book outside what is usual."""
    found: list[Problem] = []
    for table, entries in (("resins", book.resins), ("moulds", book.moulds)):
        for name, entry in entries.items():
            found += _entry(file, (table, name), entry.model_dump(exclude_unset=True), lines)
            for i, change in enumerate(getattr(entry, "changes", ())):
                given = change.model_dump(exclude_unset=True)
                found += _entry(file, (table, name, "changes", i), given, lines)
    return found


def _entry(file: str, path: KeyPath, given: Mapping[str, Any], lines: Mapping[KeyPath, int]) -> Iterable[Problem]:
    for key, (low, high, unit) in USUAL.items():
        value = given.get(key)
        if isinstance(value, int | float) and not low <= value <= high:
            at = (*path, key)
            yield Problem(file, line_of(lines, at), key_text(at), _odd(value, low, high, unit), "warning")


def _odd(value: float, low: float, high: float, unit: str) -> str:
    return f"{value:g} {unit} is hardly meant: {low:g} to {high:g} {unit} is usual; is the unit right?"


def of_parts(file: str, parts: pl.DataFrame, lines: Mapping[str, int]) -> list[Problem]:
    """Values of parts.csv outside what is usual. lines: of each shot's row."""
    found = []
    for row in parts.iter_rows(named=True):
        line = lines.get(row["shot"], 0)
        for key, (low, high, unit) in PART_USUAL.items():
            if row[key] is not None and not low <= row[key] <= high:
                found.append(Problem(file, line, key, _odd(row[key], low, high, unit), "warning"))
        if row["part_mass_kg"] and row["overflow_kg"] and row["overflow_kg"] > row["part_mass_kg"]:
            said = f"{row['overflow_kg']:g} kg in the catch pot is more than the part weighs"
            found.append(Problem(file, line, "overflow_kg", said, "warning"))
    return found


def unknown_shots(home: Path, parts: pl.DataFrame, lines: Mapping[str, int], known: Sequence[str]) -> list[Problem]:
    """Shots of parts.csv of which no log is known."""
    names = set(known)
    return [
        Problem(
            str(home / "parts.csv"), lines.get(shot, 0), "shot",
            f"no log of a shot {shot!r} was read{did_you_mean(shot, known)}", "warning",
        )
        for shot in parts["shot"].to_list()
        if shot not in names
    ]  # fmt: skip


__all__ = ["PART_USUAL", "USUAL", "of_book", "of_parts", "unknown_shots"]
