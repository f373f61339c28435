"""What happened to a mould: events as written down, and those that the logs tell by themselves."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from catchpot.answers import event_words
from catchpot.events import KINDS
from catchpot.report.words import number

if TYPE_CHECKING:
    import polars as pl

SET_SHARE: Final = 0.002
"""Smallest relative change of the volume set that is one: machines round to less."""
TELLING: Final = 2
"""An event that can bring about more causes than so many is not named as the cause of one."""
LIKELIER: Final = 3.0
"""How many times likelier an event must make a cause to count for it: what happens all the time explains nothing."""
USUAL_ODDS: Final = 6.0
"""How many times likelier an event makes what it brings, where the table of events has no odds for any of it."""
SHOT_COLUMNS: Final = ("injector", "programmed_volume_l", "fabric_batch", "resin_batch")


@dataclass(frozen=True)
class Happened:
    """An event. kind, detail: as in events.csv, or `volume_set`; text: in words."""

    at: datetime
    kind: str
    detail: str
    text: str

    @property
    def brings(self) -> frozenset[str]:
        """Causes that may begin with it."""
        return self._of_its_seal(KINDS[self.kind].brings) if self.kind in KINDS else frozenset()

    @property
    def explains(self) -> dict[str, float]:
        """Causes that it makes likelier by a good deal, and how many times the odds.

        Those it brings, by its odds for them; a cause that moves no volume has those of its likeliest one.
        """
        odds = KINDS[self.kind].causes if self.kind in KINDS else {}
        usual = max(odds.values(), default=USUAL_ODDS)
        return {c: by for c in self.brings if (by := odds.get(c, usual)) >= LIKELIER}

    @property
    def ends(self) -> frozenset[str]:
        """Causes that it may put right."""
        return self._of_its_seal(KINDS[self.kind].ends) if self.kind in KINDS else frozenset()

    @property
    def telling(self) -> bool:
        """Whether it can do few things only: a service may have done anything, and so explains nothing."""
        return 0 < len(self.brings) <= TELLING

    def _of_its_seal(self, causes: tuple[str, ...]) -> frozenset[str]:
        """A seal's event does nothing to the other seal."""
        other = {"outer": ("inner_seal", "resin_past_seal"), "inner": ("outer_seal",)}.get(self.detail, ())
        return frozenset(c for c in causes if not (self.kind.startswith("seal_") and c in other))


def happenings(events: pl.DataFrame | None, shots: pl.DataFrame) -> list[Happened]:
    """All that happened to a mould, in time order.

    events: rows of `event` of the mould and of the whole workshop (None for no such table). shots: started_at and
    SHOT_COLUMNS in time order. What a meter's event says counts only on the injectors the mould is filled from.
    """
    injectors = set(shots["injector"].drop_nulls().to_list())
    found: list[Happened] = []
    noted: set[tuple[str, str]] = set()
    for e in events.iter_rows(named=True) if events is not None else ():
        kind, detail = e["kind"] or "", (e["detail"] or "").strip()
        if kind.startswith("meter_") and injectors and not any(i in detail for i in injectors):
            continue
        noted.add((kind, detail))
        found.append(Happened(e["time"], kind, detail, event_words(kind, detail)))
    for kind in ("fabric_batch", "resin_batch"):
        before = None
        for at, batch in shots.select("started_at", kind).drop_nulls().iter_rows():
            if before is not None and batch != before and (kind, batch) not in noted:
                found.append(Happened(at, kind, batch, event_words(kind, batch)))
            before = batch
    volume = None
    for at, now in shots.select("started_at", "programmed_volume_l").drop_nulls().iter_rows():
        if volume is not None and abs(now - volume) > SET_SHARE * volume:
            said = f"volume set from {number(volume, 'l', 3)} to {number(now, 'l', 3)}"
            found.append(Happened(at, "volume_set", "", said))
        volume = now
    return sorted(found, key=lambda h: h.at)


__all__ = ["SHOT_COLUMNS", "Happened", "happenings"]
