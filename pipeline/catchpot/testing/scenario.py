"""What a made-up workshop consists of: resins, moulds, seals, nuisances, changes over weeks and faults within shots.

Everything is a frozen dataclass with defaults, so that a study names only what it is about.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Literal

from catchpot.testing.geometry import Geometry
from catchpot.testing.nuisances import Nuisances

ALL_CHANNELS = (
    "flow_l_min",
    "line_pressure_bar",
    "cavity_pressure_mbar",
    "clamp_pressure_mbar",
    "resin_temp_c",
    "mould_temp_c",
    "catalyst_flow_ml_min",
    "vent_open",
    "ambient_pressure_mbar",
    "vacuum_isolated",
)


@dataclass(frozen=True)
class Resin:
    """A resin as the mould book has it; keys as there."""

    name: str = "ve-a"
    viscosity_pa_s: float = 0.20
    viscosity_temp_c: float = 23.0
    viscosity_activation_k: float = 4200.0
    density_kg_m3: float = 1120.0
    catalyst_ratio_pct_by_volume: float = 1.5
    catalyst_density_kg_m3: float = 1150.0
    catalyst_ratio_tolerance_pct: float = 0.15


@dataclass(frozen=True)
class Seal:
    """A seal's leak at the reference state, mbar l/s, over the shots since it was replaced.

    leak = (floor + wear) x noise; wear = start + growth n (linear) or start exp(growth n) (proportional).
    noise: s.d. of the log; autocorrelation: of the log noise from shot to shot. choked: share of the leak that follows
    the choked law. limit: as in the mould book. replaced: mould's shot numbers (from 0) before which it was replaced.
    unlogged: those that nobody wrote down, whether they are named among `replaced` too or not.
    """

    floor: float = 0.02
    start: float = 0.01
    growth: float = 0.0
    law: Literal["linear", "proportional"] = "linear"
    noise: float = 0.15
    autocorrelation: float = 0.0
    choked: float = 0.0
    limit: float = 0.30
    replaced: tuple[int, ...] = ()
    unlogged: tuple[int, ...] = ()

    @property
    def all_replaced(self) -> tuple[int, ...]:
        """Shot numbers of every replacement, in order."""
        return tuple(sorted({*self.replaced, *self.unlogged}))

    @property
    def logged(self) -> tuple[int, ...]:
        """Shot numbers of those that were written down, in order."""
        return tuple(sorted(set(self.replaced) - set(self.unlogged)))


@dataclass(frozen=True)
class Mould:
    """A mould, its machine settings and what its logger records. Defaults make a healthy one.

    permeability_m2: of the pack at its book porosity; None: what fills the mould in about `fill_s`.
    set_flow_l_min: None: the part's volume in 0.6 `fill_s`. feed_hose_full as in the mould book.
    machine_limit_bar: where the machine stops raising the line pressure; None: at the book's limit.
    hose_m, hose_mm: feed hose's length and bore (its resistance). vent_hose_m, vent_hose_mm likewise.
    lane_scale: factor on the nuisance's lane_sd (fronts from a port even out more than those from a line).
    cover_l_bar, cover_s: what the cover gives per bar over the wetted part, and how slowly.
    opening_per_100_mbar: relative opening of the cavity for each 100 mbar the clamp is above `clamp_set_mbar`.
    vacuum_source: what draws its vacuum, as the book has it.
    pump: the clamp's, "switching" between clamp_set and clamp_set + band, or a central "receiver" (or bleed).
    holds: 0, 1 (under cavity vacuum), 2 (cavity at ambient, then under vacuum, or the other way round by hold_order) or
    3 (one at half the cavity's vacuum besides). hold_checks: a hold-check log of its own (two steps where holds is 0)
    before every so many shots (0: none). channels: what the logger records; leave out ambient_pressure_mbar for a shop
    without a barometer, clamp_pressure_mbar or vacuum_isolated for a poorer logger.
    stop: "meter" or "operator" (before the vent, at operator_share of the path).
    programme: "each" (arrival expected of this very shot plus overflow_share), "fixed", or "follow" (the operator
    corrects by what the catch pot showed). pack_s: vent shut and pack_bar held after the stop.
    gauge_bar: range of the line gauge; None: unlimited. stroke_ml: strokes are counted instead of flow.
    runner_booked_l: what the mould book says, where that is wrong.
    weigh_part, weigh_fabric, weigh_gel_coat, measure_thickness: what goes into parts.csv.
    booked: more keys of the mould book.
    """

    name: str
    geometry: Geometry
    injector: str = "injector-1"
    vacuum_source: str = ""
    resin: str = "ve-a"
    shots: int = 20
    first_day: int = 0
    shots_per_week: float = 10.0
    fibre_areal_weight_g_m2: float = 1000.0
    fibre_density_kg_m3: float = 2560.0
    permeability_m2: float | None = None
    fill_s: float = 110.0
    set_flow_l_min: float | None = None
    line_pressure_limit_bar: float = 0.5
    machine_limit_bar: float | None = None
    ramp_s: float = 2.0
    hose_m: float = 1.0
    hose_mm: float = 10.0
    feed_hose_volume_l: float = 0.0
    runner_volume_l: float = 0.0
    runner_booked_l: float | None = None
    vent_hose_m: float = 0.0
    vent_hose_mm: float = 10.0
    vent_height_m: float = 0.0
    core_volume_l: float = 0.0
    core_uptake_fraction: float = 0.5
    lane_scale: float = 1.0
    cover_l_bar: float = 0.0
    cover_s: float = 6.0
    opening_per_100_mbar: float = 0.0
    cavity_gas_volume_l: float = 5.0
    clamp_volume_l: float = 0.8
    clamp_area_m2: float = 0.11
    cavity_set_mbar: float = 550.0
    clamp_set_mbar: float = 50.0
    clamp_band_mbar: float = 15.0
    pump: Literal["switching", "receiver"] = "switching"
    pump_l_s: float = 0.25
    outer: Seal = Seal()
    inner: Seal = Seal(floor=0.004, start=0.004, limit=0.05)
    cavity: Seal = Seal(floor=0.02, start=0.0, noise=0.1, limit=0.30)
    squeeze: float = 0.15
    wetted: float = 0.1
    evacuate_s: float = 30.0
    holds: int = 0
    hold_order: Literal["open first", "vacuum first"] = "open first"
    hold_s: float = 45.0
    hold_checks: int = 0
    settle_s: float = 15.0
    stop: Literal["meter", "operator"] = "meter"
    operator_share: float = 0.97
    programme: Literal["each", "fixed", "follow"] = "each"
    overflow_share: float = 0.06
    pack_s: float = 0.0
    pack_bar: float = 0.4
    gauge_bar: tuple[float, float] | None = (0.0, 6.0)
    stroke_ml: float | None = None
    sampling_hz: float = 4.0
    channels: tuple[str, ...] = ALL_CHANNELS
    flange_gap: bool = False
    fabric_batch_shots: int = 40
    gel_time_s: float = 2400.0
    bleed_target_l: float = 0.0
    weigh_part: bool = True
    weigh_fabric: bool = False
    weigh_gel_coat: bool = False
    measure_thickness: bool = False
    limits: tuple[tuple[str, float | Literal["none"], float | Literal["none"]], ...] = ()
    booked: tuple[tuple[str, str | float], ...] = ()


Cause = Literal[
    "cavity_thickness", "fabric_pack", "permeability", "gel_coat", "core", "runner_or_hose", "overflow", "flow_meter",
    "resin_past_seal", "temperature", "clamp_pressure", "cavity_pressure", "resin_viscosity", "outer_leak",
    "inner_leak", "cavity_leak",
]  # fmt: skip


@dataclass(frozen=True)
class Change:
    """Something that changes between shots and stays.

    cause, amount: cavity_thickness, fabric_pack (areal weight), permeability, resin_viscosity, flow_meter: relative
    (0.02 is +2 %); gel_coat: mm thicker; core, runner_or_hose, overflow (programmed), resin_past_seal: l (a shot);
    temperature: K; clamp_pressure, cavity_pressure: mbar; outer_leak, inner_leak, cavity_leak: mbar l/s more.
    at_shot: the mould's shot number (from 0) it begins with. over_shots: grows over so many shots (0: a step).
    clamp_mbar: rise of the clamp pressure that goes with it (a witness). A flow_meter change is of the mould's
    injector, so of all its moulds from that time on. event: kind and detail written to events.csv with it.
    """

    mould: str
    cause: Cause
    amount: float
    at_shot: int
    over_shots: int = 0
    clamp_mbar: float = 0.0
    event: tuple[str, str] | None = None


FAULTS = (
    "race_tracking", "flow_restriction", "early_gel", "air_in_line", "short_fill", "overfill", "ratio_off",
    "catalyst_starved", "clamp_margin_low", "cover_lifting", "sensor_stuck", "sensor_offset", "vent_blocked",
    "vacuum_lost", "stopped_before_vent", "outer_seal_leak", "inner_seal_leak", "cavity_leak", "unusual_shape",
)  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """A fault in one shot, with its dial.

    severity: race_tracking: share taken off the bed's resistance, mean over the fill. flow_restriction: factor on the
    line's resistance. early_gel: s for e-fold viscosity (small is severe). air_in_line: number of slugs of `lasts_s`.
    short_fill, stopped_before_vent: share short of arrival; overfill: share past it. ratio_off: relative (-0.2, 0.2)
    over `span` of the volume. catalyst_starved: share of the catalyst missing from `begins` on. clamp_margin_low: mbar
    the clamp is too high. cover_lifting: mm. sensor_stuck: s. sensor_offset: bar for the line, mbar for the others.
    vent_blocked: share shut (1: quite). vacuum_lost: mbar. outer_seal_leak, inner_seal_leak, cavity_leak: mbar l/s
    more in this shot. unusual_shape: a crease across the path with permeability down by this share.
    begins: share of the expected arrival volume at which it begins, where that has a meaning. channel: for sensors.
    """

    mould: str
    kind: str
    shot: int
    severity: float
    begins: float = 0.35
    span: float = 0.3
    lasts_s: float = 1.5
    channel: str = "line_pressure_bar"

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            raise ValueError(f"fault kind {self.kind!r} is none of {', '.join(FAULTS)}")


@dataclass(frozen=True)
class Scenario:
    """A made-up workshop. meter_gain: each injector's metered over true volume, 1 where absent. settings: more keys of
    `[workshop]`."""

    moulds: tuple[Mould, ...]
    resins: tuple[Resin, ...] = (Resin(),)
    nuisances: Nuisances = field(default_factory=Nuisances)
    changes: tuple[Change, ...] = ()
    faults: tuple[Fault, ...] = ()
    meter_gain: tuple[tuple[str, float], ...] = ()
    name: str = "made-up workshop (invented)"
    time_zone: str = "Europe/Lisbon"
    start: datetime = datetime(2026, 3, 2, tzinfo=UTC)
    resin_batch_days: float = 30.0
    ambient_pressure_mbar: float = 1013.25
    notes: tuple[tuple[datetime, str, str, str], ...] = ()
    settings: tuple[tuple[str, str | float], ...] = ()

    def with_nuisances(self, nuisances: Nuisances) -> Scenario:
        """The same workshop with other nuisances."""
        return replace(self, nuisances=nuisances)
