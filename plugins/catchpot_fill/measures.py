"""The columns of `fill` and `permeability`, each value given or refused with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.core_tables import CURVE_BINS
from catchpot.physics.clamp import blocked_vent_force, closing_force, mean_cavity_pressure
from catchpot.physics.darcy import position_share, resistance_share, taper_of
from catchpot.physics.resin import porosity
from catchpot.report import words
from catchpot_fill.history import ARRIVED, Outcome
from catchpot_fill.outcome import Refusals, nullable
from catchpot_fill.prepare import column
from catchpot_fill.witnesses import USUAL_DENSITY_KG_M3, before_bed_l, rows

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_ARRIVAL = ("fill.arrival_volume_l", "fill.overflow_l", "fill.fill_time_s")
_CURVE = ("fill.arrival_relative", "fill.taken_volume_l")
_PERMEABILITY = ("permeability.mobility_m2_pa_s", "permeability.permeability_m2")
_LINE = "permeability.line_resistance_per_m3"
_NO_INJECTION = "a hold check, no injection"
_TOO_FEW = "too few usable samples of the injection: hardly any flow, or the line gauge stood at the end of its range"
_NOT_ARRIVED = (
    "the shot ended before resin arrived at the vent, or too near it to tell: it took at least arrival_volume_low_l"
)
_NO_TEMPERATURE = "neither resin nor mould temperature was logged, so the resin's viscosity is not known"
_NO_GROWTH = "the resistance does not grow with volume beyond its noise, so no permeability can be told"
GRAVITY_M_S2 = 9.80665
SURE_AMBIENT_MBAR = 3.0
"""What remains, at 95 %, of an ambient pressure read from the cavity gauge itself or from a barometer."""
UP_TO, EARLY = 0.9, 0.6
"""Shares of the volume up to which permeability is fitted, and up to which beside it: real parts converge faster than
the book's channel near the vent, and how far the two differ is a doubt of the book's geometry."""
FROM_PORT, PORT_TAPER = 0.03, 1.5
"""At a port, where little volume makes much resistance, cells before this share are left out."""
LEAST_CELLS = 15
CLEAR = 2.5
"""Standard errors by which the resistance must grow."""


@dataclass(frozen=True)
class Mould:
    """The shots of a mould: `shot` with `injection` beside it, the book's row of each, and what the history says."""

    frame: pl.DataFrame
    book: pl.DataFrame
    outcome: Outcome

    def of(self, name: str) -> Array:
        """A book value of each shot, NaN where the book has none."""
        return column(self.book, name)

    def seen(self, name: str) -> Array:
        """A fact of each injection, NaN where unknown."""
        return column(self.frame, name)


@dataclass(frozen=True)
class Line:
    """What the fit of the closed form leaves for the clamp margin: line resistance (shots,), share filled and viscosity
    times flow of each cell (shots, cells)."""

    resistance: Array
    share: Array
    mu_q: Array


