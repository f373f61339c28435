"""The week in sentences for the terminal, and its page to print."""

from __future__ import annotations

from typing import Any

from catchpot.report import words
from catchpot.report.shown_text import shown_text
from catchpot_volume.printed import page
from catchpot_volume.week import Choice, Week

NUMBER = words.number
ON_TERMINAL = (0.9, 0.95, 0.99, 0.999)
"""Chances of which the terminal tells; the page shows the whole curve."""
_SHORT_SIDE, _LONG_SIDE, _EDGE = 150.0, 360.0, 34.0


def lines(week: Week, zone: str) -> list[str]:
    """All of it as lines."""
    made = [f"The week, from logs up to {words.minute(week.as_of, zone)}; shots {week.plan_from}.", ""]
    for r in week.runs:
        shots = f", {words.count(r.shots, 'shot')}" if r.shots else ", none planned"
        made.append(f"{r.mould}: {r.verdict}{shots}")
        if r.first:
            made += [f"  First: {r.first}.", f"  {r.how}."]
    made += ["", "Resin and catalyst:"] if week.needs else []
    made += [f"  {said}" for said in needs(week)]
    made += ["", "Went past the vent in the last seven days:"] if week.pots else []
    made += [f"  {said}" for said in pots(week)]
    made += ["", "What setting it otherwise would save and risk, a shot:"] if week.choices else []
    for mould, some in week.choices.items():
        made += [f"  {mould}", *(f"    {choice(c, week.currency)}" for c in some if c.chance in ON_TERMINAL)]
    made += ["", "Seals:", *(f"  {o.mould}: {o.says}." for o in week.orders)] if week.orders else []
    return [*made, "", "Changed since the last report:", *(f"  {c}" for c in week.changes)]


def needs(week: Week) -> list[str]:
    """What each mould's shots take, and the sum of each resin."""
    made = []
    for n in week.needs:
        waste = (
            " by the last setting, as none is given now"
            if n.by_last_setting
            else f", of which about {NUMBER(n.pot_l, 'l', 2)} goes into pots"
        )
        waste += f" and {NUMBER(n.flush_l, 'l', 2)} is flushed out" if n.flush_l else ""
        mass = f" ({NUMBER(n.mix_kg, 'kg')})" if n.mix_kg is not None else ""
        made.append(f"{n.mould}, {words.count(n.shots, 'shot')}: {NUMBER(n.mix_l, 'l')} of mix{mass}{waste}"
                    f"{_catalyst(n.catalyst_l, n.catalyst_kg)}.")  # fmt: skip
    for resin in sorted({n.resin for n in week.needs}):
        own = [n for n in week.needs if n.resin == resin]
        if len(own) > 1:
            litres = sum(n.catalyst_l or 0.0 for n in own)
            kg = sum(n.catalyst_kg or 0.0 for n in own)
            made.append(f"All of {resin or 'a resin without a name'}: {NUMBER(sum(n.mix_l for n in own), 'l')} of mix"
                        f"{_catalyst(litres or None, kg or None)}.")  # fmt: skip
    return made


def _catalyst(litres: float | None, kg: float | None) -> str:
    if litres is None:
        return "; catalyst not known: the mould book has no ratio"
    return f"; {NUMBER(1000 * litres, 'ml')} of it catalyst" + (f" ({NUMBER(1000 * kg, 'g')})" if kg else "")


def pots(week: Week) -> list[str]:
    """What went into pots, and what it cost."""
    made = []
    for p in week.pots:
        how = f"{p.weighed} of {words.count(p.shots, 'shot')} weighed; the others at most, by their curves"
        how = (
            "all weighed" if p.weighed == p.shots else "none weighed: at most, by the curves" if not p.weighed else how
        )
        mass = f" ({NUMBER(p.kg, 'kg')})" if p.kg is not None else ""
        cost = f", {money(p.cost, week.currency)}" if p.cost is not None else ""
        made.append(f"{p.mould}: {NUMBER(p.litres, 'l', 2)}{mass}{cost}, {words.count(p.shots, 'shot')} ({how}).")
    return made


def money(amount: float | None, currency: str) -> str:
    """An amount with its currency."""
    return "" if amount is None else f"{amount:.2f} {currency}".strip()


def choice(c: Choice, currency: str) -> str:
    """One point of the curve."""
    cost = f", {money(c.cost, currency)}" if c.cost is not None else ""
    return (
        f"set {words.fixed(c.volume_l, 'l', 3)}: fills with {100 * c.chance:.1f} %, about"
        f" {NUMBER(c.short_in_1000, '', 2)} in 1000 end"
        f" short; {NUMBER(c.waste_l, 'l', 2)} past the vent{cost}"
    )


