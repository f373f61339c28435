"""The columns of the tables, each value given or refused with its reason."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.physics.clamp import blocked_vent_force, closing_force, mean_cavity_pressure
from catchpot.physics.resin import porosity
from catchpot_fill.fit import SPREADING_TAPER
from catchpot_fill.fit import arrived as clearly_arrived
from catchpot_fill.gather import Batch
from catchpot_fill.outcome import Refusals, nullable, nullable_rows
from catchpot_fill.prepare import column, extreme_by, mean_by

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_FILL = ("fill.arrival_volume_l", "fill.overflow_l", "fill.fill_time_s")
_PERMEABILITY = ("permeability.mobility_m2_pa_s", "permeability.permeability_m2")
_OFF_RANGE = "too few usable samples: the line gauge stood at the end of its range, or there was hardly any flow"
_NO_SCALE = "no arrival was found to scale the curve by, and the mould book lacks the fibre data that give the volume"
_NOT_EVEN = (
    "the resistance does not follow an even filling (something restricted the line, ran ahead, thickened, lifted or "
    "let air in), so the arrival could not be told"
)
_SPREADS = (
    "the resin spreads from a small inlet over an ever wider front, so the pressure hardly shows when it reaches the "
    "vent; on such a mould the arrival shows only where resin then has to fill a vent hose"
)
ODD_CURVE = 8.0
"""Factor of serial correlation in what the fit leaves over, beyond which the curve is not that of an even filling."""
_NO_TEMPERATURE = "neither resin nor mould temperature was logged, so the resin's viscosity is not known"
_NO_GROWTH = "the resistance does not grow with volume beyond its noise, so no permeability can be told"


def _why_no_fit(shot: Batch, refusals: Refusals, what: tuple[str, ...]) -> Flags:
    """Refuse what a shot without injection, book or curve can't give; True where a fit is there."""
    refusals.add(~shot.injected, what, "a hold check, no injection")
    _refuse_unmetered(shot, refusals, what)
    refusals.add(~shot.known, what, "the mould book does not have this mould")
    lacking = ~np.isfinite(shot.bins.taper)
    for key in ("inlet_width_m", "flow_length_m", "part_area_m2", "thickness_mm"):
        refusals.add(lacking & ~np.isfinite(shot.of(key)), what, f"the mould book has no {key} for this mould")
    refusals.add(lacking, what, "inlet_width_m, flow_length_m and part_area_m2 of the mould book contradict each other")
    fitted = np.isfinite(shot.fit.arrival_l)
    used = np.sum(shot.bins.n > 0, axis=1)
    off_range = (np.bincount(shot.samples.shot, minlength=len(used)) > 40) & (used < 20)
    refusals.add(~fitted & off_range, what, _OFF_RANGE)
    refusals.add(~fitted, what, "too few samples of the injection")
    return fitted


def _refuse_unmetered(shot: Batch, refusals: Refusals, what: tuple[str, ...]) -> None:
    """Refuse values of shots whose volume is not known, with the bounds it lies within."""
    lost = shot.injected & ~np.isfinite(shot.injected_l)
    reasons = [
        f"flow is missing over too much of the injection: between {low:.2f} and {high:.2f} l were injected"
        for low, high in zip(np.nan_to_num(shot.at_least_l), np.nan_to_num(shot.at_most_l), strict=True)
    ]
    for name in what:
        refusals.each(lost, name, reasons)


def _arrived(shot: Batch, refusals: Refusals, widest: float) -> Flags:
    fit = shot.fit
    fitted = _why_no_fit(shot, refusals, _FILL)
    found = fitted & clearly_arrived(fit.gain, shot.bins.taper, fit.odds)
    refusals.add(fitted & ~found & (fit.correlation_factor > ODD_CURVE), _FILL, _NOT_EVEN)
    refusals.add(fitted & ~found & (shot.bins.taper > SPREADING_TAPER), _FILL, _SPREADS)
    refusals.add(fitted & ~found, _FILL, "resin never arrived at the vent, or the shot stopped before it could be told")
    half = (fit.high_l - fit.low_l) / 2
    vague = found & (half > widest * fit.arrival_l)
    reasons = [
        f"the curve bends too gently to tell: the arrival volume would be known to {h:.2g} l either way only"
        for h in np.nan_to_num(half)
    ]
    for what in _FILL:
        refusals.each(vague, what, reasons)
    return found & ~vague