def permeability_columns(m: Mould, refusals: Refusals) -> tuple[dict[str, Any], Line]:
    """Columns of the table `permeability`, without the key."""
    fitted = _why_no_fit(m, refusals, (*_PERMEABILITY, _LINE))
    injected, arrival = m.seen("injected_volume_l"), m.outcome.place
    resistance, noise, drive = (rows(m.frame[c]) for c in ("resistance_per_m3", "resistance_sd_per_m3", "drive_pa"))
    mu_bed, mu_line = m.seen("bed_viscosity_pa_s"), m.seen("line_viscosity_pa_s")
    mu_q = drive / resistance
    runner, taper = before_bed_l(m.book), taper_of(m.of("inlet_width_m"), m.of("flow_length_m"), m.of("part_area_m2"))
    scale = m.of("flow_length_m") / (m.of("inlet_width_m") * m.of("thickness_mm") * 1e-3)
    volume = injected[:, None] * (np.arange(CURVE_BINS) + 0.5) / CURVE_BINS
    share = np.clip((volume - runner[:, None]) / (arrival - runner)[:, None], 0.0, 1.0)
    bed = scale[:, None] * resistance_share(share, taper[:, None])
    density = m.of("density_kg_m3")
    head = (
        np.where(np.isfinite(density), density, USUAL_DENSITY_KG_M3)
        * GRAVITY_M_S2
        * np.nan_to_num(m.of("vent_height_m"))
    )
    known = (
        head[:, None] * position_share(share, taper[:, None])
        - np.nan_to_num(m.of("capillary_pressure_mbar"))[:, None] * 100
    )
    y = resistance - known / mu_q
    unsure = np.where(np.array(m.frame["ambient_source"].to_list(), dtype=object) == "settings",
                      m.of("ambient_tolerance_mbar"), SURE_AMBIENT_MBAR)  # fmt: skip
    offset_pa = np.where(np.isfinite(unsure), unsure, 10.0) * 100.0 / 1.96
    port = np.where(taper > PORT_TAPER, FROM_PORT, 0.0)[:, None]
    columns = np.stack([np.broadcast_to((mu_line / mu_bed)[:, None], y.shape), bed, 1.0 / mu_q], axis=2)
    usable = np.isfinite(y) & np.isfinite(noise) & (share >= port)
    k_inverse, sd, line, line_sd = _fit(columns, y, noise, usable & (share <= UP_TO), offset_pa)
    early, *_ = _fit(columns, y, noise, usable & (share <= EARLY), offset_pa)
    unclear = fitted & ~(k_inverse > CLEAR * sd)
    refusals.add(unclear, _PERMEABILITY, _NO_GROWTH)
    given = fitted & ~unclear
    out = _permeability(m, refusals, given, fitted, np.where(given, 1.0 / k_inverse, np.nan), sd / k_inverse,
                        np.abs(np.log(early / k_inverse)) / 2)  # fmt: skip
    mu_known = np.isfinite(out["permeability_m2"].fill_null(float("nan")).to_numpy()) | (fitted & _viscosity_known(m))
    told = np.where(fitted & mu_known, line, np.nan)
    out |= {
        "line_resistance_per_m3": nullable(told), "line_resistance_low_per_m3": nullable(told - 1.96 * line_sd),
        "line_resistance_high_per_m3": nullable(told + 1.96 * line_sd),
    }  # fmt: skip
    return out, Line(np.nan_to_num(line), share, mu_q)


def _fit(columns: Array, y: Array, noise: Array, use: Flags, offset_pa: Array) -> tuple[Array, Array, Array, Array]:
    """1/K with its s.d. and the line's resistance with its, (shots,), by weighted least squares; NaN with few cells.

    The offset of the driving pressure has a prior of its s.d.; what is left over widens the errors by its size and its
    correlation from cell to cell.
    """
    w = np.where(use, 1.0 / noise**2, 0.0)
    clean, target = np.where(use[:, :, None], columns, 0.0), np.where(use, y, 0.0)
    size = np.maximum(np.sqrt(np.einsum("sc,sck->sk", w, clean**2)), 1e-300)
    clean = clean / size[:, None, :]
    gram = np.einsum("sc,sci,scj->sij", w, clean, clean)
    gram[:, 2, 2] += 1.0 / (offset_pa * size[:, 2]) ** 2
    gram += np.eye(3) * 1e-9
    enough = use.sum(axis=1) >= LEAST_CELLS
    gram[~enough] = np.eye(3)
    gram = np.where(np.isfinite(gram), gram, np.eye(3))
    rhs = np.nan_to_num(np.einsum("sc,sci,sc->si", w, clean, target))
    at = np.linalg.solve(gram, rhs[:, :, None])[:, :, 0]
    left = np.where(use, (target - np.einsum("sci,si->sc", clean, at)) * np.sqrt(w), 0.0)
    n = np.maximum(use.sum(axis=1), 4)
    spread = np.maximum(np.sum(left**2, axis=1) / (n - 3), 1.0)
    follow = np.sum(left[:, 1:] * left[:, :-1], axis=1) / np.maximum(np.sum(left**2, axis=1), 1e-300)
    factor = spread * np.clip((1 + follow) / np.maximum(1 - follow, 0.05), 1.0, 40.0)
    cov = np.linalg.inv(gram) * factor[:, None, None]
    sd = np.sqrt(np.maximum(np.diagonal(cov, axis1=1, axis2=2), 0.0)) / size
    at = at / size
    bed, bed_sd, line, line_sd = (np.where(enough, v, np.nan) for v in (at[:, 1], sd[:, 1], at[:, 0], sd[:, 0]))
    return bed, bed_sd, line, line_sd


