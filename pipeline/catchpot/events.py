"""The kinds of event: for each, what it is about, how its detail is written, what it may change and what it answers.

The one table of them. Ledgers, `note`, the causes of a changed volume, the next shot and the history all go by it; a
new kind is one entry here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

About = Literal["mould", "injector", "any"]
Detail = Literal["seal", "gain", "batch", "seconds", "finding", "volume", "text"]
Then = Literal["", "hold", "bucket", "shot"]

SEALS: Final = ("outer", "inner", "both")
THEN_WORDS: Final[Mapping[str, str]] = {
    "": "",
    "hold": "make a hold check before mixing",
    "bucket": "check the meter with bucket and scales before the next shot",
    "shot": "watch the next shot",
}
CLOSED: Final = "finding_closed"
_CLAMP: Final = ("clamp_margin_low", "cover_lifting")
_SEAL_CAUSES: Final = {"cavity_thickness": 3.0, "resin_past_seal": 2.0}


@dataclass(frozen=True)
class EventKind:
    """A kind of event.

    about: what it happens to; "any": a mould or the whole workshop. detail: how its detail is written. example: a
    detail as in the starter ledger. says: what it is, for the help.
    answers: finding kinds that it answers, by the detail's first word ("" for any other): the finding is taken as
    dealt with until it is seen again. then: what shows whether it worked.
    causes: causes of a changed volume that it makes likelier, and how many times the odds; `laying` (how the pack lies)
    and `line` (resistance of hose and head) move no volume. Where it has none it is never named as a cause.
    brings, ends: causes (of `catchpot.causes`) that may begin with it, and that it may put right.
    volume_sd: s.d. of the log volume that it may move between two shots; 0 where it moves none (common practice, no
    source, as the odds are).
    """

    name: str
    about: About
    detail: Detail
    example: str
    says: str
    answers: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    then: Then = ""
    causes: Mapping[str, float] = field(default_factory=dict)
    volume_sd: float = 0.0
    brings: tuple[str, ...] = ()
    ends: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The kind in words."""
        return self.name.replace("_", " ")

    def answered(self, detail: str | None) -> tuple[str, ...]:
        """Finding kinds that an event of this kind with this detail answers.

        >>> KINDS["seal_replaced"].answered("inner")
        ('inner_seal_leak', 'clamp_margin_low', 'cover_lifting')
        """
        first = (detail or "").strip().lower().partition(" ")[0].strip(",;:")
        return self.answers.get(first, self.answers.get("", ()))


_SEAL_ENDS: Final = ("outer_seal", "inner_seal", "clamp_seals", "resin_past_seal", "cavity_thickness")