def _time_at(shot: Batch, volume_l: Array) -> Array:
    """Log time at which the metered volume was reached, s."""
    s = shot.samples
    out = np.full(len(volume_l), np.nan)
    big = 1.0 + 2.0 * float(np.nanmax(np.abs(s.vol_l), initial=1.0))
    key = np.maximum.accumulate(np.nan_to_num(s.vol_l) + big * s.shot) if len(s.shot) else s.vol_l
    for_shot = np.flatnonzero(np.isfinite(volume_l))
    if len(for_shot) and len(key):
        out[for_shot] = np.interp(volume_l[for_shot] + big * for_shot, key, s.t_s)
    return out


def _margins(shot: Batch, clamp_pa: Array, refusals: Refusals) -> tuple[Array, Array]:
    """Lowest net closing force of each shot, and with the vent blocked, N."""
    area, part = shot.of("clamp_area_m2"), shot.of("part_area_m2")
    what = ("fill.clamp_margin_n", "fill.blocked_vent_margin_n")
    refusals.add(~shot.injected, what, "a hold check, no injection")
    refusals.add(~np.isfinite(clamp_pa), what, "clamp margin not assessed: no clamp pressure logged")
    for key, value in (("clamp_area_m2", area), ("part_area_m2", part)):
        refusals.add(~np.isfinite(value), what, f"clamp margin not assessed: the mould book has no {key}")
    limit = shot.of("line_pressure_limit_bar")
    refusals.add(~np.isfinite(limit), what[1], "the mould book has no line_pressure_limit_bar")
    ambient = shot.ambient_mbar * 100.0
    groups = len(ambient)
    s, b, f = shot.samples, shot.binned, shot.fit
    ok = b.bin >= 0
    flat = (s.shot * b.n.shape[1] + b.bin)[ok]

    def bin_mean(values: Array) -> Array:
        return mean_by(values[ok], flat, groups * b.n.shape[1]).reshape(b.n.shape)

    inlet = bin_mean(s.line_pa) + ambient[:, None] - b.line * f.line_resistance[:, None]
    ahead = bin_mean(s.cavity_pa)
    clamp = bin_mean(s.clamp_pa)
    mean = mean_cavity_pressure(np.maximum(inlet, ahead), ahead, f.fill, shot.bins.taper[:, None])
    force = closing_force(ambient[:, None], clamp, area[:, None], mean, part[:, None])
    force = np.where(np.isfinite(force) & (b.n > 0), force, np.inf)
    lowest = np.min(force, axis=1)
    t = column(shot.sample, "t_s")
    in_pack = (t >= shot.pack_start_s[shot.group]) & (t <= shot.pack_end_s[shot.group])
    pressed = ambient[shot.group] + column(shot.sample, "line_pressure_bar") * 1e5
    held = closing_force(ambient[shot.group], column(shot.sample, "clamp_pressure_mbar") * 100.0, area[shot.group],
                         pressed, part[shot.group])  # fmt: skip
    packed = extreme_by(np.where(in_pack, held, np.nan), shot.group, groups, largest=False)
    lowest = np.fmin(np.where(np.isfinite(lowest), lowest, np.nan), packed)
    refusals.add(~np.isfinite(lowest), what[0], "clamp margin not assessed: the filling curve could not be fitted")
    return lowest, blocked_vent_force(ambient, clamp_pa, area, limit * 1e5, part)