def _viscosity_known(m: Mould) -> Flags:
    batch = np.isfinite(m.of("batch_viscosity_pa_s"))
    book = np.isfinite(m.of("viscosity_pa_s")) & np.isfinite(m.of("viscosity_temp_c"))
    warm = np.isfinite(m.seen("resin_temp_c")) | np.isfinite(m.seen("mould_temp_c"))
    return np.asarray((batch | book) & warm)


def _permeability(m: Mould, refusals: Refusals, given: Flags, fitted: Flags, k: Array, relative_sd: Array,
                  geometry: Array) -> dict[str, Any]:  # fmt: skip
    relative = 1.96 * relative_sd
    low, high = k / (1.0 + relative), k / np.maximum(1.0 - relative, 0.05)
    in_book = np.isfinite(m.of("batch_viscosity_pa_s")) | (
        np.isfinite(m.of("viscosity_pa_s")) & np.isfinite(m.of("viscosity_temp_c"))
    )
    known_mu = _viscosity_known(m)
    refusals.add(fitted & in_book & ~known_mu, (_PERMEABILITY[1], "permeability.viscosity_pa_s", _LINE),
                 _NO_TEMPERATURE)  # fmt: skip
    refusals.add(fitted & ~in_book, (_PERMEABILITY[1], "permeability.viscosity_pa_s", _LINE),
                 "the mould book has no viscosity for this mould's resin")  # fmt: skip
    mu = m.seen("bed_viscosity_pa_s")
    drive = rows(m.frame["drive_pa"])
    known = np.isfinite(drive)
    pressure = np.where(known, drive, 0.0).sum(axis=1) / known.sum(axis=1)
    parts = [
        relative, 1.96 * geometry, m.outcome.place_half, m.of("thickness_tolerance_mm") / m.of("thickness_mm"),
        m.of("capillary_pressure_tolerance_mbar") * 100.0 / pressure,
    ]  # fmt: skip
    seen = np.minimum(np.sqrt(np.sum(np.nan_to_num(parts) ** 2, axis=0)), 0.95)
    whole = np.minimum(np.hypot(seen, np.nan_to_num(m.of("viscosity_tolerance_pct")) / 100.0), 0.95)
    weight, rho = m.of("fibre_areal_weight_g_m2") * 1e-3, m.of("fibre_density_kg_m3")
    phi = porosity(weight, rho, m.of("thickness_mm") * 1e-3)
    injected = np.isfinite(m.seen("injected_volume_l"))
    for key, value in (("fibre_areal_weight_g_m2", weight), ("fibre_density_kg_m3", rho)):
        refusals.add(injected & ~np.isfinite(value), "permeability.porosity", f"the mould book has no {key}")
    m2 = np.where(known_mu, k, np.nan)
    return {
        "permeability_m2": nullable(m2), "permeability_low_m2": nullable(np.where(known_mu, low, np.nan)),
        "permeability_high_m2": nullable(np.where(known_mu, high, np.nan)),
        "permeability_absolute_low_m2": nullable(m2 / (1.0 + whole)),
        "permeability_absolute_high_m2": nullable(m2 / (1.0 - whole)),
        "mobility_m2_pa_s": nullable(k / mu), "mobility_low_m2_pa_s": nullable(low / mu),
        "mobility_high_m2_pa_s": nullable(high / mu), "mobility_absolute_low_m2_pa_s": nullable(k / mu / (1.0 + seen)),
        "mobility_absolute_high_m2_pa_s": nullable(k / mu / (1.0 - seen)),
        "viscosity_pa_s": nullable(np.where(known_mu & injected, mu, np.nan)),
        "porosity": nullable(np.where((phi > 0) & (phi < 1) & injected, phi, np.nan)),
    }  # fmt: skip


