"""Numbers, intervals, dates and counts as people read them.

>>> with_interval(2.6137, 2.5952, 2.6321, "l")
'2.614 l (95 %: 2.595 to 2.632)'
>>> with_interval(2.31e-10, 2.28e-10, 2.35e-10, "m2")
'2.31 × 10⁻¹⁰ m² (95 %: 2.28 to 2.35)'
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from datetime import datetime

from catchpot.dates import in_zone
from catchpot.shop_dates import written
from catchpot.shop_units import in_shop

_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
NOT_KNOWN = "not known"


def pretty_unit(unit: str) -> str:
    """A declared unit as it is printed: m2 as m², deg C as °C.

    >>> pretty_unit("m2/(Pa s)")
    'm²/(Pa s)'
    """
    return unit.replace("m2", "m²").replace("m3", "m³").replace("deg C", "°C").replace(" x ", " × ")


def tenfold(values: Iterable[float | None]) -> int:
    """The power of ten to take out of numbers that are very small or large; 0 for ordinary ones.

    values: any unit, nulls allowed. Returns an exponent e; show value / 10**e and name 10**e beside the unit.

    >>> tenfold([2.1e-10, 3.4e-10]), tenfold([0.2, 14.0])
    (-10, 0)
    """
    sizes = sorted(abs(v) for v in values if v is not None and math.isfinite(v) and v != 0)
    if not sizes:
        return 0
    exponent = math.floor(math.log10(sizes[len(sizes) // 2]))
    return 0 if -3 <= exponent <= 4 else exponent


def power(exponent: int) -> str:
    """10 to that power as it is printed, empty for 0.

    >>> power(-10)
    '10⁻¹⁰'
    """
    return "10" + str(exponent).translate(_SUPERSCRIPT) if exponent else ""


def decimals(value: float, low: float | None = None, high: float | None = None, digits: int = 3) -> int:
    """Decimal places a number deserves by its interval's half-width, else `digits` significant figures.

    The half-width keeps two figures where it begins with 1 or 2, else one.

    >>> decimals(2.6137, 2.5952, 2.6321), decimals(41.0, 33.0, 52.0), decimals(26.137), decimals(1234.0)
    (3, 0, 1, 0)
    """
    if low is not None and high is not None and math.isfinite(high - low) and high > low:
        half = (high - low) / 2
        leading = math.floor(math.log10(half))
        return max(0, min(6, -leading + (1 if half / 10**leading < 3 else 0)))
    if value == 0 or not math.isfinite(value):
        return 0
    return max(0, min(9, digits - 1 - math.floor(math.log10(abs(value)))))


def _fixed(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text[1:].replace("-", "") if text.startswith("-") and float(text) == 0 else text.replace("-", "−")


def number(value: float | None, unit: str = "", digits: int = 3, *, bare: bool = False) -> str:
    """A number without interval, at `digits` significant figures, with its unit.

    bare: the unit is left out, for a cell whose heading names it.

    >>> number(0.6049, "bar"), number(None, "l"), number(3.3e-9, "m2/(Pa s)", 2)
    ('0.605 bar', 'not known', '3.3 × 10⁻⁹ m²/(Pa s)')
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    unit, factor, _ = in_shop(unit)
    value *= factor
    exponent = tenfold([value])
    scaled = value / 10**exponent
    text = _fixed(scaled, decimals(scaled, digits=digits))
    times = f" × {power(exponent)}" if exponent else ""
    return f"{text}{times} {'' if bare else pretty_unit(unit)}".strip()


