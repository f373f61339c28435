"""Quasi-steady filling of a channel whose width tapers linearly: strip, wedge, disc and all-round feed in one form.

Two shares describe every such channel: `fill`, the share of the part's area that is filled (0 to 1), and `taper`, the
width at the vent over the width at the inlet (1 a strip, below 1 converging as in all-round feed, above 1 diverging as
in a disc fed at a port). With `w0` the inlet width, `L` the flow length and `h` the thickness

    width        w = w0 * sqrt(1 + (taper^2 - 1) * fill)
    front        s = L * (w/w0 - 1) / (taper - 1)
    resistance   G = L / (w0 h) * g,  g = ln(w/w0) / (taper - 1)      [pressure loss = viscosity / permeability * Q * G]
    fill time    t = porosity * viscosity * L * A / (permeability * dp * w0) * tau,  tau = integral of g over the fill

Darcy's law (Darcy 1856) for a saturated bed behind a sharp front; forms for strip and disc as in Adams, Russel and
Rebenfeld (1988), Int. J. Multiphase Flow 14:203. Everything is SI and broadcasts over numpy arrays.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

NARROWEST_TAPER = 0.01
"""A channel that runs to a point would need an infinite pressure; resin leaves through a vent of some width."""


def taper_of(inlet_width_m: ArrayLike, flow_length_m: ArrayLike, part_area_m2: ArrayLike) -> Array:
    """Width at the vent over width at the inlet, so that the channel has the part's area.

    Returns NaN where area and length contradict each other (the channel would close before it reached the vent); a
    channel that just closes (a square fed all round) is held open at NARROWEST_TAPER.

    >>> float(taper_of(4.0, 0.4, 0.96))
    0.2
    """
    width, length, area = (np.asarray(v, dtype=float) for v in (inlet_width_m, flow_length_m, part_area_m2))
    with np.errstate(divide="ignore", invalid="ignore"):
        taper = 2.0 * area / (length * width) - 1.0
    sound = (width > 0) & (length > 0) & (area > 0) & (taper > -0.02)
    rounded = np.maximum(np.round(taper, 12), NARROWEST_TAPER)
    return np.where(sound, rounded, np.nan)


def _slant(fill: ArrayLike, taper: ArrayLike) -> tuple[Array, Array]:
    e = np.asarray(taper, dtype=float) - 1.0
    return e, e * (2.0 + e) * np.asarray(fill, dtype=float)


def width_share(fill: ArrayLike, taper: ArrayLike) -> Array:
    """Width at the front over inlet width, for a filled share of the area.

    >>> float(width_share(1.0, 0.25)), float(width_share(0.5, 1.0))
    (0.25, 1.0)
    """
    _, y = _slant(fill, taper)
    return np.sqrt(1.0 + y)


def position_share(fill: ArrayLike, taper: ArrayLike) -> Array:
    """Distance of the front from the inlet over the flow length.

    A disc with its area a quarter filled has its front at half the radius:

    >>> round(float(position_share(0.25, 1e6)), 4)
    0.5
    """
    e, y = _slant(fill, taper)
    # (sqrt(1+y) - 1) / e without the cancellation near a strip
    return np.asarray((2.0 + e) * np.asarray(fill, dtype=float) / (1.0 + np.sqrt(1.0 + y)))


def fill_of_position(position: ArrayLike, taper: ArrayLike) -> Array:
    """Filled share of the area for a front at a share of the flow length: the inverse of `position_share`."""
    e = np.asarray(taper, dtype=float) - 1.0
    s = np.asarray(position, dtype=float)
    return np.asarray((2.0 * s + e * s * s) / (2.0 + e))


def resistance_share(fill: ArrayLike, taper: ArrayLike) -> Array:
    """The bed's resistance g = G w0 h / L: 1 for a full strip.

    >>> float(resistance_share(0.5, 1.0))
    0.5
    """
    e, y = _slant(fill, taper)
    strip = e == 0.0
    return np.where(strip, np.asarray(fill, dtype=float), 0.5 * np.log1p(y) / np.where(strip, 1.0, e))


def resistance_growth(fill: ArrayLike, taper: ArrayLike) -> Array:
    """Derivative of `resistance_share` by the filled share: 1 for a strip.

    >>> float(resistance_growth(0.5, 1.0))
    1.0
    """
    e, y = _slant(fill, taper)
    return np.asarray((2.0 + e) / (2.0 * (1.0 + y)))


def fill_of_resistance(g: ArrayLike, taper: ArrayLike) -> Array:
    """Filled share of the area for a resistance share: the inverse of `resistance_share`."""
    e = np.asarray(taper, dtype=float) - 1.0
    strip = e == 0.0
    safe = np.where(strip, 1.0, e)
    share = np.asarray(g, dtype=float)
    return np.where(strip, share, np.expm1(2.0 * safe * share) / (safe * (2.0 + safe)))


def time_share(fill: ArrayLike, taper: ArrayLike) -> Array:
    """tau, the integral of `resistance_share` over the fill: 1/2 for a full strip.

    >>> float(time_share(1.0, 1.0))
    0.5
    """
    e, y = _slant(fill, taper)
    x = np.asarray(fill, dtype=float)
    near = np.abs(y) < 1e-4
    safe = np.where(near, 1.0, e)
    exact = 0.5 * ((1.0 + y) * np.log1p(y) - y) / (safe * safe * (2.0 + safe))
    series = 0.5 * x * x * (2.0 + e) * (0.5 - y / 6.0 + y * y / 12.0)
    return np.where(near, series, exact)


def bed_resistance(fill: ArrayLike, inlet_width_m: ArrayLike, flow_length_m: ArrayLike, thickness_m: ArrayLike,
                   taper: ArrayLike) -> Array:  # fmt: skip
    """G in 1/m: pressure loss in the bed = viscosity / permeability * flow * G."""
    scale = np.asarray(flow_length_m, dtype=float) / (
        np.asarray(inlet_width_m, dtype=float) * np.asarray(thickness_m, dtype=float)
    )
    return np.asarray(scale * resistance_share(fill, taper))


def pressure_share(at_fill: ArrayLike, front_fill: ArrayLike, taper: ArrayLike) -> Array:
    """Pressure above that ahead of the front, over its value at the inlet, where the area `at_fill` lies upstream.

    >>> float(pressure_share(0.25, 0.5, 1.0))
    0.5
    """
    at, front = np.asarray(at_fill, dtype=float), np.asarray(front_fill, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = 1.0 - resistance_share(at, taper) / resistance_share(front, taper)
    return np.where(at < front, share, 0.0)


def mean_pressure_share(fill: ArrayLike, taper: ArrayLike) -> Array:
    """Mean over the whole part of the pressure above that ahead of the front, over its value at the inlet.

    Half for a full strip; nought before anything is filled.

    >>> float(mean_pressure_share(1.0, 1.0))
    0.5
    """
    x = np.asarray(fill, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = x - time_share(x, taper) / resistance_share(x, taper)
    return np.where(x > 0, share, 0.0)


def fill_time_at_pressure(fill: ArrayLike, porosity: ArrayLike, viscosity_pa_s: ArrayLike, permeability_m2: ArrayLike,
                          driving_pressure_pa: ArrayLike, inlet_width_m: ArrayLike, flow_length_m: ArrayLike,
                          part_area_m2: ArrayLike, thickness_m: ArrayLike, taper: ArrayLike,
                          line_resistance_per_m3: ArrayLike = 0.0) -> Array:  # fmt: skip
    """Time in s to a filled share at constant pressure, the line (loss = viscosity x flow x resistance) in series."""
    phi, mu, k, dp, w0, length, area, h, r = (
        np.asarray(v, dtype=float)
        for v in (porosity, viscosity_pa_s, permeability_m2, driving_pressure_pa, inlet_width_m, flow_length_m,
                  part_area_m2, thickness_m, line_resistance_per_m3)
    )  # fmt: skip
    bed = phi * mu * length * area / (k * w0) * time_share(fill, taper)
    line = mu * r * phi * area * h * np.asarray(fill, dtype=float)
    return np.asarray((bed + line) / dp)


def fill_time_at_flow(fill: ArrayLike, porosity: ArrayLike, flow_m3_s: ArrayLike, part_area_m2: ArrayLike,
                      thickness_m: ArrayLike) -> Array:  # fmt: skip
    """Time in s to a filled share at constant flow."""
    phi, area, h, x = (np.asarray(v, dtype=float) for v in (porosity, part_area_m2, thickness_m, fill))
    return np.asarray(phi * area * h * x / np.asarray(flow_m3_s, dtype=float))


def fill_time_switched(fill: ArrayLike, porosity: ArrayLike, viscosity_pa_s: ArrayLike, permeability_m2: ArrayLike,
                       flow_m3_s: ArrayLike, pressure_limit_pa: ArrayLike, inlet_width_m: ArrayLike,
                       flow_length_m: ArrayLike, part_area_m2: ArrayLike, thickness_m: ArrayLike, taper: ArrayLike,
                       line_resistance_per_m3: ArrayLike = 0.0) -> tuple[Array, Array]:  # fmt: skip
    """Time in s to a filled share when the machine holds its flow until the pressure limit, then the pressure.

    Returns the time and the filled share at which it switches. A line that alone needs more than the limit switches
    at nought.
    """
    phi, mu, k, q, limit, w0, length, h, r = (
        np.asarray(v, dtype=float)
        for v in (porosity, viscosity_pa_s, permeability_m2, flow_m3_s, pressure_limit_pa, inlet_width_m,
                  flow_length_m, thickness_m, line_resistance_per_m3)
    )  # fmt: skip
    g_limit = np.maximum((limit / (mu * q) - r) * k * w0 * h / length, 0.0)
    e = np.asarray(taper, dtype=float) - 1.0
    # a diverging channel has no greater resistance than at the vent: beyond it the limit is never met
    switch = np.minimum(fill_of_resistance(np.minimum(g_limit, resistance_share(1.0, 1.0 + e)), taper), fill)
    args = (phi, mu, k, limit, w0, length, part_area_m2, h, taper, r)
    to_fill, to_switch = fill_time_at_pressure(fill, *args), fill_time_at_pressure(switch, *args)
    return fill_time_at_flow(switch, phi, q, part_area_m2, h) + to_fill - to_switch, np.asarray(switch)