def _same(*causes: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """An event that may bring about what it may put right."""
    return causes, causes


def _seal(name: str, says: str, volume_sd: float) -> EventKind:
    both = ("outer_seal_leak", "inner_seal_leak", *_CLAMP)
    answers = {
        "outer": ("outer_seal_leak", *_CLAMP), "inner": ("inner_seal_leak", *_CLAMP), "both": both, "": both,
    }  # fmt: skip
    return EventKind(
        name, "mould", "seal", "outer", says, answers, "hold", _SEAL_CAUSES, volume_sd, *_same(*_SEAL_ENDS)
    )


_ALL: Final = (
    _seal("seal_replaced", "a new seal went in: outer, inner or both", 0.005),
    _seal("seal_reseated", "a seal was taken out, cleaned and put back: outer, inner or both", 0.005),
    EventKind("fabric_batch", "any", "batch", "F-207", "another fabric batch is cut from now on",
              {"": ("permeability_drift",)}, "shot", {"fabric_pack": 4.0, "laying": 3.0}, 0.004,
              *_same("fabric_pack", "laying")),
    EventKind("resin_batch", "any", "batch", "R-1042", "another resin batch is on the machine",
              {"": ("early_gel",)}, "shot",
              brings=("resin_viscosity",), ends=("resin_viscosity",)),
    EventKind("gel_coat_changed", "any", "text", "0.6 mm wet", "gel coat of another thickness or make",
              {}, "", {"gel_coat": 10.0}, 0.015,
              *_same("gel_coat")),
    EventKind("core_changed", "any", "text", "10 mm instead of 8", "another core", {}, "", {"core": 15.0}, 0.01,
              *_same("core")),
    EventKind("hose_changed", "any", "text", "feed hose, 12 mm", "another feed or vent hose, or its fittings",
              {"": ("flow_restriction", "air_in_line", "cavity_leak")}, "hold",
              {"runner_or_hose": 12.0, "line": 12.0}, 0.01,
              *_same("runner_or_hose", "line")),
    EventKind("vent_changed", "mould", "text", "new insert", "vent or catch pot's fittings changed",
              {"": ("vent_blocked", "cavity_leak", "vacuum_lost")}, "hold", {"runner_or_hose": 2.0}, 0.01,
              ("runner_or_hose", "cavity_fittings", "cavity_supply"), ("cavity_fittings", "cavity_supply")),
    EventKind("mould_serviced", "mould", "text", "flange trued", "flange, seat, clamps, lines or fittings worked on",
              {"": (*_CLAMP, "cavity_leak", "vacuum_lost", "vent_blocked")}, "hold",
              {"cavity_thickness": 3.0, "runner_or_hose": 2.0, "resin_past_seal": 2.0}, 0.01,
              *_same(*_SEAL_ENDS, "cavity_fittings", "runner_or_hose")),
    EventKind("mould_cleaned", "mould", "text", "", "cleaned and released anew",
              {"": ("vent_blocked",)}, "shot", {"cavity_thickness": 2.0},
              brings=("cavity_thickness", "cavity_fittings"), ends=("cavity_thickness", "cavity_fittings")),
    EventKind("meter_calibrated", "injector", "gain", "injector-1 1.03", "the flow meter was set; what it showed",
              {"": ("volume_drift",)}, "bucket", {"flow_meter": 12.0}, 0.015,
              *_same("flow_meter")),
    EventKind("meter_checked", "injector", "gain", "injector-1 1.03", "bucket and scales: metered over true volume",
              {"": ()},
              ends=("flow_meter",)),
    EventKind("sensor_calibrated", "any", "text", "line gauge", "a gauge or sensor was set or changed",
              {"": ("sensor_stuck", "sensor_offset")}, "shot",
              brings=("vacuum_supply", "cavity_supply"), ends=("vacuum_supply", "cavity_supply")),
    EventKind("pump_serviced", "any", "text", "vacuum pump, new oil", "resin, catalyst or vacuum pump serviced",
              {"vacuum": (*_CLAMP, "vacuum_lost"), "catalyst": ("ratio_off", "catalyst_starved"),
               "resin": ("air_in_line",),
               "": (*_CLAMP, "vacuum_lost", "ratio_off", "catalyst_starved", "air_in_line")}, "hold",
              {"flow_meter": 6.0, "line": 2.0}, 0.01,
              *_same("flow_meter", "line", "catalyst_pump", "vacuum_supply", "cavity_supply")),
    EventKind("resin_at_vent", "mould", "seconds", "84", "resin showed at the vent, seconds after injection began"),
    EventKind("volume_set", "mould", "volume", "2.90 l because the pack is new",
              "another volume is set than was advised, and why",
              brings=("overflow",), ends=("overflow",)),
    EventKind(CLOSED, "any", "finding", "faults-short_fill-hatch-3-0001 by NAME because the part was good",
              "a finding is closed by somebody who answers for it"),
    EventKind("note", "any", "text", "new hand at the mould", "anything else worth remembering"),
)  # fmt: skip
KINDS: Final[Mapping[str, EventKind]] = {k.name: k for k in _ALL}


def answering(finding_kind: str) -> tuple[tuple[str, str], ...]:
    """Kinds of event that answer a kind of finding, each with the first detail that does ("" where any does).

    >>> answering("outer_seal_leak"), answering("ratio_off")
    ((('seal_replaced', 'outer'), ('seal_reseated', 'outer')), (('pump_serviced', 'catalyst'),))
    """
    made = []
    for k in _ALL:
        detail = next((d for d, kinds in k.answers.items() if finding_kind in kinds), None)
        made += [(k.name, detail)] if detail is not None else []
    return tuple(made)


__all__ = ["CLOSED", "KINDS", "SEALS", "THEN_WORDS", "EventKind", "answering"]