def _why_no_fit(m: Mould, refusals: Refusals, what: tuple[str, ...]) -> Flags:
    """Refuse what a shot without injection, curve or booked channel can't give; True where a fit is there."""
    _refuse_without_injection(m, refusals, *what)
    curve = np.isfinite(m.outcome.place)
    refusals.add(~curve, what, _TOO_FEW)
    taper = taper_of(m.of("inlet_width_m"), m.of("flow_length_m"), m.of("part_area_m2"))
    lacking = ~np.isfinite(taper)
    for key in ("inlet_width_m", "flow_length_m", "part_area_m2", "thickness_mm"):
        refusals.add(~np.isfinite(m.of(key)), what, f"the mould book has no {key} for this mould")
    refusals.add(lacking, what, "inlet_width_m, flow_length_m and part_area_m2 of the mould book contradict each other")
    return np.asarray(curve & ~lacking & np.isfinite(m.of("thickness_mm")))


def _refuse_without_injection(m: Mould, refusals: Refusals, *what: str) -> None:
    """Refuse values of shots whose injected volume is not known: over much of it flow is missing, or there was none."""
    none = ~np.isfinite(m.seen("injected_volume_l"))
    low, high = m.seen("at_least_l"), m.seen("at_most_l")
    reasons = [
        f"flow is missing over too much of the injection: between {words.between(a, b, 'l', 2, 'and')} were injected"
        for a, b in zip(np.nan_to_num(low), np.nan_to_num(high), strict=True)
    ]
    for name in what:
        refusals.each(none & (high > low), name, reasons)
    refusals.add(none, what, _NO_INJECTION)


def fill_columns(m: Mould, curves: pl.DataFrame, line: Line, refusals: Refusals) -> dict[str, Any]:
    """Columns of the table `fill`, without the key. curves: `curve` of the same shots, in the same order."""
    injected, o = m.seen("injected_volume_l"), m.outcome
    beyond = injected - m.seen("programmed_volume_l")
    of_injection = (
        "fill.injected_volume_l", "fill.beyond_programmed_l", "fill.injection_time_s", "fill.peak_line_pressure_bar",
    )  # fmt: skip
    _refuse_without_injection(m, refusals, *of_injection, *_ARRIVAL, *_CURVE)
    refusals.add(~np.isfinite(beyond), "fill.beyond_programmed_l", "the log does not say which volume was set")
    refusals.add(~np.isfinite(o.place), (*_ARRIVAL, *_CURVE), _TOO_FEW)
    arrived = np.isfinite(o.place) & (o.chance >= ARRIVED)
    refusals.add(np.isfinite(o.place) & ~arrived, (*_ARRIVAL, "fill.arrival_volume_high_l"), _NOT_ARRIVED)
    value, high = np.where(arrived, o.arrival, np.nan), np.where(arrived, o.arrival_high, np.nan)
    low = np.where(arrived, o.arrival_low, np.minimum(o.arrival_low, injected))
    at = _time_at(m, value)
    margin, blocked = _margins(m, curves, line, refusals)
    start = m.seen("from_s")
    return {
        "injected_volume_l": nullable(injected), "beyond_programmed_l": nullable(beyond),
        "arrival_volume_l": nullable(value), "arrival_volume_low_l": nullable(low),
        "arrival_volume_high_l": nullable(high),
        "arrival_relative": nullable(o.relative), "arrival_relative_low": nullable(o.relative_low),
        "arrival_relative_high": nullable(o.relative_high), "arrival_relative_sd": nullable(o.relative_sd),
        "arrival_relative_shared_sd": nullable(o.relative_shared_sd),
        "arrival_chance": nullable(o.chance),
        "arrival_place_l": nullable(o.place), "arrival_place_pct": nullable(100 * o.place_half),
        "arrival_place_above_pct": nullable(100 * o.place_above),
        "taken_volume_l": nullable(o.taken), "taken_volume_low_l": nullable(o.taken_low),
        "taken_volume_high_l": nullable(o.taken_high), "oddity": nullable(o.oddity),
        "overflow_l": nullable(injected - value), "overflow_low_l": nullable(np.maximum(injected - high, 0.0)),
        "overflow_high_l": nullable(np.where(arrived, injected - low, np.nan)),
        "fill_time_s": nullable(np.maximum(at - start, 0.0)), "arrival_time_s": nullable(at),
        "injection_time_s": nullable(m.seen("to_s") - start),
        **{c: nullable(m.seen(c)) for c in (
            "peak_line_pressure_bar", "packed_volume_l", "cavity_pressure_mbar", "clamp_pressure_mbar",
            "ambient_pressure_mbar", "resin_temp_c", "mould_temp_c", "catalyst_ratio_pct")},
        "ambient_source": m.frame["ambient_source"],
        "clamp_margin_n": nullable(margin), "blocked_vent_margin_n": nullable(blocked),
    }  # fmt: skip


