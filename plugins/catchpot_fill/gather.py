"""Everything about the shots of a batch in one place: phases, book, samples, bins and the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.physics.darcy import resistance_share, taper_of
from catchpot.physics.resin import resin_volume
from catchpot_fill.arrival import Bins
from catchpot_fill.fit import Fit, fit_shots
from catchpot_fill.prepare import (
    Binned,
    Samples,
    ambient_pressure,
    bin_samples,
    column,
    elapsed,
    extreme_by,
    injection_samples,
    mean_by,
    smoothed_push,
)

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

GRAVITY_M_S2 = 9.80665
USUAL_DENSITY_KG_M3 = 1100.0
FLOW_NOISE, STROKE_NOISE, PRESSURE_NOISE_PA = 0.015, 0.15, 500.0
"""First guesses; the fit learns the noise from its residuals."""
SURE_AMBIENT_MBAR = 3.0
"""What remains, at 95 %, of an ambient pressure read from the cavity gauge itself or from a barometer."""


@dataclass(frozen=True)
class Batch:
    """A batch of shots; arrays (shots,) but where said.

    sample, group: all samples as delivered and the number of each one's shot (rows,). windows: of the injection (s, l).
    at_least_l, at_most_l: bounds of injected_l, which is NaN where flow is missing over much of the injection.
    pack_l, packed: volume of the pack phase, and whether there was one. ambient_sd_pa: what is not known of it.
    """

    sample: pl.DataFrame
    group: Ints
    book: pl.DataFrame
    known: Flags
    injected: Flags
    start_s: Array
    end_s: Array
    injected_l: Array
    at_least_l: Array
    at_most_l: Array
    packed: Flags
    pack_l: Array
    pack_start_s: Array
    pack_end_s: Array
    ambient_mbar: Array
    ambient_source: list[str]
    stroked: Flags
    samples: Samples
    binned: Binned
    bins: Bins
    expected_l: Array
    runner_l: Array
    fit: Fit

    def of(self, name: str) -> Array:
        """A book value of each shot, NaN where the book has none."""
        return column(self.book, name)


def _window(phase: pl.DataFrame, kind: str, units: pl.DataFrame) -> pl.DataFrame:
    return units.join(
        phase.filter(pl.col("phase") == kind)
        .group_by("shot")
        .agg(
            pl.col("start_s").min(),
            pl.col("end_s").max(),
            pl.col("start_volume_l").min(),
            pl.col("end_volume_l").max(),
            pl.col("volume_low_l").min(),
            pl.col("volume_high_l").max(),
        ),
        on="shot",
        how="left",
        maintain_order="left",
    )


def expected_arrival(book: pl.DataFrame, runner_l: Array) -> tuple[Array, Array]:
    """Arrival volume by the book's geometry and fibre, and its s.d. by their tolerances, l; NaN without them."""

    def of(name: str) -> Array:
        return column(book, name)

    thickness, area = of("thickness_mm") * 1e-3, of("part_area_m2")
    weight, density = of("fibre_areal_weight_g_m2") * 1e-3, of("fibre_density_kg_m3")
    core, uptake = np.nan_to_num(of("core_volume_l")) * 1e-3, np.nan_to_num(of("core_uptake_fraction"))
    volume = resin_volume(area, thickness, weight, density, core, uptake)
    by_thickness = of("thickness_tolerance_mm") * 1e-3 * area
    by_fibre = of("fibre_areal_weight_tolerance_pct") / 100.0 * area * weight / density
    return runner_l + 1e3 * volume, np.hypot(by_thickness, by_fibre) * 1e3 / 1.96


