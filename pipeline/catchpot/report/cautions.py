"""The cautions that always stand in a report, in our own words; data sheets and local codes go first."""

from __future__ import annotations

_TEXT = """
This is advice only. The tool sets no pressure, no ratio and no valve, and it replaces no interlock. Where a
data sheet, a local code or licensed practice says otherwise, that goes first.

"No finding" is not "safe". What was not assessed is listed above, with the reason.

A clamp margin is an upper estimate: springback of the fibre pack and local lifting are left out. It is no
permission to raise a pressure.

Never use a pressure above the limit in the mould book. Where the margin with a blocked vent is negative, put
that right before anything else.

If a cover lifts: stop injecting, relieve the line pressure, keep hands out and keep the clamp vacuum on. Hold
it until the rules for gel and demoulding are met. A cover held by vacuum closes with tens of kN.

If the catalyst ratio was off, set the part aside: under-cure can't be seen from outside.

Catalysed waste heats itself: keep it in thin layers, ventilated, never in a closed container. Mixed resin
gels in head and hose: flush by the maker's gel time, not by an estimate. Relieve the line pressure before a
hose is opened.

Peroxide catalyst never meets accelerator directly; store them apart and protect the eyes. Styrene needs
extraction and the exposure limits of the place. Flush solvents burn: earth the vessels and keep ignition
sources away.

The catch pot must be rated for vacuum and guarded, with a trap before the pump. Make hold checks before resin
is mixed, never during injection.
"""

ALWAYS: tuple[str, ...] = tuple(" ".join(paragraph.split()) for paragraph in _TEXT.strip().split("\n\n"))

__all__ = ["ALWAYS"]