def with_interval(
    value: float | None,
    low: float | None,
    high: float | None,
    unit: str = "",
    level: str = "95 %",
    *,
    bare: bool = False,
) -> str:
    """A number with unit and interval; the value alone says so where the interval is unknown.

    level: what the interval holds, as printed ("95 %", "80 %"). bare: for a cell whose heading names unit and level.

    >>> with_interval(41.0, 33.0, 52.0, "shots", "80 %")
    '41 shots (80 %: 33 to 52)'
    >>> with_interval(2.5, None, None, "l")
    '2.50 l (interval not known)'
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    if low is None or high is None:
        return f"{number(value, unit, bare=bare)} (interval not known)"
    unit, factor, _ = in_shop(unit)
    value, low, high = value * factor, low * factor, high * factor
    exponent = tenfold([value])
    scale = 10.0**exponent
    places = decimals(value / scale, low / scale, high / scale)
    middle, least, most = (_fixed(v / scale, places) for v in (value, low, high))
    times = f" × {power(exponent)}" if exponent else ""
    if bare:
        return f"{middle}{times} ({least} to {most})"
    return f"{middle}{times} {pretty_unit(unit)}".strip() + f" ({level}: {least} to {most})"


def signed(value: float | None, unit: str = "", places: int = 1, *, bare: bool = False) -> str:
    """A change with its sign.

    >>> signed(3.62, "%"), signed(-0.4, "%")
    ('+3.6 %', '−0.4 %')
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    unit, factor, more = in_shop(unit)
    text = _fixed(value * factor, max(places + more, 0))
    said = text if text.startswith("−") or float(text) == 0 else f"+{text}"
    return said if bare else f"{said} {pretty_unit(unit)}".strip()


def fixed(value: float | None, unit: str, places: int) -> str:
    """A number with so many decimal places of the stored unit, as fine in the unit that is printed.

    >>> fixed(2.6137, "l", 2)
    '2.61 l'
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    unit, factor, more = in_shop(unit)
    return f"{_fixed(value * factor, max(places + more, 0))} {pretty_unit(unit)}"


def between(low: float, high: float, unit: str, places: int, joint: str = "to") -> str:
    """Two ends with one unit.

    >>> between(1.22, 2.413, "l", 2, "and")
    '1.22 and 2.41 l'
    """
    return f"{fixed(low, unit, places).rpartition(' ')[0]} {joint} {fixed(high, unit, places)}"


def day(when: datetime | None, zone: str) -> str:
    """A day in the workshop's time zone, as it writes dates.

    >>> from datetime import timezone
    >>> day(datetime(2026, 3, 1, 23, 30, tzinfo=timezone.utc), "Europe/Paris")
    '2 Mar 2026'
    """
    if when is None:
        return NOT_KNOWN
    return written(in_zone(when, zone))


def minute(when: datetime | None, zone: str) -> str:
    """A day and time in the workshop's time zone.

    >>> from datetime import timezone
    >>> minute(datetime(2026, 3, 1, 7, 5, tzinfo=timezone.utc), "Europe/Lisbon")
    '1 Mar 2026, 07:05'
    """
    if when is None:
        return NOT_KNOWN
    local = in_zone(when, zone)
    return f"{day(when, zone)}, {local:%H:%M}"


def count(n: int, one: str, many: str = "") -> str:
    """A count with its noun.

    >>> count(1, "shot"), count(3, "shot"), count(0, "loss", "losses")
    ('1 shot', '3 shots', 'no losses')
    """
    noun = one if n == 1 else (many or one + "s")
    return f"{n if n else 'no'} {noun}"


def listed(items: Sequence[str], most: int = 12) -> str:
    """Names in a sentence, cut after `most` with the number left out.

    >>> listed(["a", "b", "c"]), listed(["a", "b", "c", "d"], most=2)
    ('a, b and c', 'a, b and 2 more')
    """
    if len(items) > most:
        return f"{', '.join(items[:most])} and {len(items) - most} more"
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


_UNITS = re.compile(
    r"(?<=\d) (?=(?:%|× 10|l|ml|s|min|bar|mbar|kPa|kN|N|kg|g|mm|m|m²|°C|K|Pa s|shots?|moulds?)(?![\w]))"
)


def tied(text: str) -> str:
    """The text with numbers kept on one line with their units.

    >>> tied("2.61 l (95 %: 2.59 to 2.63), 3 shots").replace("\xa0", "_")
    '2.61_l (95_%: 2.59 to 2.63), 3_shots'
    """
    return _UNITS.sub("\xa0", text)


def words_of(kind: str) -> str:
    """A stored kind as words: `seal_replaced` as `seal replaced`."""
    return kind.replace("_", " ")


__all__ = [
    "NOT_KNOWN", "between", "count", "day", "decimals", "fixed", "listed", "minute", "number", "power", "pretty_unit",
    "signed", "tenfold",
    "tied", "with_interval", "words_of",
]  # fmt: skip
