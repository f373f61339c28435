"""The tables of the fill analysis."""

from __future__ import annotations

from catchpot.core_tables import CURVE_BINS
from catchpot.tables import Column, Table

FILL = Table(
    "fill",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column(
            "injected_volume_l",
            "f64",
            "l",
            "injected volume (metered, until the vent shut or the flow ended)",
            0.0,
        ),
        Column(
            "arrival_volume_l",
            "f64",
            "l",
            "arrival volume: metered volume, runner included, at which resin arrived at the vent",
            0.0,
        ),
        Column("arrival_volume_low_l", "f64", "l", "lower end of its 95 % interval", 0.0),
        Column("arrival_volume_high_l", "f64", "l", "upper end of its 95 % interval", 0.0),
        Column(
            "arrival_volume_absolute_low_l",
            "f64",
            "l",
            "lower end, 95 %, with the book's whole tolerance of the fibres' pull and the cover's yield",
            0.0,
        ),
        Column(
            "arrival_volume_absolute_high_l",
            "f64",
            "l",
            "upper end, 95 %, with the book's whole tolerance of the fibres' pull and the cover's yield",
            0.0,
        ),
        Column("overflow_l", "f64", "l", "overflow: what went past the vent, at most"),
        Column("overflow_low_l", "f64", "l", "lower end of its 95 % interval"),
        Column("overflow_high_l", "f64", "l", "upper end of its 95 % interval"),
        Column("fill_time_s", "f64", "s", "fill time: from the first flow to arrival", 0.0),
        Column("injection_time_s", "f64", "s", "injection time: from the first to the last flow", 0.0),
        Column("peak_line_pressure_bar", "f64", "bar", "peak line pressure, gauge"),
        Column(
            "packed_volume_l",
            "f64",
            "l",
            "volume pressed in after the vent shut; neither fill nor overflow",
            0.0,
        ),
        Column("arrival_time_s", "f64", "s", "log time of the arrival", 0.0),
        Column("smear_l", "f64", "l", "width over which the fronts arrived", 0.0),
        Column("cavity_pressure_mbar", "f64", "mbar", "cavity pressure at the start of injection, absolute"),
        Column("clamp_pressure_mbar", "f64", "mbar", "clamp pressure at the start of injection, absolute"),
        Column("ambient_pressure_mbar", "f64", "mbar", "ambient pressure used", 0.0),
        Column(
            "ambient_source",
            "str",
            "",
            "where the ambient pressure came from: logged, cavity gauge before evacuation, or settings",
        ),
        Column("resin_temp_c", "f64", "deg C", "mean resin temperature during injection"),
        Column("mould_temp_c", "f64", "deg C", "mean mould temperature during injection"),
        Column("catalyst_ratio_pct", "f64", "%", "catalyst to resin by volume, over the whole injection", 0.0),
        Column("clamp_margin_n", "f64", "N", "lowest net closing force of the shot; an upper estimate"),
        Column(
            "blocked_vent_margin_n",
            "f64",
            "N",
            "net closing force with the line pressure limit over the whole part",
        ),
    ),
    doc="how each shot filled",
)

PERMEABILITY = Table(
    "permeability",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("permeability_m2", "f64", "m2", "effective permeability", 0.0),
        Column("permeability_low_m2", "f64", "m2", "lower end, 95 %, within the shot, given the book", 0.0),
        Column("permeability_high_m2", "f64", "m2", "upper end, 95 %, within the shot, given the book", 0.0),
        Column("permeability_absolute_low_m2", "f64", "m2", "lower end, 95 %, with the book's tolerances", 0.0),
        Column("permeability_absolute_high_m2", "f64", "m2", "upper end, 95 %, with the book's tolerances", 0.0),
        Column(
            "mobility_m2_pa_s",
            "f64",
            "m2/(Pa s)",
            "mobility: permeability over viscosity, what the log shows",
            0.0,
        ),
        Column("mobility_low_m2_pa_s", "f64", "m2/(Pa s)", "lower end, 95 %, within the shot", 0.0),
        Column("mobility_high_m2_pa_s", "f64", "m2/(Pa s)", "upper end, 95 %, within the shot", 0.0),
        Column(
            "mobility_absolute_low_m2_pa_s",
            "f64",
            "m2/(Pa s)",
            "lower end, 95 %, with the book's tolerances of thickness and pressures",
            0.0,
        ),
        Column(
            "mobility_absolute_high_m2_pa_s",
            "f64",
            "m2/(Pa s)",
            "upper end, 95 %, with the book's tolerances of thickness and pressures",
            0.0,
        ),
        Column("viscosity_pa_s", "f64", "Pa s", "viscosity at the measured temperature", 0.0),
        Column("porosity", "f64", "", "porosity of the fibre pack", 0.0, 1.0),
        Column(
            "line_resistance_per_m3",
            "f64",
            "1/m3",
            "line resistance free of viscosity: pressure loss = viscosity x flow x this",
        ),
        Column("line_resistance_low_per_m3", "f64", "1/m3", "lower end, 95 %"),
        Column("line_resistance_high_per_m3", "f64", "1/m3", "upper end, 95 %"),
    ),
    doc="each shot's mobility and permeability",
)

FILL_FIT = Table(
    "fill_fit",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("vol_l", f"f64[{CURVE_BINS}]", "l", "metered volume, mean of the bin; null where no sample fell"),
        Column(
            "resistance_bar_min_l",
            f"f64[{CURVE_BINS}]",
            "bar min/l",
            "resistance: driving pressure over flow; null where there was no flow or the gauge was at its end",
        ),
        Column("fitted_bar_min_l", f"f64[{CURVE_BINS}]", "bar min/l", "fitted resistance"),
    ),
    doc="resistance over volume as measured and as fitted, for drawing",
)
