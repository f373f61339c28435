"""A finding, and how severe it is by which rule. Its sentences stand in the modules `words_*`.

Severity, written down once:
- `act`: the part or the mould is at risk now. A part that may be dry, under-cured or porous (short fill, catalyst off
  by more than twice its tolerance or missing, much air, a race track that left less than 95 % of the usual arrival
  volume), resin gelling in the line, a cover that lifts or a clamp that no longer holds, vacuum or vent lost before
  arrival.
- `watch`: it will be if it goes on: a restriction, a race track otherwise, some air, ratio just beyond its tolerance,
  overfill, a gauge that is off or stuck (limits that rest on it no longer protect), a curve nobody can name.
- `note`: worth knowing, nobody's fault: stopped before the vent.
"""

from __future__ import annotations

from dataclasses import dataclass

from catchpot.findings import Severity
from catchpot.report import words

GEL_CAUTION = (
    "Stop mixing and flush head and hose at once, by the resin maker's gel time, not by this estimate: mixed resin "
    "sets in them. Relieve the line pressure before opening a hose. Spread catalysed waste thin and ventilated: it "
    "heats itself."
)
RATIO_CAUTION = "Set the part aside: under-cure can't be seen."
LIFT_CAUTION = (
    "Stop injecting, relieve the line pressure, keep hands out, and keep the clamp vacuum until the gel and demould "
    "rules are met: the cover may close with tens of kN."
)


@dataclass(frozen=True)
class Found:
    """A finding before it becomes a row. Volumes in l of the shot's own meter; None where it has no place."""

    kind: str
    severity: Severity
    message: str
    advice: str
    from_l: float | None = None
    to_l: float | None = None
    rank: int = 1


def share_words(volume_l: float, arrival_l: float) -> str:
    """Where in the shot: litres, and per cent of the usual arrival volume."""
    return f"{words.fixed(volume_l, 'l', 2)} ({100 * volume_l / arrival_l:.0f} % of the usual arrival volume)"


__all__ = ["GEL_CAUTION", "LIFT_CAUTION", "RATIO_CAUTION", "Found", "Severity", "share_words"]
