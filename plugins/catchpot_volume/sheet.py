"""The set-up sheet: one printable page, the volume very large, the pressure limit next, then what to mind."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from catchpot.report import theme, words
from catchpot.report.blocks import slugs
from catchpot.whole import make_folder, write_whole

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
    return words.number(row["volume_l"], "l", 4)


def facts(row: dict[str, Any], zone: str, now: datetime | None = None) -> list[tuple[str, str]]:
    """What stands under the two large numbers, name and value. now: for how long ago the last shot was."""
    n = words.number
    bleed = row["bleed_target_l"]
    wanted = f", of which {n(bleed, 'l', 2)} is wanted to sweep air out" if bleed else ""
    made = [
        ("Will fill", f"with a chance of {100 * row['fill_chance']:.1f} %"),
        ("The mould takes", words.with_interval(row["arrival_volume_l"], row["arrival_volume_low_l"],
                                                row["arrival_volume_high_l"], "l")),
        ("Past the vent, expected", n(row["expected_overflow_l"], "l", 2) + wanted),
    ]  # fmt: skip
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
    if row["blocked_vent_margin_n"] is not None:
        made.append(("Margin with the vent blocked", n(row["blocked_vent_margin_n"] / 1000, "kN", 2) + ", at most"))
    made.append(("Rests on", f"{words.count(row['from_history'], 'shot')} whose curve or catch pot tells what it took"
                 if row["from_history"] else "the mould book alone: no shot is known"))  # fmt: skip
    if row["last_shot_at"] is not None:
        made.append(("Last shot", f"{row['last_shot']}, {words.minute(row['last_shot_at'], zone)}{_ago(row, now)}"))
        made.append(("Changed since then", row["changes_since"] or "nothing noted"))
    made.append(("Open findings", row["open_findings"] or "none"))
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
    """The same for a terminal; a negative blocked-vent margin comes first."""
    cautions = row["cautions"].splitlines()
    first = cautions[:1] if row["blocked_vent_margin_n"] is not None and row["blocked_vent_margin_n"] < 0 else []
    lead = f"{row['mould']}: set {volume_words(row)}, line pressure {pressure_words(row)}."
    return [
        *first,
        lead,
        *(f"  {name}: {value}" for name, value in facts(row, zone, now)),
        *(f"  Mind: {c}" for c in cautions[len(first) :]),
        ALWAYS[0],
    ]


_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Next shot of {{ mould }}</title>
<style>
@page{size:A4;margin:14mm}
*{box-sizing:border-box}
body{font:15px/1.4 {{ font|safe }};color:{{ ink }};background:{{ paper }};max-width:46rem;margin:0 auto;padding:1rem}
h1{font-size:1.2rem;margin:0 0 .6rem}
.first{border:3px solid {{ ink }};padding:.5rem .8rem;font-weight:700;margin:.6rem 0}
.volume{font-size:6.2rem;font-weight:700;line-height:1;margin:.3rem 0 0;font-variant-numeric:tabular-nums}
.limit{font-size:2.1rem;font-weight:700;line-height:1.15;margin:.7rem 0}
.quiet{color:{{ muted }};margin:.1rem 0}
ul{margin:.4rem 0;padding-left:1.2rem}
.mind{border:1px solid {{ ink }};border-left-width:6px;padding:.4rem .8rem;margin:.7rem 0}
table{border-collapse:collapse;width:100%;font-size:.95rem}
th,td{text-align:left;padding:.2rem .6rem .2rem 0;border-bottom:1px solid {{ rule }};vertical-align:top}
th{font-weight:400;color:{{ muted }};white-space:nowrap}
.done td{height:2rem;width:25%}
@media print{body{font-size:14px;padding:0;max-width:none}.volume{font-size:6.2rem}
.limit{font-size:2rem;margin:.5rem 0}
.mind,.first{margin:.45rem 0}table{font-size:13.5px}.done td{height:2rem}tr,.mind,.first{break-inside:avoid}}
@media (max-width:32rem){.volume{font-size:3.6rem}.limit{font-size:1.5rem}th{white-space:normal}}
</style>
</head>
<body>
<main>
<h1>Next shot of {{ mould }} <span class="quiet">– {{ workshop }}</span></h1>
{% if first %}<p class="first">{{ first }}</p>{% endif %}
<p class="quiet">Set the volume to</p>
<p class="volume">{{ volume }}</p>
<p class="quiet">The mould takes {{ low }} to {{ high }} (95 %){{ wanted }}</p>
<p class="limit">Line pressure: {{ limit }}</p>
{% if minds %}
<div class="mind"><strong>Mind first</strong><ul>{% for m in minds %}<li>{{ m }}</li>{% endfor %}</ul></div>
{% endif %}
<table>{% for name, value in facts %}<tr><th scope="row">{{ name }}</th><td>{{ value }}</td></tr>{% endfor %}</table>
<div class="mind"><ul>{% for a in always %}<li>{{ a }}</li>{% endfor %}</ul></div>
<table class="done"><tr><th scope="row">Set by</th><td></td><th scope="row">Date, time</th><td></td></tr>
<tr><th scope="row">Injected [l]</th><td></td><th scope="row">In the catch pot [kg]</th><td></td></tr></table>
</main>
</body>
</html>
"""


def sheet_html(row: dict[str, Any], workshop: str, zone: str, now: datetime | None = None) -> str:
    """The page as text; everything from the book or a log is escaped."""
    from jinja2 import Environment, StrictUndefined

    cautions = row["cautions"].splitlines()
    negative = row["blocked_vent_margin_n"] is not None and row["blocked_vent_margin_n"] < 0
    page = Environment(autoescape=True, undefined=StrictUndefined).from_string(_PAGE)
    return page.render(
        mould=row["mould"], workshop=workshop, volume=volume_words(row), limit=pressure_words(row),
        low=words.number(row["arrival_volume_low_l"], "", 4), high=words.number(row["arrival_volume_high_l"], "l", 4),
        wanted=f"; {words.number(row['bleed_target_l'], 'l', 2)} more is wanted past the vent"
        if row["bleed_target_l"] else "",
        first=cautions[0] if negative and cautions else "", minds=cautions[1:] if negative else cautions,
        facts=facts(row, zone, now), always=ALWAYS, font=theme.FONT, ink=theme.LIGHT["ink"], paper=theme.LIGHT["paper"],
        muted=theme.LIGHT["muted"], rule=theme.LIGHT["rule"],
    )  # fmt: skip


def write_sheet(
    folder: Path, row: dict[str, Any], workshop: str, zone: str, now: datetime | None = None, moulds: Sequence[str] = ()
) -> Path:
    """Write the sheet to the reports folder; returns the file.

    moulds: all moulds of the book, so that no two have one sheet.
    """
    make_folder(folder)
    path = folder / f"next-{slugs(dict.fromkeys([*moulds, row['mould']]))[row['mould']]}.html"
    write_whole(path, sheet_html(row, workshop, zone, now))
    return path