def fill_columns(shot: Batch, refusals: Refusals, widest: float) -> dict[str, Any]:
    """Columns of the table `fill`, without the key. widest: half-width over volume beyond which arrival is refused."""
    groups, s, fit = len(shot.start_s), shot.samples, shot.fit
    refusals.add(~shot.injected, ("fill.injected_volume_l", "fill.injection_time_s", "fill.peak_line_pressure_bar"),
                 "a hold check, no injection")  # fmt: skip
    _refuse_unmetered(shot, refusals, ("fill.injected_volume_l", "fill.packed_volume_l"))
    arrived = _arrived(shot, refusals, widest)
    value, low, high = (np.where(arrived, v, np.nan) for v in (fit.arrival_l, fit.low_l, fit.high_l))
    at = _time_at(shot, value)

    def mean_of(name: str) -> Array:
        t = column(shot.sample, "t_s")
        inside = (t >= shot.start_s[shot.group]) & (t <= shot.end_s[shot.group])
        return mean_by(column(shot.sample, name), shot.group, groups, inside)

    early = s.t_s <= shot.start_s[s.shot] + 2.0
    clamp = mean_by(s.clamp_pa, s.shot, groups, early)
    worst_clamp = extreme_by(s.clamp_pa, s.shot, groups, largest=True)
    margin, blocked = _margins(shot, worst_clamp, refusals)
    catalyst, resin = mean_of("catalyst_flow_ml_min"), mean_of("flow_l_min") * 1e3
    # the flow is of the mixed resin
    ratio = np.where(resin > catalyst, 100.0 * catalyst / (resin - catalyst), np.nan)
    packed = np.where(shot.injected, np.where(shot.packed, np.maximum(shot.pack_l, 0.0), 0.0), np.nan)
    return {
        "injected_volume_l": nullable(np.where(shot.injected, np.maximum(shot.injected_l, 0.0), np.nan)),
        "arrival_volume_l": nullable(value),
        "arrival_volume_low_l": nullable(low),
        "arrival_volume_high_l": nullable(high),
        "arrival_volume_absolute_low_l": nullable(np.where(arrived, fit.widest_low_l, np.nan)),
        "arrival_volume_absolute_high_l": nullable(np.where(arrived, fit.widest_high_l, np.nan)),
        "overflow_l": nullable(shot.injected_l - value),
        "overflow_low_l": nullable(shot.injected_l - high),
        "overflow_high_l": nullable(shot.injected_l - low),
        "fill_time_s": nullable(np.maximum(at - shot.start_s, 0.0)),
        "injection_time_s": nullable(shot.end_s - shot.start_s),
        "peak_line_pressure_bar": nullable(extreme_by(s.line_pa, s.shot, groups, largest=True) / 1e5),
        "packed_volume_l": nullable(packed),
        "arrival_time_s": nullable(at),
        "smear_l": nullable(np.where(arrived, fit.smear_l, np.nan)),
        "cavity_pressure_mbar": nullable(mean_by(s.cavity_pa, s.shot, groups, early) / 100.0),
        "clamp_pressure_mbar": nullable(clamp / 100.0),
        "ambient_pressure_mbar": nullable(shot.ambient_mbar),
        "ambient_source": pl.Series(shot.ambient_source, dtype=pl.String),
        "resin_temp_c": nullable(mean_of("resin_temp_c")),
        "mould_temp_c": nullable(mean_of("mould_temp_c")),
        "catalyst_ratio_pct": nullable(np.where(ratio >= 0, ratio, np.nan)),
        "clamp_margin_n": nullable(margin),
        "blocked_vent_margin_n": nullable(blocked),
    }