def _time_at(m: Mould, volume_l: Array) -> Array:
    """Log time at which the metered volume was reached, s."""
    times, injected = rows(m.frame["time_s"]), m.seen("injected_volume_l")
    out = np.full(len(volume_l), np.nan)
    share = (np.arange(CURVE_BINS) + 1.0) / CURVE_BINS
    for i in np.flatnonzero(np.isfinite(volume_l) & np.isfinite(times).all(axis=1)):
        out[i] = np.interp(volume_l[i] / injected[i], share, times[i])
    return out


def _margins(m: Mould, curves: pl.DataFrame, line: Line, refusals: Refusals) -> tuple[Array, Array]:
    """Lowest net closing force of each shot, and with the vent blocked, N."""
    area, part, limit = m.of("clamp_area_m2"), m.of("part_area_m2"), m.of("line_pressure_limit_bar")
    worst = m.seen("highest_clamp_pressure_mbar") * 100.0
    what = ("fill.clamp_margin_n", "fill.blocked_vent_margin_n")
    _refuse_without_injection(m, refusals, *what)
    refusals.add(~np.isfinite(worst), what, "clamp margin not assessed: no clamp pressure logged")
    for key, value in (("clamp_area_m2", area), ("part_area_m2", part)):
        refusals.add(~np.isfinite(value), what, f"clamp margin not assessed: the mould book has no {key}")
    refusals.add(~np.isfinite(limit), what[1], "the mould book has no line_pressure_limit_bar")
    ambient = m.seen("ambient_pressure_mbar") * 100.0
    taper = taper_of(m.of("inlet_width_m"), m.of("flow_length_m"), m.of("part_area_m2"))
    pressed, ahead, clamp = (
        rows(curves[c]) * f for c, f in (("line_pressure_bar", 1e5), ("cavity_pressure_mbar", 100.0),
                                         ("clamp_pressure_mbar", 100.0))
    )  # fmt: skip
    lost = np.nan_to_num(line.mu_q) * np.maximum(line.resistance, 0.0)[:, None]
    inlet = pressed + ambient[:, None] - lost
    mean = mean_cavity_pressure(np.maximum(inlet, ahead), ahead, line.share, taper[:, None])
    force = closing_force(ambient[:, None], clamp, area[:, None], mean, part[:, None])
    lowest = np.min(np.where(np.isfinite(force), force, np.inf), axis=1, initial=np.inf)
    lowest = np.fmin(np.where(np.isfinite(lowest), lowest, np.nan), m.seen("packed_margin_n"))
    refusals.add(~np.isfinite(lowest), what[0], "clamp margin not assessed: the filling curve could not be read")
    return lowest, blocked_vent_force(ambient, worst, area, limit * 1e5, part)
