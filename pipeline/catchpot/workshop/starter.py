"""A commented starter workshop that passes its own check."""

from __future__ import annotations

from pathlib import Path

from catchpot.events import KINDS
from catchpot.whole import make_folder, write_whole

_SETTINGS = """\
# Settings of this workshop. `catchpot check` says what is wrong in here, with the line.

[workshop]
name = "Our workshop"
time_zone = "UTC"                 # an IANA zone such as "Europe/Lisbon"; times without offset are read in it
ambient_pressure_mbar = 1013.25   # used where a log holds no barometer
# date_order = "day first"          # how dates are written in events.csv, beside 2026-03-02: day first, month first
# decimal_mark = ","                # how decimals are written in parts.csv and on pages
# date_style = "02.03.2026"         # how dates are written on pages; as well "Mar 2, 2026" or "2026-03-02"
# pressure_unit = "kPa"             # for vacuum and leaks; mbar where nothing stands here
# volume_unit = "ml"                # l where nothing stands here

# Plugins to switch off, by name (`catchpot plugins` lists them).
# [plugins]
# disabled = []
# time_limit_s = 600                # an analysis that takes longer over what it is given at once is stopped
# memory_limit_mb = 8000            # of the process in which plugins that are not ours work

# Logs in any layout other than the plain one need a profile; `catchpot profile FILE` proposes one.
# [profiles.old-logger]
# files = "logs/bay2/*.csv"
# separator = ";"
# decimal = ","
# header_line = 6
# [profiles.old-logger.metadata]
# mould = { line = 2, field = 2 }
# injector = { constant = "injector-2" }
# [profiles.old-logger.time]
# column = "Time"
# format = "%d.%m.%Y %H:%M:%S,%f"
# [profiles.old-logger.channels]
# flow_l_min = { column = "Flow", unit = "cc/min" }
# line_pressure_bar = { column = "P line", unit = "psi", reference = "gauge" }
# cavity_pressure_mbar = { column = "Vac 1", unit = "kPa", reference = "vacuum" }
"""

_MOULDS = """\
# The mould book. Every key of a mould is optional: what is missing takes away only what needs it, and is said.
# The numbers below are an invented example; put in your own.

[resins.example-resin]
viscosity_pa_s = 0.20                # at viscosity_temp_c, from the data sheet or a flow cup
viscosity_temp_c = 23.0
viscosity_activation_k = 4200        # how viscosity falls with temperature
density_kg_m3 = 1120
catalyst_ratio_pct_by_volume = 1.5   # of the resin; or catalyst_ratio_pct_by_mass
catalyst_ratio_tolerance_pct = 0.15
# catalyst_density_kg_m3 = 1150
# price_per_kg = 6.50                # of the mix, in the workshop's currency

[moulds.example-mould]
resin = "example-resin"
fill = "peripheral"                  # linear | radial | peripheral
inlet_width_m = 4.0                  # length of the line the resin enters through (perimeter, edge, or 2 pi r)
flow_length_m = 0.40                 # from inlet to vent
part_area_m2 = 0.96
thickness_mm = 3.0
fibre_areal_weight_g_m2 = 1000
fibre_density_kg_m3 = 2560
# runner_volume_l = 0.0              # fills first, before the part
# feed_hose_volume_l = 0.0           # between meter and mould
# feed_hose_full = true              # where it is full of resin at the start
# vent_hose_volume_l = 0.0           # fills after resin has arrived at the vent
# vent_height_m = 0.0                # vent above inlet
# line_pressure_range_bar = [0, 6]   # what the gauge can show
# line_pressure_limit_bar = 0.5      # never to be passed
# bleed_target_l = 0.0               # wanted past the vent, to sweep air out
# fill_chance = 0.99                 # wanted chance that a shot fills
# gel_time_s = 2400                  # at viscosity_temp_c; the data sheet goes first
# core_volume_l = 0.0                # core inside the cavity, and the share of it that takes resin
# core_uptake_fraction = 0.5
# vacuum_source = "pump-1"           # the pump or receiver that draws clamp and cavity; moulds on one name share it
# clamp_volume_l = 0.8               # leak rates need the gas volumes
# cavity_gas_volume_l = 5.0
# clamp_area_m2 = 0.11
# outer_leak_limit_mbar_l_s = 0.30
# inner_leak_limit_mbar_l_s = 0.05
# clamp_leak_limit_mbar_l_s = 0.35   # outer and inner together; their sum where nothing stands here
# flush_volume_l = 0.3               # mixed resin flushed out after each shot
# seal_lead_time_days = 10           # from ordering a seal to having it, and what lies ready
# outer_seals_in_stock = 1
# inner_seals_in_stock = 1
# measures = ["fill_time_s"]         # columns of shot tables to track for drift beside the usual ones
# part = "Hatch, left"               # stand on the pages of its months
# drawing = "H-100 rev C"
# customer = "Example yard"
# How well what stands above is known (95 %): it widens the intervals called absolute. These are what is used where
# nothing stands here.
# viscosity_tolerance_pct = 15
# thickness_tolerance_mm = 0.1
# fibre_areal_weight_tolerance_pct = 5
# ambient_tolerance_mbar = 10        # where no barometer is logged
# runner_volume_tolerance_pct = 10
# clamp_volume_tolerance_pct = 20
# cavity_gas_volume_tolerance_pct = 20
# capillary_pressure_mbar = 0        # draws the front forward
# capillary_pressure_tolerance_mbar = 30

# [moulds.example-mould.limits]      # specification limits; "none" for a side without
# injected_volume_l = [2.4, 2.7]

# [[moulds.example-mould.changes]]   # keys that hold from a day on
# valid_from = 2026-03-01
# thickness_mm = 3.1

# [resin_batches.B-1042]             # a batch's own viscosity at viscosity_temp_c
# viscosity_pa_s = 0.21
"""

_PARTS = """\
shot,part_mass_kg,overflow_kg,thickness_mm,fabric_mass_kg,gel_coat_mass_kg,trimmed,verdict,remark
# Rows that begin with a hash and a blank are not read. `catchpot note --shot SHOT overflow_kg 0.14` writes a row.
# example-mould-0001,4.25,0.14,3.05,1.21,0.52,no,good,all columns but the first may stay empty
# example-mould-0002,,0.31,,,,,rework,"verdict: good, rework or scrap"
"""


def _events() -> str:
    """A ledger of events with every kind as a commented example."""
    lines = [
        "time,mould,kind,detail",
        "# Rows that begin with a hash and a blank are not read. `catchpot note MOULD KIND DETAIL` writes a row.",
    ]
    for k in KINDS.values():
        mould = "" if k.about == "injector" else "example-mould"
        detail = f'"{k.example}"' if "," in k.example else k.example
        lines += [f"# {k.name}: {k.says}", f"# 2026-03-02 08:15,{mould},{k.name},{detail}"]
    return "\n".join(lines) + "\n"


def init_workshop(home: Path) -> list[Path]:
    """Write a starter workshop into a folder (made if missing); files already there are left as they are.

    Returns the files written.
    """
    files = {"catchpot.toml": _SETTINGS, "moulds.toml": _MOULDS, "events.csv": _events(), "parts.csv": _PARTS}
    make_folder(home / "logs", through_links=True)
    written = []
    for name, text in files.items():
        path = home / name
        if not path.exists():
            write_whole(path, text)
            written.append(path)
    return written