def _with_the_book(book: pl.DataFrame, binned: Binned, samples: Samples, noise: Array, offset_pa: Array) -> Bins:
    """The bins with what the book says of channel, volumes and heights beside them."""

    def of(name: str) -> Array:
        return column(book, name)

    groups = book.height
    hose_full = np.nan_to_num(of("feed_hose_full")) > 0
    runner = np.nan_to_num(of("runner_volume_l")) + np.where(hose_full, 0.0, np.nan_to_num(of("feed_hose_volume_l")))
    taper = taper_of(of("inlet_width_m"), of("flow_length_m"), of("part_area_m2"))
    scale = of("flow_length_m") / (of("inlet_width_m") * of("thickness_mm") * 1e-3)
    density = of("density_kg_m3")
    density = np.where(np.isfinite(density), density, USUAL_DENSITY_KG_M3)
    runner_sd = runner * np.nan_to_num(of("runner_volume_tolerance_pct")) / 196.0
    # at a port little volume makes much resistance: there the first sample's volume matters too
    first = extreme_by(samples.flow_m3_s * samples.step_s * 1e3, samples.shot, groups, largest=True)
    runner_sd = np.where((runner_sd > 0) | (taper > 1.5), np.hypot(runner_sd, 0.3 * np.nan_to_num(first)), 0.0)
    near_port = np.abs(binned.vol_l - runner[:, None]) < 2.5 * runner_sd[:, None]
    whole = np.max(binned.vol_l, axis=1, keepdims=True)
    share = np.clip((binned.vol_l - runner[:, None]) / (whole - runner[:, None]), 0.0, 1.0)
    late = (binned.n > 0) & (share > 0.5)
    rough = binned.dp_pa / (binned.bed * scale[:, None] * resistance_share(share, taper[:, None]))
    guess = np.nan_to_num(mean_by(rough[late], np.nonzero(late)[0], groups))
    return Bins(
        n=np.where(near_port, 0.0, binned.n),
        vol_l=binned.vol_l,
        line=binned.line,
        bed=binned.bed,
        dp=binned.dp_pa,
        variance=PRESSURE_NOISE_PA**2 + (noise[:, None] * binned.dp_pa) ** 2,
        runner_l=runner,
        runner_sd_l=runner_sd,
        hose_l=np.nan_to_num(of("vent_hose_volume_l")),
        head_pa=density * GRAVITY_M_S2 * np.nan_to_num(of("vent_height_m")),
        capillary_pa=np.nan_to_num(of("capillary_pressure_mbar")) * 100.0,
        pull_sd_pa=np.nan_to_num(of("capillary_pressure_tolerance_mbar")) * 100.0 / 1.96,
        # ml/bar to l/Pa
        yield_l_pa=np.nan_to_num(of("cover_yield_ml_bar")) * 1e-8,
        yield_sd_l_pa=np.nan_to_num(of("cover_yield_tolerance_ml_bar")) * 1e-8 / 1.96,
        yield_s=np.where(of("cover_yield_s") > 0, of("cover_yield_s"), 5.0),
        at_s=elapsed(binned),
        flow_l_s=1e3 * binned.flow_m3_s,
        push_pa=smoothed_push(binned),
        scale=scale,
        taper=np.where(np.isfinite(scale), taper, np.nan),
        offset_pa=offset_pa,
        guess=np.maximum(guess, 1.0),
        spell_s=binned.spell_s,
        half_l=500.0 * binned.flow_m3_s * binned.spell_s,
    )


def gather(shots: pl.DataFrame, sample: pl.DataFrame, phase: pl.DataFrame, book: pl.DataFrame,
           default_ambient_mbar: float) -> Batch:  # fmt: skip
    """Read, bin and fit a batch. shots, book: one row a shot, in the same order."""
    groups = shots.height
    units = shots.select("shot")
    number = units.with_row_index("_number")
    numbered = sample.join(number, on="shot", how="inner", maintain_order="left")
    group = numbered["_number"].to_numpy().astype(np.intp)
    if len(group) and np.any(np.diff(group) < 0):
        order = np.argsort(group, kind="stable")
        numbered, group = numbered[order], group[order]
    inject, pack = _window(phase, "inject", units), _window(phase, "pack", units)
    start, end = column(inject, "start_s"), column(inject, "end_s")
    first_l, last_l = column(inject, "start_volume_l"), column(inject, "end_volume_l")
    ambient, source = ambient_pressure(numbered, group, groups, np.where(np.isfinite(start), start, np.inf),
                                       default_ambient_mbar)  # fmt: skip
    channels = shots["channels"].fill_null("").to_list()
    stroked = np.isfinite(column(shots, "stroke_volume_ml")) & np.array(
        ["pump_strokes" in c and "flow_l_min" not in c for c in channels], dtype=bool
    )
    windows = {"start_s": start, "end_s": end, "start_volume_l": first_l}
    samples = injection_samples(numbered, group, book, windows, ambient, stroked)
    noise = np.where(stroked, STROKE_NOISE, FLOW_NOISE)
    strokes = np.where(stroked, column(shots, "stroke_volume_ml") * 1e-3, np.nan)
    binned = bin_samples(samples, groups, noise, strokes)

    unsure = np.where(np.array(source) == "settings", column(book, "ambient_tolerance_mbar"), SURE_AMBIENT_MBAR)
    unsure = np.where(np.isfinite(unsure), unsure, 10.0) * 100.0 / 1.96
    bins = _with_the_book(book, binned, samples, noise, unsure)
    expected, expected_sd = expected_arrival(book, bins.runner_l)
    fit = fit_shots(samples, binned, bins, np.nan_to_num(expected), np.nan_to_num(expected_sd))
    return Batch(
        sample=numbered,
        group=group,
        book=book,
        known=np.array(shots["mould"].is_not_null()) & np.isfinite(column(book, "viscosity_tolerance_pct")),
        injected=np.isfinite(start),
        start_s=start,
        end_s=end,
        injected_l=last_l - first_l,
        at_least_l=column(inject, "volume_low_l"),
        at_most_l=column(inject, "volume_high_l"),
        packed=np.isfinite(column(pack, "start_s")),
        pack_l=column(pack, "end_volume_l") - column(pack, "start_volume_l"),
        pack_start_s=column(pack, "start_s"),
        pack_end_s=column(pack, "end_s"),
        ambient_mbar=ambient,
        ambient_source=source,
        stroked=stroked,
        samples=samples,
        binned=binned,
        bins=bins,
        expected_l=expected,
        runner_l=bins.runner_l,
        fit=fit,
    )
