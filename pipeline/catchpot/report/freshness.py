"""What a mould's page is made from, as one key, so that a page made from the same is not made again.

The key holds the ledger's keys of all that was computed for the mould and its shots, what the page takes from tables
over all moulds, its mould book entry, its events, and the code of report and sections. Without a ledger (tables in
memory) there is no key and every page is made.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Collection, Iterable, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.dates import in_zone
from catchpot.keeping import fingerprint

if TYPE_CHECKING:
    import polars as pl

    from catchpot.report.section import Section
    from catchpot.report.site import Site


def digest(*pieces: str) -> str:
    """A short digest of texts, in order."""
    return hashlib.sha256("\0".join(pieces).encode("utf-8", "backslashreplace")).hexdigest()[:20]


def code_of(sections: Sequence[Section]) -> str:
    """A digest of all code that draws: the report's own and each section's package (or file)."""
    places = {Path(__file__).parent}
    for section in sections:
        module = sys.modules.get(type(section).__module__)
        file = getattr(module, "__file__", None)
        if file:
            path = Path(file)
            places.add(path.parent if "." in type(section).__module__ else path)
    made = hashlib.sha256()
    for place in sorted(places):
        for path in sorted(place.rglob("*")) if place.is_dir() else [place]:
            if path.is_file() and path.suffix in (".py", ".html", ".js", ".css", ".csv"):
                made.update(path.name.encode())
                made.update(path.read_bytes())
    return made.hexdigest()[:20]


class Freshness:
    """Keys of the moulds' pages.

    over: tables that an analysis over all moulds writes. beside: what else every page goes by, as text.
    """

    def __init__(self, site: Site, over: Collection[str], beside: str) -> None:
        self._site = site
        self._moulds: dict[str, str] = {}
        self._tables: dict[tuple[str, str], str] = {}
        self._over = set(over)
        # What is said of a mould can age with the data's newest day (a volume to set, a seal's date).
        as_of = site.survey.as_of
        day = in_zone(as_of, site.zone).date().isoformat() if as_of else ""
        self._beside = digest(beside, day, site.code, site.zone, repr([s.name for s in site.sections]))

    def key(self, mould: str, used: Iterable[str]) -> str:
        """The key of a mould's page that looked at these tables; empty where there is no ledger."""
        if not self._site.survey.computed:
            return ""
        over = [self._of_table(name, mould) for name in sorted(self._over & set(used))]
        return digest(self._of_mould(mould), *over)

    def _of_table(self, name: str, mould: str) -> str:
        if (name, mould) not in self._tables:
            self._tables[name, mould] = rows_digest(self._site.whole.table(name, ("*",), mould))
        return self._tables[name, mould]

    def _of_mould(self, mould: str) -> str:
        """What all pages of a mould go by, worked out once."""
        if mould not in self._moulds:
            self._moulds[mould] = self._digest_of(mould)
        return self._moulds[mould]

    def _digest_of(self, mould: str) -> str:
        site = self._site
        facts = site.survey
        entry = site.book.moulds.get(mould)
        return digest(
            self._beside,
            facts.computed.get(mould, ""),
            fingerprint(facts.of(mould).rechunk()),
            repr(facts.found_on(mould)),
            repr(facts.matters_on(mould)),
            entry.model_dump_json() if entry is not None else "",
            self._resins,
            self._of_table("event", mould),
            self._closed,
        )

    @cached_property
    def _resins(self) -> str:
        return digest(self._site.book.model_dump_json(exclude={"moulds"}))

    @cached_property
    def _closed(self) -> str:
        return rows_digest(self._site.whole.table("closed", ("*",), None).select("what", "period", "closed_at"))


def rows_digest(frame: pl.DataFrame) -> str:
    """A digest of a small frame's rows."""
    return digest(repr(frame.columns), repr(frame.rows()))


def note_of(value: Any) -> dict[str, Any]:
    """What was remembered of a page, as a mapping."""
    return value if isinstance(value, dict) else {}


__all__ = ["Freshness", "code_of", "digest", "note_of", "rows_digest"]
