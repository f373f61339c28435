"""One frame a mould: everything that bears witness of its volume, a row a shot."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.physics.volume import WITNESSES, PartBook, expansion_share
from catchpot.workshop import MouldBook

Floats = NDArray[np.float64]

FILL_COLUMNS = (
    "injected_volume_l", "arrival_volume_l", "arrival_relative", "arrival_relative_sd",
    "arrival_relative_shared_sd", "arrival_place_l", "arrival_place_above_pct", "overflow_l",
    "fill_time_s", "injection_time_s", "peak_line_pressure_bar", "cavity_pressure_mbar",
    "clamp_pressure_mbar", "ambient_pressure_mbar", "resin_temp_c", "mould_temp_c", "blocked_vent_margin_n",
)  # fmt: skip
PERMEABILITY_COLUMNS = ("permeability_m2", "viscosity_pa_s", "line_resistance_per_m3")
PART_COLUMNS = ("part_mass_kg", "overflow_kg", "thickness_mm", "fabric_mass_kg", "gel_coat_mass_kg", "trimmed")
SHOT_COLUMNS = ("injector", "programmed_volume_l", "fabric_batch", "resin_batch")
WIDEST = 0.12
"""A relative volume whose own 95 % interval is wider than this share is no witness."""

BOOK_COLUMNS = (
    "thickness_mm", "part_area_m2", "fibre_areal_weight_g_m2", "fibre_density_kg_m3", "runner_volume_l",
    "feed_hose_volume_l", "feed_hose_full", "vent_hose_volume_l", "core_volume_l", "core_uptake_fraction",
    "density_kg_m3", "batch_viscosity_pa_s", "viscosity_tolerance_pct",
)  # fmt: skip


def joined(tables: Mapping[str, pl.DataFrame], book: MouldBook, mould: str | None = None) -> pl.DataFrame:
    """A row a shot that has injected, in time order: shot, fill, permeability, part, book (as `book_...`) columns."""
    shot = tables["shot"]
    if mould is not None:
        shot = shot.filter(pl.col("mould") == mould)
    shot = shot.select("shot", "mould", "started_at", *SHOT_COLUMNS)
    of_book = book.for_shots(shot.select("shot", "mould", "started_at", "resin_batch"))
    frame = shot.join(tables["fill"].select("shot", *FILL_COLUMNS), on="shot", how="inner")
    frame = frame.join(tables["permeability"].select("shot", *PERMEABILITY_COLUMNS), on="shot", how="left")
    frame = frame.join(_parts(tables.get("part")), on="shot", how="left")
    resin = tables.get("seal_resin")
    if resin is not None and "clamp_per_line_mbar_bar" in resin.columns:
        frame = frame.join(resin.select("shot", "clamp_per_line_mbar_bar"), on="shot", how="left")
    else:
        frame = frame.with_columns(clamp_per_line_mbar_bar=pl.lit(None, dtype=pl.Float64))
    frame = frame.join(clamp_rise(tables), on="shot", how="left", maintain_order="left")
    named = of_book.select("shot", *(pl.col(c).alias(f"book_{c}") for c in BOOK_COLUMNS))
    frame = frame.join(named, on="shot", how="left")
    known = pl.col("started_at").is_not_null() & pl.col("injected_volume_l").is_not_null()
    return frame.filter(known).sort("started_at", "shot")


RISE_BLOCKS = 20
PUMP_HELD_MBAR_MIN = 0.5


def of_mould(frame: pl.DataFrame | None, mould: str) -> pl.DataFrame | None:
    """A mould's rows of a table that may not be there."""
    return None if frame is None else frame.filter(pl.col("mould") == mould)