def curve_svg(some: list[Choice]) -> str:
    """Waste a shot (x) against short shots in a hundred (y), as a drawing."""
    most_x = max(c.waste_l for c in some) or 1.0
    most_y = max(c.short_in_1000 for c in some) / 10 or 1.0
    wide, high = _LONG_SIDE - 2 * _EDGE, _SHORT_SIDE - 2 * _EDGE
    at = [(_EDGE + wide * c.waste_l / most_x, _SHORT_SIDE - _EDGE - high * c.short_in_1000 / 10 / most_y) for c in some]
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in at)
    rings = "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="none" stroke="currentColor"/>' for x, y in at)
    most = words.fixed(most_x, "l", 2)
    said = (
        f"Short shots fall from {most_y:.0f} in a hundred to nearly none as the waste grows to"
        f" {words.fixed(most_x, 'l', 2)} a shot"
    )
    return (
        f'<svg viewBox="0 0 {_LONG_SIDE:.0f} {_SHORT_SIDE:.0f}" role="img" aria-label="{said}">'
        f'<polyline points="{path}" fill="none" stroke="currentColor" stroke-width="1.5"/>{rings}'
        f'<text x="{_EDGE}" y="{_SHORT_SIDE - 8}">past the vent a shot: none</text>'
        f'<text x="{_LONG_SIDE - _EDGE}" y="{_SHORT_SIDE - 8}" text-anchor="end">{most}</text>'
        f'<text x="{_EDGE}" y="{_EDGE - 12}">{most_y:.0f} in 100 end short</text></svg>'
    )


_STYLE = """h1{font-size:1.4rem;margin:0 0 .3rem}h2{font-size:1.1rem;margin:1.3rem 0 .3rem}
h3{font-size:1rem;margin:.8rem 0 .2rem}
.go{border:1px solid {{ ink }};padding:0 .4rem;font-weight:700;white-space:nowrap}
.care{border:4px double {{ ink }}}.no-go{border:4px solid {{ ink }}}
ul{margin:.3rem 0;padding-left:1.2rem}li{margin:.35rem 0}
svg{width:100%;max-width:26rem;height:auto;color:{{ ink }};font-size:11px}svg text{fill:currentColor}
.command{font-size:.93em}.command span{display:inline-block;max-width:100%;overflow-wrap:anywhere}
table{border-collapse:collapse;font-size:.92rem;font-variant-numeric:tabular-nums}
th,td{text-align:left;padding:.15rem .8rem .15rem 0;border-bottom:1px solid {{ rule }}}th{font-weight:400}
@media print{body{padding:0;max-width:none;font-size:13px}li,section{break-inside:avoid}}
"""
_BODY = """<h1>The week</h1>
<p class="quiet">From logs up to {{ as_of }}; shots {{ week.plan_from }}. Advice only: limits and interlocks of the
machine, data sheets and local rules go first. Peroxide catalyst never meets accelerator; protect the eyes.</p>
<h2>Which moulds may run</h2>
{% if week.runs %}<ul>{% for r in week.runs %}<li><span class="go {{ r.go }}">{{ r.verdict }}</span>
<strong>{{ r.mould }}</strong>{% if r.shots %}, {{ r.shots|count('shot') }}{% else %}, none planned{% endif -%}
{% if r.volume_l %}, set {{ r.volume_l|litres }}{% endif %}.{% if r.first %}<br>First: {{ r.first|tied }}.
<br><span class="quiet">{{ r.how|tied }}.</span>{% endif %}</li>{% endfor %}</ul>
{% else %}<p>No mould has a next shot worked out: run “catchpot run”.</p>{% endif %}
<h2>Resin and catalyst</h2>
{% if needs %}<ul>{% for n in needs %}<li>{{ n|tied }}</li>{% endfor %}</ul>{% else %}
<p>No shot is planned on a mould that may run.</p>{% endif %}
<h2>What went past the vent in the last seven days</h2>
{% if pots %}<ul>{% for p in pots %}<li>{{ p|tied }}</li>{% endfor %}</ul>{% else %}<p>No shot.</p>{% endif %}
<h2>What setting it otherwise would save and risk</h2>
{% for mould, some, svg in choices %}<section><h3>{{ mould }}</h3>{{ svg|safe }}
<table><tr><th scope="col">Set</th><th scope="col">Fills with</th><th scope="col">End short in 1000</th>
<th scope="col">Past the vent</th>{% if some[0].cost is not none %}<th scope="col">Cost a shot</th>{% endif %}</tr>
{% for c in some %}<tr><td>{{ c.volume_l|litres }}</td><td>{{ '%.1f'|format(100 * c.chance) }} %</td>
<td>{{ '%.0f'|format(c.short_in_1000) }}</td><td>{{ c.waste_l|litres }}</td>
{% if c.cost is not none %}<td>{{ c.cost|money }}</td>{% endif %}</tr>{% endfor %}</table></section>{% endfor %}
<h2>Seals</h2>
{% if week.orders %}<ul>{% for o in week.orders %}<li>{{ o.mould }}: {{ o.says|tied }}.</li>{% endfor %}</ul>
{% else %}<p>No seal has a date. Sudden damage is not predicted.</p>{% endif %}
{% if week.changes %}<h2>Changed since the last report</h2>
<ul>{% for c in week.changes %}<li>{{ c|tied }}</li>{% endfor %}</ul>{% endif %}

"""


def html(week: Week, zone: str) -> str:
    """The page as text; everything from the book or a log is escaped."""
    filters: dict[str, Any] = {
        "count": words.count, "tied": shown_text, "litres": lambda v: words.fixed(v, "l", 3),
        "money": lambda v: money(v, week.currency),
    }  # fmt: skip
    return page(
        "The week", _STYLE, _BODY, filters, week=week, as_of=words.minute(week.as_of, zone), needs=needs(week),
        pots=pots(week), choices=[(m, some, curve_svg(some)) for m, some in week.choices.items()],
    )  # fmt: skip
