"""The tables of the fill analysis."""

from __future__ import annotations

from catchpot.core_tables import CURVE_BINS
from catchpot.tables import Column, Table

CURVE_POINTS = 240

INJECTION = Table(
    "injection",
    ("shot", "step"),
    (
        Column("shot", "str", "", "the shot"),
        Column("step", "i64", "", "1 for the first injection of the shot", 1),
        Column("from_s", "f64", "s", "log time of the first flow", 0.0),
        Column("to_s", "f64", "s", "log time of the last flow", 0.0),
        Column("injected_volume_l", "f64", "l", "injected volume, metered", 0.0),
        Column("packed_volume_l", "f64", "l", "volume pressed in after the vent shut", 0.0),
        Column("peak_line_pressure_bar", "f64", "bar", "peak line pressure, gauge"),
        Column("cavity_pressure_mbar", "f64", "mbar", "cavity pressure at the start of injection, absolute"),
        Column("clamp_pressure_mbar", "f64", "mbar", "clamp pressure at the start of injection, absolute"),
        Column("highest_clamp_pressure_mbar", "f64", "mbar", "highest clamp pressure of the injection, absolute"),
        Column("packed_margin_n", "f64", "N", "lowest net closing force while the vent was shut and pressure held"),
        Column("ambient_pressure_mbar", "f64", "mbar", "ambient pressure used", 0.0),
        Column("ambient_source", "str", "", "logged, cavity gauge before evacuation, or settings"),
        Column("resin_temp_c", "f64", "deg C", "mean resin temperature"),
        Column("mould_temp_c", "f64", "deg C", "mean mould temperature"),
        Column("catalyst_ratio_pct", "f64", "%", "catalyst to resin by volume", 0.0),
        Column("bed_viscosity_pa_s", "f64", "Pa s", "viscosity in the mould; 1 where the book has none", 0.0),
        Column("line_viscosity_pa_s", "f64", "Pa s", "viscosity in the line; 1 where the book has none", 0.0),
        Column("stroked", "bool", "", "whether pump strokes stand in for flow"),
        Column("readings", "f64", "", "samples of the injection, or strokes where those were counted", 0.0),
        Column("resin_at_vent_s", "f64", "s", "log time at which a channel says that resin was at the vent", 0.0),
        Column("resistance_per_m3", f"f64[{CURVE_BINS}]", "1/m3", "mean of dp / (viscosity x flow) in each cell", 0.0),
        Column("resistance_sd_per_m3", f"f64[{CURVE_BINS}]", "1/m3", "noise of that mean", 0.0),
        Column("drive_pa", f"f64[{CURVE_BINS}]", "Pa", "mean driving pressure of each cell: line less cavity"),
        Column("time_s", f"f64[{CURVE_BINS}]", "s", "log time at the end of each cell", 0.0),
    ),
    doc="one row an injection: its facts, and its resistance free of viscosity in cells of equal metered volume",
)

FILL = Table(
    "fill",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        Column(
            "injected_volume_l",
            "f64",
            "l",
            "injected volume (metered, until the vent shut or the flow ended)",
            0.0,
        ),
        Column("beyond_programmed_l", "f64", "l", "injected minus programmed volume; the machine's own doing"),
        Column(
            "arrival_volume_l",
            "f64",
            "l",
            "arrival volume: metered volume, runner included, at which resin arrived at the vent",
            0.0,
        ),
        Column("arrival_volume_low_l", "f64", "l", "lower end of its 95 % interval; what it was at least", 0.0),
        Column(
            "arrival_volume_high_l",
            "f64",
            "l",
            "upper end of its 95 % interval, past the shot's end where it may not have arrived; null: only a least is"
            " known",
            0.0,
        ),
        Column("arrival_relative", "f64", "", "volume against the mould's usual: 1 is usual", 0.0),
        Column("arrival_relative_low", "f64", "", "lower end, 95 %, of all its errors together", 0.0),
        Column("arrival_relative_high", "f64", "", "upper end, 95 %, of all its errors together", 0.0),
        Column(
            "arrival_relative_sd",
            "f64",
            "",
            "relative s.d. of the shot's own error of it: over many shots it averages out",
            0.0,
        ),
        Column(
            "arrival_relative_shared_sd",
            "f64",
            "",
            "relative s.d. of the error of it that shots share and that does not average out",
            0.0,
        ),
        Column("arrival_chance", "f64", "", "chance that resin arrived before the shot ended", 0.0, 1.0),
        Column(
            "arrival_place_l", "f64", "l", "volume at which resin arrives or would have arrived, middle estimate", 0.0
        ),
        Column("arrival_place_pct", "f64", "%", "half of its 95 % interval without the shot's own", 0.0),
        Column("arrival_place_above_pct", "f64", "%", "how far that interval reaches above the middle", 0.0),
        Column(
            "taken_volume_l", "f64", "l", "taken volume: what stayed in the mould, injected less what went past", 0.0
        ),
        Column("taken_volume_low_l", "f64", "l", "lower end, 95 %", 0.0),
        Column("taken_volume_high_l", "f64", "l", "upper end, 95 %", 0.0),
        Column("oddity", "f64", "", "departure of the curve's shape from the mould's own, squared; 1 is usual", 0.0),
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
        Column("mould", "str", "", "the mould"),
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

OWN_CURVE = Table(
    "own_curve",
    ("mould", "as_of", "shots"),
    (
        Column("mould", "str", "", "the mould"),
        Column("as_of", "datetime", "", "start of the last shot that it rests on, UTC"),
        Column("shots", "i64", "", "shots that the curve was made of", 0),
        Column("vol_l", f"f64[{CURVE_POINTS}]", "l", "metered volume of a usual shot"),
        Column("resistance_bar_min_l", f"f64[{CURVE_POINTS}]", "bar min/l", "resistance of a usual shot", 0.0),
        Column("scatter_bar_min_l", f"f64[{CURVE_POINTS}]", "bar min/l", "its s.d. from shot to shot", 0.0),
        Column("viscosity_pa_s", "f64", "Pa s", "usual viscosity in the mould, at which the resistances are", 0.0),
        Column("arrival_volume_l", "f64", "l", "where resin arrives in a usual shot", 0.0),
        Column("arrival_volume_low_l", "f64", "l", "lower end, 95 %", 0.0),
        Column("arrival_volume_high_l", "f64", "l", "upper end, 95 %", 0.0),
        Column("by_curve_pct", "f64", "%", "half-width of that interval from the curve alone", 0.0),
        Column("pots", "i64", "", "weighed catch pots that say where", 0),
        Column("eyes", "i64", "", "times that resin was seen at the vent", 0),
        Column("knowledge", "str", "", "how well the place is known, by what, and what would help most"),
    ),
    doc="each mould's own curve as known after so many shots, and where on it resin arrives; the newest row counts",
)