def clamp_rise(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Rise of the clamp pressure during injection less its rise in a hold, mbar/min; a row a shot, null where unknown.

    The injection's is the median over blocks of the curve, so that a top-up counts for nothing. Without a hold the
    rise during injection stands alone, in every shot; a clamp that then hardly moves in any is held by its pump, and
    shows nothing.
    """
    schema: dict[str, Any] = {"shot": pl.String(), "clamp_rise_mbar_min": pl.Float64(), "clamp_held": pl.Boolean()}
    curve = tables.get("curve")
    if curve is None or curve.is_empty() or "clamp_pressure_mbar" not in curve.columns:
        return pl.DataFrame(schema=schema)
    known = curve.filter(pl.col("clamp_pressure_mbar").is_not_null() & pl.col("t_s").is_not_null())
    if known.is_empty():
        return pl.DataFrame(schema=schema)
    pressure, time = (_blocks(known[c]) for c in ("clamp_pressure_mbar", "t_s"))
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # blocks without a reading
        rise = np.nanmedian(60 * np.diff(pressure, axis=1) / np.diff(time, axis=1), axis=1)
    made = pl.DataFrame({"shot": known["shot"], "injected": rise}).with_columns(pl.col("injected").fill_nan(None))
    leak = tables.get("seal_leak")
    if leak is not None and leak.height:
        held = leak.filter(pl.col("seal") == "clamp").select("shot", held="rise_mbar_min").unique("shot")
        made = made.join(held, on="shot", how="left", maintain_order="left")
        if made["held"].null_count() <= 0.2 * made.height:
            return made.select("shot", clamp_rise_mbar_min=pl.col("injected") - pl.col("held"), clamp_held=pl.lit(True))
    seen = np.abs(rise[np.isfinite(rise)])
    if not len(seen) or float(np.quantile(seen, 0.8)) < PUMP_HELD_MBAR_MIN:
        return pl.DataFrame(schema=schema)
    return made.select("shot", clamp_rise_mbar_min="injected", clamp_held=pl.lit(False))


def _blocks(column_: pl.Series) -> Floats:
    values = np.array([[np.nan if v is None else v for v in row] for row in column_.to_list()], dtype=float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # blocks without a reading
        return np.asarray(np.nanmean(values.reshape(len(values), RISE_BLOCKS, -1), axis=2))


def _parts(part: pl.DataFrame | None) -> pl.DataFrame:
    numbers = [c for c in PART_COLUMNS if c != "trimmed"]
    if part is None or part.is_empty():
        schema: dict[str, Any] = {"shot": pl.String(), **{c: pl.Float64() for c in numbers}}
        frame = pl.DataFrame(schema=schema)
    else:
        usual = part["trimmed"].fill_null(False).mode().min() if part.height else False
        alike = pl.col("trimmed").fill_null(False) == bool(usual)
        mass = pl.when(alike).then(pl.col("part_mass_kg")).otherwise(None).alias("part_mass_kg")
        frame = part.with_columns(mass).select("shot", *numbers)
    return frame.rename({"thickness_mm": "part_thickness_mm"})


def column(frame: pl.DataFrame, name: str) -> Floats:
    """A column as floats, NaN where unknown."""
    return frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(float)


def expansion(frame: pl.DataFrame) -> Floats:
    """Share by which each shot's metered volume is lower as the resin grew on its way; NaN where not measured."""
    return expansion_share(column(frame, "mould_temp_c"), column(frame, "resin_temp_c"))


def log_volume(frame: pl.DataFrame) -> Floats:
    """Log of the volume at which resin arrives or would have arrived, of one mould's shots; NaN where unknown or too
    uncertain.

    The resin's expansion is taken out.

    What the mould's own curve says of each shot, in the litres in which the last shot's place of arrival is known: a
    shot that ended before has its volume too.
    """
    relative, place = column(frame, "arrival_relative"), column(frame, "arrival_place_l")
    known = np.flatnonzero(np.isfinite(relative) & np.isfinite(place))
    usual = place[known[-1]] / relative[known[-1]] if len(known) else np.nan
    return np.asarray(log_relative_volume(frame) + np.log(usual))


def log_relative_volume(frame: pl.DataFrame) -> Floats:
    """The same in the mould's own usual volume, which does not move as the place of arrival is known better."""
    relative = column(frame, "arrival_relative")
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(3.92 * log_volume_sd(frame) < WIDEST, np.log(relative), np.nan)
        return np.asarray(value - np.nan_to_num(expansion(frame)))


def log_volume_sd(frame: pl.DataFrame) -> Floats:
    """S.d. of each shot's own error of its log relative volume, which averages out; NaN where unknown."""
    return column(frame, "arrival_relative_sd")


def pot_volume_l(frame: pl.DataFrame) -> Floats:
    """Injected less what was weighed in the catch pot and what the vent hose holds, l; NaN without resin in the pot."""
    weighed, density = column(frame, "overflow_kg"), column(frame, "book_density_kg_m3") * 1e-3
    hose = np.nan_to_num(column(frame, "book_vent_hose_volume_l"))
    with np.errstate(invalid="ignore"):
        return np.where(weighed > 0.005, column(frame, "injected_volume_l") - weighed / density - hose, np.nan)


def log_balance(frame: pl.DataFrame) -> Floats:
    """Log of the metered volume over the resin found by weighing part and catch pot; NaN where not weighed.

    Fabric that was not weighed is taken from the book, a gel coat that was not weighed as none: changes of either are
    then reckoned with where the balance is used.
    """
    density = column(frame, "book_density_kg_m3") * 1e-3
    glass = column(frame, "book_part_area_m2") * column(frame, "book_fibre_areal_weight_g_m2") * 1e-3
    fabric, gel = column(frame, "fabric_mass_kg"), column(frame, "gel_coat_mass_kg")
    resin_kg = column(frame, "part_mass_kg") - np.where(np.isfinite(fabric), fabric, glass) - np.nan_to_num(gel)
    resin_kg = resin_kg + column(frame, "overflow_kg") + density * (before_bed_l(frame) + _in_vent_hose(frame))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.log(column(frame, "injected_volume_l") * density / resin_kg))


