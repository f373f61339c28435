"""The set-up sheet, one printable page: go or no-go, the volume very large, the pressure limit, what to mind.

A no-go has a page of its own, which takes the place of the sheet before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from catchpot.report import words
from catchpot.report.blocks import slugs
from catchpot.report.shown_text import shown_text
from catchpot.shop_units import in_shop
from catchpot.whole import make_folder, write_whole
from catchpot_volume import go
from catchpot_volume.printed import page
from catchpot_volume.tables import nothing

_ALWAYS = """
Advice only: the machine's own limits and interlocks, the data sheets and local rules go first. No pressure above the
limit in the mould book, ever.

A clamp margin is an upper estimate and no permission. If the cover lifts: stop injecting, relieve the line pressure,
keep hands out, keep the clamp vacuum on until the rules for gel and demoulding are met.

Ratio off: set the part aside. Peroxide catalyst never meets accelerator; protect the eyes. Relieve the line pressure
before a hose is opened.
"""
ALWAYS = tuple(" ".join(p.split()) for p in _ALWAYS.strip().split("\n\n"))


def volume_words(row: dict[str, Any]) -> str:
    """The volume to set as it is printed."""
    return words.number(row["volume_l"], "l", 4) if row["volume_l"] is not None else "none is given"


def reasons(row: dict[str, Any]) -> list[tuple[str, str]]:
    """Why it is not simply a go, and who may clear it and how, a pair each, the gravest first."""
    return [
        (_sentence(why), how) for why, how in zip(row["reasons"].splitlines(), row["clears"].splitlines(), strict=True)
    ]


def _sentence(text: str) -> str:
    """Begun with a capital letter, unless it begins with the name of something."""
    first = text.split(" ", 1)[0]
    return text if any(c.isdigit() for c in first) else text[:1].upper() + text[1:]


def verdict(row: dict[str, Any]) -> str:
    """GO, GO WITH CARE or NO-GO."""
    return go.WORDS[row["go"]]


def step(row: dict[str, Any]) -> str:
    """By how much the setting changes from the last one; empty where either is unknown.

    >>> step({"volume_l": 2.971, "last_set_l": 2.851})
    '+0.120 l from the last setting, 2.851 l'
    """
    if row["volume_l"] is None or row["last_set_l"] is None:
        return ""
    return (
        f"{words.signed(row['volume_l'] - row['last_set_l'], 'l', 3)} from the last setting,"
        f" {words.number(row['last_set_l'], 'l', 4)}"
    )


def steps_to_the_setting(row: dict[str, Any]) -> list[tuple[str, str]]:
    """The sum from where resin arrives to what is set, a line each; empty where no arrival is known."""
    if row["volume_l"] is None or row["arrival_volume_l"] is None:
        return []
    advised = row["advised_volume_l"]
    spare = advised - row["bleed_target_l"] - row["arrival_volume_l"]
    why = (
        f"so that it fills with a chance of {100 * row['fill_chance']:.1f} %"
        if not row["set_by_hand"] else "so that it fills as wanted"
    )  # fmt: skip
    made = [(_litres(row["arrival_volume_l"]), "resin arrives at the vent, on average")]
    made.append((words.signed(spare, "l", 3), why if spare >= 0 else "less than that is set on this mould as a rule"))
    if row["bleed_target_l"]:
        made.append((words.signed(row["bleed_target_l"], "l", 3), "wanted past the vent, to sweep air out"))
    made.append(("= " + _litres(advised), "advised" if row["set_by_hand"] else "to set"))
    if row["set_by_hand"]:
        made.append((_litres(row["volume_l"]), row["set_by_hand"]))
    return made


def _litres(volume: float) -> str:
    return words.fixed(volume, "l", 3)


def validity(row: dict[str, Any], zone: str) -> str:
    """Until when the sheet holds."""
    if row["go"] == "no-go":
        return "until what stands above is cleared; then ask again"
    last = f", {words.day(row['valid_until'], zone)} at the latest" if row["valid_until"] is not None else ""
    return f"until the next shot, repair or new batch{last}"


def facts(row: dict[str, Any], zone: str, now: datetime | None = None) -> list[tuple[str, str]]:
    """What stands under the two large numbers, name and value. now: when the sheet is made."""
    made = [*_on_the_volume(row), *_on_the_fill(row)]
    if row["blocked_vent_margin_n"] is not None:
        made.append(
            ("Margin with the vent blocked", words.number(row["blocked_vent_margin_n"] / 1000, "kN", 2) + ", at most")
        )
    if row["hold_check"]:
        made.append(("Clamp channel", row["hold_check"]))
    made.append(("Rests on", f"{words.count(row['from_history'], 'shot')} whose curve or catch pot tells what it took"
                 if row["from_history"] else "the mould book alone: no shot is known"))  # fmt: skip
    if row["last_shot_at"] is not None:
        made.append(("Last shot", f"{row['last_shot']}, {words.minute(row['last_shot_at'], zone)}{_ago(row, now)}"))
        made.append(("Changed since then", row["changes_since"] or "nothing noted"))
    made.append(("Open findings", row["open_findings"] or "none"))
    if now is not None:
        made.append(("Made on", words.minute(now, zone)))
    elif row["last_shot_at"] is not None:
        made.append(("Made from", "the stored logs, with the report; “catchpot next” makes it anew"))
    return [*made, ("Valid", validity(row, zone))]


def _on_the_volume(row: dict[str, Any]) -> list[tuple[str, str]]:
    if row["volume_l"] is None:
        return [("Last setting", _litres(row["last_set_l"]))] if row["last_set_l"] is not None else []
    if row["arrival_volume_l"] is None:
        return []
    n, bleed = words.number, row["bleed_target_l"]
    wanted = f", of which {n(bleed, 'l', 2)} is wanted to sweep air out" if bleed else ""
    arrives = words.with_interval(
        row["arrival_volume_l"], row["arrival_volume_low_l"], row["arrival_volume_high_l"], "l"
    )
    return [
        ("Will fill", f"with a chance of {100 * row['fill_chance']:.1f} %"),
        ("Resin arrives at the vent after", arrives),
        ("Sum", "; ".join(f"{value} {what}" for value, what in steps_to_the_setting(row))),
        ("Past the vent, expected", n(row["expected_overflow_l"], "l", 2) + wanted),
    ]


def _on_the_fill(row: dict[str, Any]) -> list[tuple[str, str]]:
    n = words.number
    made: list[tuple[str, str]] = []
    if row["expected_fill_time_s"] is not None:
        time = words.with_interval(row["expected_fill_time_s"], row["fill_time_low_s"], row["fill_time_high_s"], "s")
        at = f" at {n(row['temperature_c'], 'deg C')}" if row["temperature_c"] is not None else ""
        made.append(("Fill time", time + at))
    if row["curve_time_s"] is not None:
        half, most = (float(np.interp(s, row["curve_share"], row["curve_time_s"])) for s in (0.5, 0.9))
        made.append(("Filling curve", f"half full after {n(half, 's')}, nine tenths after {n(most, 's')}"))
    if row["gel_time_s"] is not None:
        share = ""
        if row["expected_fill_time_s"] is not None:
            share = f"; filling takes {100 * row['expected_fill_time_s'] / row['gel_time_s']:.0f} % of it"
        made.append(
            ("Gel time", f"about {n(row['gel_time_s'] / 60, 'min', 2)}, by the book and a rule of thumb{share}")
        )
    if row["catalyst_l"] is not None:
        mass = f" ({n(1000 * row['catalyst_kg'], 'g')})" if row["catalyst_kg"] is not None else ""
        made.append(("Catalyst in this volume", f"{n(1000 * row['catalyst_l'], 'ml')}{mass}"))
    return made


def _ago(row: dict[str, Any], now: datetime | None) -> str:
    if now is None or now < row["last_shot_at"]:
        return ""
    days = (now - row["last_shot_at"]).days
    return f" ({words.count(days, 'day')} ago)" if days else " (less than a day ago)"


def pressure_words(row: dict[str, Any]) -> str:
    """The pressure limit as it is printed."""
    limit = row["line_pressure_limit_bar"]
    return f"no more than {words.number(limit, 'bar', 2)}" if limit is not None else "no limit known"


def next_lines(row: dict[str, Any], zone: str, now: datetime | None = None) -> list[str]:
    """The same for a terminal: go or no-go and why come first."""
    given = reasons(row)
    said = [f"  Because: {why}.\n  Clears it: {_clears(how)}" for why, how in given]
    lead = f"Set {volume_words(row)}, line pressure {pressure_words(row)}."
    if row["go"] == "no-go":
        lead = "Do not shoot: no volume is given."
    return [
        f"{row['mould']}: {verdict(row)}",
        *(line for pair in said for line in pair.split("\n")),
        lead,
        *([f"  Step: {step(row)}"] if step(row) else []),
        *(f"  {name}: {value}" for name, value in facts(row, zone, now)),
        *(f"  Mind: {c}" for c in row["cautions"].splitlines()),
        ALWAYS[0],
    ]


def _clears(how: str) -> str:
    return how if how.endswith(".") else how + "."


_STYLE = """body{line-height:1.4}
h1{font-size:1.2rem;margin:0 0 .6rem}
.go{font-size:3rem;font-weight:700;line-height:1.1;margin:.2rem 0;border:2px solid {{ ink }};padding:.2rem .7rem;
display:inline-block}
.care{border:9px double {{ ink }}}.no-go{border:9px solid {{ ink }}}
.command{font-size:.93em}.command span{display:inline-block;max-width:100%;overflow-wrap:anywhere}
.first{border:3px solid {{ ink }};padding:.5rem .8rem;font-weight:700;margin:.6rem 0}.first .quiet{font-weight:400}
.volume{font-size:6.2rem;font-weight:700;line-height:1;margin:.3rem 0 0;font-variant-numeric:tabular-nums}
.limit{font-size:2.1rem;font-weight:700;line-height:1.15;margin:.7rem 0}
.quiet{color:{{ muted }};margin:.1rem 0}
ul{margin:.4rem 0;padding-left:1.2rem}
.mind{border:1px solid {{ ink }};border-left-width:6px;padding:.4rem .8rem;margin:.7rem 0}
table{border-collapse:collapse;width:100%;font-size:.95rem}
th,td{text-align:left;padding:.2rem .6rem .2rem 0;border-bottom:1px solid {{ rule }};vertical-align:top}
th{font-weight:400;color:{{ muted }};white-space:nowrap}
.done td{height:2rem;width:25%}
@media print{body{font-size:12.5px;line-height:1.3;padding:0;max-width:none}.go{font-size:2.4rem}
.volume{font-size:5.6rem}.limit{font-size:1.9rem;margin:.4rem 0}ul{margin:.2rem 0}
.mind,.first{margin:.35rem 0;padding:.25rem .7rem}table{font-size:12.5px}th,td{padding:.13rem .6rem .13rem 0}
.done td{height:1.9rem}tr,.mind,.first{break-inside:avoid}}
@media (max-width:32rem){.volume{font-size:3.6rem}.limit{font-size:1.5rem}th{white-space:normal}}
"""
_BODY = """<h1>Next shot of {{ mould }} {% if workshop %}<span class="quiet">– {{ workshop }}</span>{% endif %}</h1>
<p class="go {{ state }}">{{ verdict }}</p>
{% if reasons %}
<div class="mind{% if stop %} first{% endif %}"><ul>
{% for why, how in reasons %}
<li>{{ why|tied }}.<br><span class="quiet">Who clears it, and how: {{ how|tied }}.</span></li>
{% endfor %}
</ul></div>
{% endif %}
{% if stop %}
<p class="limit">Do not shoot: no volume is given.</p>
<p>This page takes the place of every sheet before it.</p>
{% else %}
<p class="quiet">Set the volume to</p>
<p class="volume">{{ volume|tied }}</p>
{% if step %}<p class="quiet">{{ step|tied }}</p>{% endif %}
<p class="limit">Line pressure: {{ limit|tied }}</p>
{% endif %}
{% if minds %}
<div class="mind"><strong>Mind first</strong>
<ul>{% for m in minds %}<li>{{ m|tied }}</li>{% endfor %}</ul></div>
{% endif %}
<table>{% for name, value in facts %}
<tr><th scope="row">{{ name }}</th><td>{{ value|tied }}</td></tr>{% endfor %}</table>
<div class="mind"><ul>{% for a in always %}<li>{{ a }}</li>{% endfor %}</ul></div>
{% if not stop %}
<table class="done"><tr><th scope="row">Set by</th><td></td><th scope="row">Date, time</th><td></td></tr>
<tr><th scope="row">Injected [{{ litre }}]</th><td></td><th scope="row">In the catch pot [kg]</th><td></td></tr></table>
{% endif %}
"""


def sheet_html(row: dict[str, Any], workshop: str, zone: str, now: datetime | None = None) -> str:
    """The page as text; everything from the book or a log is escaped."""
    return page(
        f"{verdict(row)}: next shot of {row['mould']}", _STYLE, _BODY, {"tied": shown_text},
        mould=row["mould"], workshop=workshop, volume=volume_words(row), limit=pressure_words(row), step=step(row),
        verdict=verdict(row), state=row["go"], stop=row["go"] == "no-go",
        reasons=[(why, how.rstrip(".")) for why, how in reasons(row)], minds=row["cautions"].splitlines(),
        facts=facts(row, zone, now), litre=in_shop("l")[0], always=ALWAYS,
    )  # fmt: skip


def sheet_name(mould: str, moulds: Sequence[str]) -> str:
    """The sheet's file, from the reports folder. moulds: all of the book, so that no two have one sheet."""
    return f"sheets/{slugs(dict.fromkeys([*moulds, mould]))[mould]}.html"


def write_sheet(
    folder: Path, row: dict[str, Any], workshop: str, zone: str, now: datetime | None = None, moulds: Sequence[str] = ()
) -> Path:
    """Write the sheet to the reports folder; returns the file.

    moulds: all moulds of the book, so that no two have one sheet.
    """
    path = folder / sheet_name(row["mould"], moulds)
    make_folder(folder)
    make_folder(path.parent)
    write_whole(path, sheet_html(row, workshop, zone, now))
    return path


def withdraw(folder: Path, mould: str, moulds: Sequence[str], why: str, zone: str, now: datetime) -> Path | None:
    """Put a no-go in the place of a sheet, since nothing could be worked out; None where no sheet is there."""
    path = folder / sheet_name(mould, moulds)
    if not path.exists():
        return None
    reason = go.Reason("no-go", why, "whoever keeps the workshop's files", "put that right and ask again")
    row = nothing(mould) | go.columns([reason])
    write_whole(path, sheet_html(row, "", zone, now))
    return path
