"""How a workshop writes its dates: as `[workshop] date_style` says, by an example.

Held here alone, as units are in `catchpot.shop_units`: opening a workshop sets it, and whatever prints a date asks it.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

DateStyle = Literal["2 Mar 2026", "Mar 2, 2026", "2026-03-02", "02.03.2026"]
DEFAULT: Final[DateStyle] = "2 Mar 2026"
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_FOR_FIGURES: Final = {
    "2 Mar 2026": "%e %b %Y", "Mar 2, 2026": "%b %e, %Y", "2026-03-02": "%Y-%m-%d", "02.03.2026": "%d.%m.%Y",
}  # fmt: skip
_style: list[DateStyle] = [DEFAULT]


def write_dates(style: DateStyle = DEFAULT) -> None:
    """Write dates like this one from now on."""
    _style[0] = style


@contextmanager
def writing(style: DateStyle) -> Iterator[None]:
    """Write dates like this one within the block."""
    before = _style[0]
    write_dates(style)
    try:
        yield
    finally:
        write_dates(before)


def style() -> DateStyle:
    """How dates are written now."""
    return _style[0]


def written(day: date, *, year: bool = True) -> str:
    """A day; year: with its year. Without it the month is a word, whatever the style: 02.03 could be a number.

    >>> from datetime import date
    >>> for one in ("2 Mar 2026", "Mar 2, 2026", "2026-03-02", "02.03.2026"):
    ...     with writing(one):
    ...         print(written(date(2026, 3, 2)), "|", written(date(2026, 3, 2), year=False))
    2 Mar 2026 | 2 Mar
    Mar 2, 2026 | Mar 2
    2026-03-02 | 2 Mar
    02.03.2026 | 2 Mar
    """
    month = MONTHS[day.month - 1]
    if not year:
        return f"{month} {day.day}" if style() == "Mar 2, 2026" else f"{day.day} {month}"
    if style() == "2026-03-02":
        return f"{day.year:04d}-{day.month:02d}-{day.day:02d}"
    if style() == "02.03.2026":
        return f"{day.day:02d}.{day.month:02d}.{day.year:04d}"
    return f"{month} {day.day}, {day.year}" if style() == "Mar 2, 2026" else f"{day.day} {month} {day.year}"


def for_figures() -> str:
    """The same as the plotting library's format of a day."""
    return _FOR_FIGURES[style()]


__all__ = ["DEFAULT", "MONTHS", "DateStyle", "for_figures", "style", "write_dates", "writing", "written"]