def _in_vent_hose(frame: pl.DataFrame) -> Floats:
    """Resin that stayed in the vent hose, l: nobody weighs it. NaN where there is a hose and the arrival is unknown."""
    hose = np.nan_to_num(column(frame, "book_vent_hose_volume_l"))
    past = column(frame, "injected_volume_l") - column(frame, "arrival_volume_l")
    return np.where(hose > 0, np.clip(past, 0.0, hose), 0.0)


def before_bed_l(frame: pl.DataFrame) -> Floats:
    """Volume that fills before the part does, by the book, l."""
    hose = np.nan_to_num(column(frame, "book_feed_hose_volume_l"))
    empty = ~frame["book_feed_hose_full"].fill_null(False).to_numpy().astype(bool)
    return np.asarray(np.nan_to_num(column(frame, "book_runner_volume_l")) + hose * empty)


def witnesses(frame: pl.DataFrame) -> Floats:
    """All WITNESSES of each shot, NaN where unknown; shape (shots, witnesses)."""
    line = column(frame, "line_resistance_per_m3")
    with np.errstate(divide="ignore", invalid="ignore"):
        columns = {
            "volume": log_volume(frame),
            "pot_volume": np.log(pot_volume_l(frame)) - np.nan_to_num(expansion(frame)),
            "permeability": np.log(column(frame, "permeability_m2")),
            "part_mass": column(frame, "part_mass_kg"),
            "balance": log_balance(frame),
            "fabric_mass": column(frame, "fabric_mass_kg"),
            "gel_coat_mass": column(frame, "gel_coat_mass_kg"),
            "thickness": column(frame, "part_thickness_mm"),
            "line_resistance": np.log(np.where(line > 0, line, np.nan)),
        }
    return np.column_stack([columns[w] for w in WITNESSES])


def part_book(frame: pl.DataFrame, row: int, volume_l: float) -> PartBook | None:
    """The book of one shot for the couplings; None where geometry, fibre or resin is missing."""
    r = frame.row(row, named=True)
    needed = ("part_area_m2", "thickness_mm", "fibre_areal_weight_g_m2", "fibre_density_kg_m3", "density_kg_m3")
    if any(r[f"book_{c}"] is None for c in needed):
        return None
    return PartBook(
        area_m2=r["book_part_area_m2"],
        thickness_mm=r["book_thickness_mm"],
        areal_weight_kg_m2=r["book_fibre_areal_weight_g_m2"] * 1e-3,
        fibre_kg_l=r["book_fibre_density_kg_m3"] * 1e-3,
        resin_kg_l=r["book_density_kg_m3"] * 1e-3,
        core_volume_l=r["book_core_volume_l"] or 0.0,
        core_uptake=r["book_core_uptake_fraction"] or 0.0,
        runner_l=float(before_bed_l(frame)[row]),
        volume_l=volume_l,
    )
