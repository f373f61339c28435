"""A log's metadata entries as a typed shot: what is missing or odd is said, never guessed in silence."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from catchpot.ingest.reader import Remark, ShotMeta

if TYPE_CHECKING:
    from datetime import tzinfo

TEXTS = ("mould", "injector", "fabric_batch", "resin_batch")
NUMBERS = ("programmed_volume_l", "stroke_volume_ml")
KNOWN = ("shot", "started_at", *TEXTS, *NUMBERS)


def shot_meta(entries: Mapping[str, tuple[str, int]], stem: str, zone: tzinfo) -> ShotMeta:
    """Typed metadata of a shot.

    entries: key -> (text, line of the file). stem: the shot's name where the log gives none. zone: of a start without
    UTC offset. What can't be used is left null and said in the remarks.
    """
    meta = ShotMeta(shot=entries.get("shot", ("", 0))[0].strip() or stem)
    for name in TEXTS:
        text = entries.get(name, ("", 0))[0].strip()
        setattr(meta, name, text or None)
    for name in NUMBERS:
        if name not in entries or not entries[name][0].strip():
            continue
        text, line = entries[name]
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if 0 < value < float("inf"):
            setattr(meta, name, value)
        else:
            meta.remarks.append(
                Remark("bad_entry", f"{name} = {text!r} is no number above 0 and was left out", "", line)
            )
    text, line = entries.get("started_at", ("", 0))
    if not text.strip():
        meta.remarks.append(
            Remark("no_start", "the log does not say when it started; the shot takes no part in what goes by date")
        )
    else:
        _start(meta, text.strip(), line, zone)
    if meta.mould is None:
        meta.remarks.append(Remark("no_mould", "the log names no mould; what needs the mould book is left out"))
    meta.notes = {k: text for k, (text, _) in entries.items() if k not in KNOWN}
    return meta


def _start(meta: ShotMeta, text: str, line: int, zone: tzinfo) -> None:
    try:
        when = datetime.fromisoformat(text)
        # the calendar's first and last day lie outside it in some zones
        (when if when.tzinfo else when.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        detail = f"started_at = {text!r} is no time like 2026-03-02T08:15:00+00:00 and was left out"
        meta.remarks += [Remark("bad_entry", detail, "", line), Remark("no_start", "no usable start in the log")]
        return
    if when.tzinfo is None:
        first, second = when.replace(tzinfo=zone, fold=0), when.replace(tzinfo=zone, fold=1)
        if first.utcoffset() == second.utcoffset():
            detail = f"started_at = {text} has no UTC offset and was read in {zone}"
        elif first.astimezone(UTC) < second.astimezone(UTC):
            detail = f"started_at = {text} fell in the repeated autumn hour of {zone}; the earlier one was taken"
        else:
            detail = f"started_at = {text} fell in the missing spring hour of {zone}; it was read as an hour later"
        meta.remarks.append(Remark("assumed", detail, "", line))
        when = first
    meta.started_at = when.astimezone(UTC)
    meta.start_line = line