def permeability_columns(shot: Batch, refusals: Refusals) -> dict[str, Any]:
    """Columns of the table `permeability`, without the key."""
    groups, s, fit = len(shot.start_s), shot.samples, shot.fit
    line_what = "permeability.line_resistance_per_m3"
    fitted = _why_no_fit(shot, refusals, (*_PERMEABILITY, line_what))
    arrived = clearly_arrived(fit.gain, shot.bins.taper, fit.odds)
    by_book = fitted & ~arrived
    refusals.add(by_book & ~np.isfinite(shot.expected_l), _PERMEABILITY, _NO_SCALE)
    inverse, sd = fit.inverse_permeability, fit.inverse_permeability_sd
    unsure = fitted & ~(inverse > 2.5 * sd)
    refusals.add(unsure, _PERMEABILITY, _NO_GROWTH)
    given = fitted & ~unsure & ~(by_book & ~np.isfinite(shot.expected_l))
    inverse, sd = np.where(given, inverse, np.nan), np.where(given, sd, np.nan)
    k, relative = 1.0 / inverse, 1.96 * sd / inverse
    low, high = k / (1.0 + relative), k / np.maximum(1.0 - relative, 0.05)
    known_mu = np.isfinite(shot.of("viscosity_pa_s")) | np.isfinite(shot.of("batch_viscosity_pa_s"))
    known_mu &= np.isfinite(shot.of("viscosity_temp_c")) | np.isfinite(shot.of("batch_viscosity_pa_s"))
    warmth = [mean_by(column(shot.sample, c), shot.group, groups) for c in ("resin_temp_c", "mould_temp_c")]
    measured = np.isfinite(warmth[0]) | np.isfinite(warmth[1])
    refusals.add(
        fitted & known_mu & ~measured, (_PERMEABILITY[1], "permeability.viscosity_pa_s", line_what), _NO_TEMPERATURE
    )
    book_mu, known_mu = known_mu, known_mu & measured
    mu = mean_by(s.bed_viscosity, s.shot, groups, s.usable)
    refusals.add(fitted & ~book_mu, ("permeability.permeability_m2", "permeability.viscosity_pa_s", line_what),
                 "the mould book has no viscosity for this mould's resin")  # fmt: skip
    pressure = np.sum(shot.bins.dp * shot.binned.n, axis=1) / np.sum(shot.binned.n, axis=1)
    parts = [
        relative,
        shot.of("thickness_tolerance_mm") / shot.of("thickness_mm"),
        shot.bins.offset_pa * 1.96 / pressure,
        shot.of("capillary_pressure_tolerance_mbar") * 100.0 / pressure,
    ]
    seen = np.minimum(np.sqrt(np.sum(np.nan_to_num(parts) ** 2, axis=0)), 0.95)
    whole = np.minimum(np.hypot(seen, np.nan_to_num(shot.of("viscosity_tolerance_pct")) / 100.0), 0.95)
    weight, rho = shot.of("fibre_areal_weight_g_m2") * 1e-3, shot.of("fibre_density_kg_m3")
    phi = porosity(weight, rho, shot.of("thickness_mm") * 1e-3)
    for key, value in (("fibre_areal_weight_g_m2", weight), ("fibre_density_kg_m3", rho)):
        refusals.add(shot.injected & ~np.isfinite(value), "permeability.porosity", f"the mould book has no {key}")
    phi = np.where((phi > 0) & (phi < 1) & shot.injected, phi, np.nan)
    m2 = np.where(known_mu, k, np.nan)
    line, line_sd = (np.where(fitted & known_mu, v, np.nan) for v in (fit.line_resistance, fit.line_resistance_sd))
    return {
        "permeability_m2": nullable(m2),
        "permeability_low_m2": nullable(np.where(known_mu, low, np.nan)),
        "permeability_high_m2": nullable(np.where(known_mu, high, np.nan)),
        "permeability_absolute_low_m2": nullable(m2 / (1.0 + whole)),
        "permeability_absolute_high_m2": nullable(m2 / (1.0 - whole)),
        "mobility_m2_pa_s": nullable(k / mu),
        "mobility_low_m2_pa_s": nullable(low / mu),
        "mobility_high_m2_pa_s": nullable(high / mu),
        "mobility_absolute_low_m2_pa_s": nullable(k / mu / (1.0 + seen)),
        "mobility_absolute_high_m2_pa_s": nullable(k / mu / (1.0 - seen)),
        "viscosity_pa_s": nullable(np.where(known_mu & shot.injected, mu, np.nan)),
        "porosity": nullable(phi),
        "line_resistance_per_m3": nullable(line),
        "line_resistance_low_per_m3": nullable(line - 1.96 * line_sd),
        "line_resistance_high_per_m3": nullable(line + 1.96 * line_sd),
    }


def fit_columns(shot: Batch) -> dict[str, Any]:
    """Columns of the table `fill_fit`, without the key; resistances in bar min/l."""
    used = (shot.binned.n > 0) & (shot.binned.flow_m3_s > 0)
    per_flow = 1e-5 / (shot.binned.flow_m3_s * 6e4)
    return {
        "vol_l": nullable_rows(np.where(used, shot.binned.vol_l, np.nan)),
        "resistance_bar_min_l": nullable_rows(np.where(used, shot.binned.dp_pa * per_flow, np.nan)),
        "fitted_bar_min_l": nullable_rows(np.where(used, shot.fit.fitted_dp_pa * per_flow, np.nan)),
    }
