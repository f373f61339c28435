"""Which column of an unknown log is which channel, in what unit, against what; what can't be told is left open."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from catchpot.channels import BY_NAME
from catchpot.units import UnitError, parse_unit
from catchpot_logs.sniff import Sniffed, is_number, unit_in_name

if TYPE_CHECKING:
    from catchpot_logs.propose import Proposal

# Words of some languages that a column of a channel may hold; the first channel whose word fits takes the column.
_WORDS = {
    "catalyst_flow_ml_min": r"catal|kataly|h[äa]rter|perox|initiat|hardener",
    "pump_strokes": r"stroke|hub|h[üu]be|golpe|embolad|coup",
    "vent_open": r"vent.?open|vent\b|entl[üu]ft",
    "vacuum_isolated": r"isolat|hold.?check|abgesperrt",
    "ambient_pressure_mbar": r"ambient|baro|atmos|umgebung",
    "flow_l_min": r"flow|flu(ss|ß)|d[ée]bit|caudal|portata|gasto|f[öo]rder|menge|\bq\b|total|volum|cumul|\bft",
    "clamp_pressure_mbar": r"clamp|seal|flange|rand|klemm|flansch|bride|vac\w*\W*2|vak\w*\W*2|cierre|juntas?|bord",
    "cavity_pressure_mbar": r"\bcav|kavit|mou?ld.?vac|vac|vak|vuoto|vide|vac[íi]o|\bv\d?\b",
    "line_pressure_bar": r"line|linea|linha|ligne|head|inject|p\W*in\b|druck|press|pression|presi[óo]n|\bp\b|\bp1\b",
    "mould_temp_c": r"(mould|mold|form|werkzeug|molde|moule).*(t\b|temp)|temp.*(mould|mold|form|molde|moule)",
    "resin_temp_c": r"resin.?t|harz|resina|r[ée]sine|temp|\bt\b|\bt1\b",
    "flange_gap_mm": r"gap|spalt",
}


def quoted(text: str) -> str:
    """Text as a TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def column_name(seen: Sniffed, i: int) -> str:
    """A column's name, or its place where it has none."""
    return seen.header[i] if i < len(seen.header) else f"(column {i + 1})"


def column_unit(seen: Sniffed, i: int) -> str | None:
    """A column's unit, from the units row or its name; None where neither tells."""
    if i < len(seen.units) and seen.units[i].strip("[]() "):
        text = seen.units[i].strip().removeprefix("[").removesuffix("]")
        return text.removeprefix("(").removesuffix(")") if text.startswith("(") else text
    return unit_in_name(column_name(seen, i))[1]


def channel_lines(seen: Sniffed, proposal: Proposal, used: Sequence[int], times: Sequence[int] = ()) -> list[str]:
    """Lines of `[profiles.NAME.channels]`. used: columns that hold the time. times: where channels have time columns of
    their own, all of these, the first of them the profile's."""
    out: list[str] = []
    taken: dict[str, int] = {}
    free = [i for i in range(len(seen.rows[0])) if i not in used and column_name(seen, i)]
    for channel, words in _WORDS.items():
        for i in free:
            if i in taken.values() or not re.search(words, unit_in_name(column_name(seen, i))[0], re.IGNORECASE):
                continue
            if not _fits(channel, column_unit(seen, i)):
                continue
            taken[channel] = i
            break
    for channel, i in sorted(taken.items(), key=lambda item: item[1]):
        own = max((t for t in times if t < i), default=None)
        time = column_name(seen, own) if own is not None and own != times[0] else None
        out.append(_channel_line(channel, i, seen, proposal, time))
    for needed in ("flow_l_min", "line_pressure_bar", "cavity_pressure_mbar"):
        if needed not in taken and not (needed == "flow_l_min" and "pump_strokes" in taken):
            proposal.unsure.append(f"which column is {needed} ({BY_NAME[needed].doc})")
            out.append(f'# {needed} = {{ column = "...", unit = "..." }}   # could not be told, and is needed')
    left = [column_name(seen, i) for i in free if i not in taken.values()]
    if left:
        out.append(f"# not used: {', '.join(left)}")
    return out


def _fits(channel: str, unit: str | None) -> bool:
    if unit is None:
        return True
    known = BY_NAME[channel].unit
    if known in ("0/1", "strokes"):
        return False
    try:
        given, wanted = parse_unit(unit).dimension, parse_unit(known).dimension
    except UnitError:
        return False
    return given == wanted or (wanted == "volume flow" and given in ("mass flow", "volume", "mass"))


def _channel_line(channel: str, i: int, seen: Sniffed, proposal: Proposal, time: str | None) -> str:
    known, unit, name = BY_NAME[channel], column_unit(seen, i), column_name(seen, i)
    parts, notes = [f"column = {quoted(name)}"], []
    if time is not None:
        parts.append(f"time_column = {quoted(time)}")
    if known.unit in ("0/1", "strokes"):
        return f"{channel} = {{ {', '.join(parts)} }}"
    if unit is None:
        unit = known.unit
        notes.append(f"unit assumed: {unit}")
        proposal.assumed.append(f"{channel}: column {name!r} names no unit; {unit} was taken")
    parts.append(f"unit = {quoted(unit)}")
    if parse_unit(unit).dimension in ("volume", "mass") and known.unit == "l/min":
        parts.append('counts = "volume_so_far"')
    if parse_unit(unit).dimension == "pressure" and parse_unit(unit).reference is None and known.reference:
        reference, why = _reference(seen, i, unit)
        if reference is None:
            proposal.unsure.append(f"{channel}: whether column {name!r} is gauge, absolute or vacuum: {why}")
            notes.append(f'reference = "gauge", "absolute" or "vacuum"? could not be told: {why}')
        else:
            parts.append(f'reference = "{reference}"')
            notes.append(f"reference assumed: {why}")
            proposal.assumed.append(f"{channel}: column {name!r} is {reference}: {why}")
    note = f"   # {'; '.join(notes)}" if notes else ""
    return f"{channel} = {{ {', '.join(parts)} }}{note}"


def _reference(seen: Sniffed, i: int, unit: str) -> tuple[str | None, str]:
    """Absolute and gauge can be told where readings lie below zero or at ambient; nothing else is guessed."""
    texts = [r[i] for r in seen.rows if i < len(r) and is_number(r[i])]
    if seen.thousands:
        texts = [c.replace(seen.thousands, "") for c in texts]
    values = [float(c.replace(",", ".")) * parse_unit(unit).factor / 100.0 for c in texts]
    if not values:
        return None, "it holds no reading"
    low, high = min(values), max(values)
    if low < -30.0:
        return "gauge", f"it reads down to {low:.0f} mbar, below zero"
    if 930.0 < high < 1060.0 and low >= 0:
        return "absolute", f"its highest reading is {high:.0f} mbar, which is ambient"
    return None, f"its readings run from {low:.0f} to {high:.0f} mbar"
