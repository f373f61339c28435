"""Findings `volume_drift` and `permeability_drift`: one for a change, open until it ends."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from catchpot.report import words
from catchpot_drift.settings import PERMEABILITIES, VOLUMES

Row = dict[str, Any]
KINDS = {"volume_drift": VOLUMES, "permeability_drift": PERMEABILITIES}
ADVICE = {
    "volume_drift": (
        "Compare the clamp and cavity pressures and the gel coat and fabric weights before and after; weigh a part and"
        " what is in the catch pot. Check the programmed volume against what the mould takes now."
    ),
    "permeability_drift": (
        "Weigh three fabric packs and check that the pack is laid as before; look for edges that leave a gap. If the"
        " resin batch is new, measure its viscosity in the flow cup and enter it in the mould book."
    ),
}
SETTLED_SHOTS = 60


def sentence(row: Row, zone: str) -> str:
    """What changed, by how much with its interval, when, and after what."""
    before, after = row["before"], row["after"]
    unit, label = row["unit"], row["label"]
    share = ""
    if before and abs(before) > 1e-12:
        percent = [100 * row[k] / abs(before) for k in ("change", "change_low", "change_high")]
        least, most = words.signed(percent[1], ""), words.signed(percent[2], "%")
        share = f" ({words.signed(percent[0], '%')}, 95 %: {least} to {most})"
    moved = f"{row['mould']}: {label} went from {words.number(before, unit)} to {words.number(after, unit)}{share}"
    day = words.day(row["changed_at"], zone)
    if row["kind"] == "trend":
        moved += f", in a steady trend that began about {day}"
    else:
        first, last = words.day(row["changed_low_at"], zone), words.day(row["changed_high_at"], zone)
        between = f" (between {first} and {last})" if first != last else ""
        moved += f", in one step with shot {row['shot']} on {day}{between}"
    if row["event"]:
        n = row["shots_after_event"]
        where = "with the first shot" if n == 0 else words.count(n, "shot")
        moved += f", {where} after {row['event']} ({words.day(row['event_at'], zone)})"
    doubt = "; a filling curve that only changed its shape may look like this" if _in_doubt(row) else ""
    return moved + doubt + "."


def _in_doubt(row: Row) -> bool:
    """Whether a change may be none, all its errors together."""
    return bool(row["change_low"] <= 0 <= row["change_high"])


def _ended(rows: Sequence[Row], i: int) -> tuple[datetime | None, bool]:
    """When a change's state ended, and whether by going back to the level before it."""
    row = rows[i]
    if row["until"] is None:
        return None, False
    following = next((r for r in rows[i + 1 :] if r["changed_at"] >= row["until"]), None)
    if following is None:
        return row["until"], False
    back = abs(following["after"] - row["before"]) < 0.5 * abs(row["change"])
    return following["changed_at"], back


def finding_rows(mould: str, rows: Sequence[Row], zone: str, slack: timedelta = timedelta(0)) -> list[Row]:
    """Rows of `finding` from a mould's rows of `drift`.

    Changes of several volumes whose dates may be the same, or lie no more than `slack` apart, are one finding, told by
    the arrival volume first. A change back to the level before an open finding ends that finding and opens none.
    """
    found: list[Row] = []
    for kind, measures in KINDS.items():
        taken: list[Row] = []
        for measure in measures:
            own = sorted((r for r in rows if r["measure"] == measure), key=lambda r: r["changed_at"])
            went_back = False
            for i, row in enumerate(own):
                until, back = _ended(own, i)
                skip, went_back = went_back, back
                same = next((f for f in taken if _together(f["row"], row, slack)), None)
                if same is not None:
                    same["also"].append(row)
                elif not skip:
                    taken.append({"row": row, "until": until, "back": back, "also": []})
        found += [_finding(mould, kind, f, zone) for f in taken]
    return found


def _together(a: Row, b: Row, slack: timedelta) -> bool:
    return bool(
        a["changed_low_at"] <= b["changed_high_at"] + slack and b["changed_low_at"] <= a["changed_high_at"] + slack
    )


def _finding(mould: str, kind: str, f: Row, zone: str) -> Row:
    row: Row = f["row"]
    message = sentence(row, zone)
    others = [r for r in f["also"] if r["measure"] != row["measure"]]
    if others:
        said = [
            f"{r['label']} from {words.number(r['before'], r['unit'])} to {words.number(r['after'], r['unit'])}"
            for r in others
        ]
        message += f" With it went {words.listed(said)}."
    if f["until"] is not None and f["back"]:
        message += f" It went back on {words.day(f['until'], zone)}."
    settled = row["kind"] == "step" and row["shots"] >= SETTLED_SHOTS
    if f["until"] is None and settled:
        message += f" It has stood so for {row['shots']} shots."
    return {
        "shot": None,
        "mould": mould,
        "kind": kind,
        "severity": "note" if f["until"] is not None or settled or _in_doubt(row) else "watch",
        "since": row["changed_at"],
        "message": message,
        "advice": ADVICE[kind],
        "analysis": "drift",
        "anchor": f"drift-{kind}-{mould}-{row['changed_at']:%Y-%m-%d-%H%M}",
        "until": f["until"],
        "about": row["measure"],
    }
