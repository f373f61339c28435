"""What can be behind a change, in one table: what each cause moves, what settles it, what an event can do.

Everything that names a cause or an event beside a change asks here, so that one change has one name. Directions and
remedies are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from catchpot.events import KINDS

VOLUMES: Final = ("arrival_relative", "arrival_volume_l", "taken_volume_l")
MARGINS: Final = ("clamp_margin_n", "blocked_vent_margin_n")


@dataclass(frozen=True)
class Cause:
    """A cause, spoken of as growing: the meter reads higher, the pack is heavier, the cavity opens.

    more, less, name: in words where it grew, shrank, or where which way is not known. moves: measure -> +1 or -1, the
    way it goes with the cause. may_move: measures that go with it now and then. brings: causes that follow from it.
    shows_as: kinds of findings of single shots that it makes likelier. advice: what to do. settles: the one measurement
    that settles it. hazard: whether people may be hurt before anything is measured.
    """

    more: str
    less: str
    moves: Mapping[str, int]
    may_move: tuple[str, ...] = ()
    brings: tuple[str, ...] = ()
    shows_as: tuple[str, ...] = ()
    advice: str = ""
    settles: str = ""
    hazard: bool = False
    name: str = ""


def _volumes(sign: int) -> dict[str, int]:
    return dict.fromkeys(VOLUMES, sign)


_LOW_CLAMP: Final = (
    "Keep hands away from the cover's edge and do not make up for it with line pressure. "
    "Put it right before the next shot."
)
_LOW_RESISTANCE: Final = ("race_tracking", "unusual_shape", "cover_lifting", "clamp_margin_low", "short_fill")

CAUSES: Final[Mapping[str, Cause]] = MappingProxyType({
    "flow_meter": Cause(
        "a flow meter that reads higher", "a flow meter that reads lower",
        {**_volumes(1), "permeability_m2": 1}, ("fill_time_s",), shows_as=("short_fill",),
        advice="Check the meter with bucket and scales before changing what is set.",
        settles="a check of the meter with bucket and scales (about 15 minutes)",
        name="the flow meter",
    ),
    "cavity_thickness": Cause(
        "the cavity opening", "the cavity closing", {**_volumes(1), "permeability_m2": 1},
        ("fill_time_s", "peak_line_pressure_bar", "clamp_pressure_mbar", *MARGINS), shows_as=_LOW_RESISTANCE,
        advice="Look at the clamp vacuum, the cover's seat and the flange.",
        settles="a feeler gauge at the flange (about 10 minutes)",
        name="the cavity's thickness",
    ),
    "fabric_pack": Cause(
        "a heavier fabric pack", "a lighter fabric pack", {**_volumes(-1), "permeability_m2": -1},
        ("fill_time_s", "peak_line_pressure_bar"),
        advice="Take it up with whoever cuts or supplies the fabric.",
        settles="the weights of three fabric packs (about 5 minutes)",
        name="another fabric pack",
    ),
    "laying": Cause(
        "a pack laid tighter or of another weave", "a pack laid looser or of another weave", {"permeability_m2": -1},
        ("fill_time_s", "peak_line_pressure_bar"), shows_as=("race_tracking",),
        advice="Look how the pack is laid and whether the fabric is the one in the mould book.",
        settles="the weights of three fabric packs and a look at how they are laid (about 10 minutes)",
        name="another laying of the pack or another weave",
    ),
    "gel_coat": Cause(
        "a thicker gel coat", "a thinner gel coat", {**_volumes(-1), "permeability_m2": -1},
        advice="Take it up where the gel coat is sprayed.",
        settles="the gel coat's weight on three parts (about 10 minutes)",
        name="another thickness of gel coat",
    ),
    "core": Cause(
        "a core that takes more", "a core that takes less", _volumes(1), ("permeability_m2",),
        advice="Compare the cores with the drawing.", settles="the weights of three cores (about 10 minutes)",
        name="another core",
    ),
    "runner_or_hose": Cause(
        "more volume in runner or hose", "less volume in runner or hose", _volumes(1), ("permeability_m2",),
        advice="Compare hose and runner with the mould book.",
        settles="length and bore of hose and runner (about 5 minutes)",
        name="another volume of runner or hose",
    ),
    "line": Cause(
        "a feed line that resists more", "a feed line that resists less",
        {"peak_line_pressure_bar": 1, "fill_time_s": 1}, ("permeability_m2",), shows_as=("flow_restriction",),
        advice="Look at hose and mix head for kinks and cured resin. Relieve the line pressure before opening a hose.",
        settles="a look through hose and mix head (about 10 minutes)",
        name="the feed line's resistance",
    ),
    "overflow": Cause(
        "more past the vent", "less past the vent", {"beyond_programmed_l": 1}, shows_as=("overfill",),
        advice="Compare what is set with what the part takes.",
        settles="the catch pots of three shots, weighed (about 3 minutes)",
        name="what goes past the vent",
    ),
    "resin_past_seal": Cause(
        "resin past the inner seal", "less resin past the inner seal", _volumes(1), ("clamp_pressure_mbar",),
        advice="Look for resin in the clamp channel and over the inner seal before the next shot.",
        settles="a look into the clamp channel and the seal's groove (about 5 minutes)",
        name="resin past the inner seal",
    ),
    "temperature": Cause(
        "a warmer mould", "a colder mould", {"mould_temp_c": 1, "fill_time_s": -1},
        ("peak_line_pressure_bar", *VOLUMES), advice="Set by the temperature of the day.",
        settles="the mould's temperature beside the resin's",
        name="the mould's temperature",
    ),
    "resin_viscosity": Cause(
        "a thicker resin", "a thinner resin", {"fill_time_s": 1, "permeability_m2": -1},
        ("peak_line_pressure_bar",),
        advice="Enter the batch's own viscosity in the mould book.",
        settles="the batch's viscosity in the flow cup (about 10 minutes)",
        name="another viscosity of the resin",
    ),
    "vacuum_supply": Cause(
        "a weaker vacuum supply of the clamp (pump, filter, valve, line or gauge)",
        "a stronger vacuum supply of the clamp", {"clamp_pressure_mbar": 1, **dict.fromkeys(MARGINS, -1)},
        brings=("cavity_thickness",), shows_as=_LOW_RESISTANCE, hazard=True,
        advice="Look at the pump, its filter and oil, the valve, the line and the gauge."
        f" {_LOW_CLAMP}",
        settles="a second gauge at the clamp port with the valve shut, then open (about 5 minutes)",
        name="the vacuum supply of the clamp (pump, filter, valve, line or gauge)",
    ),
    "clamp_seals": Cause(
        "a clamp channel that leaks more", "a clamp channel that leaks less", {"leak_mbar_l_s[clamp]": 1},
        ("clamp_pressure_mbar", *MARGINS), brings=("cavity_thickness",), shows_as=_LOW_RESISTANCE, hazard=True,
        advice=f"Look over both seals and the clamp line's fittings. {_LOW_CLAMP}",
        settles="a hold check in two steps (about 3 minutes)",
        name="the clamp channel's seals",
    ),
    "outer_seal": Cause(
        "an outer seal that leaks more", "an outer seal that leaks less",
        {"leak_mbar_l_s[clamp]": 1, "leak_mbar_l_s[outer]": 1}, ("clamp_pressure_mbar", *MARGINS),
        brings=("cavity_thickness", "clamp_seals"), shows_as=("outer_seal_leak", *_LOW_RESISTANCE), hazard=True,
        advice="Look over the outer seal, its corners and the clamp line's fittings before the next shot.",
        settles="a hold check in two steps (about 3 minutes)",
        name="the outer seal",
    ),
    "inner_seal": Cause(
        "an inner seal that leaks more", "an inner seal that leaks less",
        {"leak_mbar_l_s[clamp]": 1, "leak_mbar_l_s[inner]": 1}, ("clamp_pressure_mbar", *MARGINS),
        brings=("resin_past_seal", "clamp_seals"), shows_as=("inner_seal_leak",), hazard=True,
        advice="Look over the inner seal and its seat for nicks and cured resin before the next shot.",
        settles="a hold check in two steps (about 3 minutes)",
        name="the inner seal",
    ),
    "cavity_fittings": Cause(
        "a cavity that leaks more (vent, catch pot, port or fittings)", "a cavity that leaks less",
        {"leak_mbar_l_s[cavity]": 1, "cavity_pressure_mbar": 1}, shows_as=("cavity_leak", "vacuum_lost"),
        advice="Look over the vent, the catch pot's lid, the injection port and their fittings.",
        settles="a hold check of the cavity (about 3 minutes)",
        name="the cavity's fittings",
    ),
    "cavity_supply": Cause(
        "a weaker vacuum in the cavity (setting, pump, filter, line or gauge)", "a deeper vacuum in the cavity",
        {"cavity_pressure_mbar": 1}, ("fill_time_s",),
        advice="Compare the cavity's setting with the mould book; look at its pump, filter and line.",
        settles="a second gauge at the vent (about 5 minutes)",
        name="the vacuum in the cavity (setting, pump, filter, line or gauge)",
    ),
    "catalyst_pump": Cause(
        "more catalyst", "less catalyst", {"catalyst_ratio_pct": 1}, shows_as=("ratio_off", "catalyst_starved"),
        hazard=True,
        advice="Check linkage, stroke and valves of the catalyst pump and weigh what it delivers. Peroxide: eye"
        " protection, never together with accelerator.",
        settles="catalyst weighed over a set number of strokes (about 10 minutes)",
        name="the catalyst's share",
    ),
})  # fmt: skip


def by_words(cause: str, sign: int) -> str:
    """A cause, or a pair joined by " or ", in words, by the way it went (sign of the cause itself; 0: not known).

    >>> by_words("cavity_thickness or gel_coat", 1), by_words("resin_viscosity", 0)
    ('the cavity opening or a thicker gel coat', 'another viscosity of the resin')
    """
    return " or ".join(_words(c, sign) for c in cause.split(" or "))


def _words(cause: str, sign: int) -> str:
    if cause not in CAUSES:
        return cause.replace("_", " ")
    known = CAUSES[cause]
    return known.more if sign > 0 else known.less if sign < 0 else known.name


def through(cause: str) -> tuple[str, ...]:
    """A cause and what follows from it.

    >>> through("outer_seal")
    ('outer_seal', 'cavity_thickness', 'clamp_seals')
    """
    return (cause, *(CAUSES[cause].brings if cause in CAUSES else ()))


def moves(cause: str, measure: str) -> int | None:
    """The way a measure goes with a cause or with what follows from it: 1, -1, 0 for either way, None for not at all.

    >>> moves("vacuum_supply", "arrival_relative"), moves("flow_meter", "cavity_pressure_mbar")
    (1, None)
    """
    for c in through(cause):
        known = CAUSES.get(c)
        if known is not None and measure in known.moves:
            return known.moves[measure]
    return 0 if any(measure in CAUSES[c].may_move for c in through(cause) if c in CAUSES) else None


def seal_told(causes: Iterable[str]) -> str:
    """Which seal of a clamp channel these causes of open matters name: outer or inner; empty for neither or both.

    >>> seal_told(["flow_meter", "outer_seal"]), seal_told(["clamp_seals"]), seal_told(["outer_seal", "inner_seal"])
    ('outer', '', '')
    """
    named = {c for cause in causes for c in cause.split(" or ")} & {"outer_seal", "inner_seal"}
    return named.pop().removesuffix("_seal") if len(named) == 1 else ""


def can_move(kind: str, measure: str) -> bool:
    """Whether an event of that kind can move a measure."""
    return kind in KINDS and any(moves(c, measure) is not None for c in KINDS[kind].brings)


__all__ = [
    "CAUSES",
    "MARGINS",
    "VOLUMES",
    "Cause",
    "by_words",
    "can_move",
    "moves",
    "seal_told",
    "through",
]
