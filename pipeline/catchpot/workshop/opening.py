"""Opens a workshop folder, or says all that is wrong with it at once."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from catchpot.shop_dates import write_dates
from catchpot.shop_units import show_in
from catchpot.workshop.book import MouldBook, unknown_resins
from catchpot.workshop.last_good import LEDGERS, keep, place
from catchpot.workshop.ledgers import Reading, part_lines, read_events, read_parts
from catchpot.workshop.locate import KeyPath, line_of
from catchpot.workshop.plausible import of_book, of_parts
from catchpot.workshop.problems import Problem, WorkshopError, key_text, problems_of, read_toml
from catchpot.workshop.profile import Profile, channel_problems
from catchpot.workshop.settings import Settings

if TYPE_CHECKING:
    import polars as pl


@dataclass(frozen=True)
class Workshop:
    """An open workshop. events and parts have the columns of the core tables; warnings stop nothing.

    stale: what is wrong with files in whose place their last good state was taken; lacking: with those that have none,
    so that nothing can be computed. Both are empty unless the workshop was opened to go on with what was last good.
    set_aside: rows of the ledgers that can't be read; the rest of their file is taken.
    """

    home: Path
    settings: Settings
    book: MouldBook
    events: pl.DataFrame
    parts: pl.DataFrame
    zone: ZoneInfo
    warnings: tuple[Problem, ...] = field(default=())
    stale: tuple[Problem, ...] = field(default=())
    lacking: tuple[Problem, ...] = field(default=())
    set_aside: tuple[Problem, ...] = field(default=())

    def stale_sentence(self) -> str:
        """What is wrong and what was taken instead, for the pages; empty where nothing is."""
        return "; ".join(filter(None, (self._instead(), self._aside())))

    def _aside(self) -> str:
        rows = list(dict.fromkeys((Path(p.file).name, p.line) for p in self.set_aside))
        if not rows:
            return ""
        named = ", ".join(f"{name} line {line}" for name, line in rows[:_ROWS_NAMED])
        more = f" and {len(rows) - _ROWS_NAMED} more" if len(rows) > _ROWS_NAMED else ""
        first = self.set_aside[0]
        return f"{named}{more} can't be read and {'is' if len(rows) == 1 else 'are'} left out ({first.message})"

    def _instead(self) -> str:
        files = sorted({Path(p.file).name for p in self.stale})
        if not files:
            return ""
        verb = ("is", "its") if len(files) == 1 else ("are", "their")
        first = self.stale[0]
        where = f"{Path(first.file).name}, line {first.line}" if first.line else Path(first.file).name
        return (
            f"{' and '.join(files)} {verb[0]} wrong ({where}: {first.message}); all this goes by {verb[1]} last good "
            "state"
        )

    @property
    def store_path(self) -> Path:
        """The store, made by the tool."""
        return self.home / "shots.duckdb"

    @property
    def reports_dir(self) -> Path:
        """What the tool writes for people."""
        return self.home / "reports"

    @property
    def plugins_dir(self) -> Path:
        """The user's drop-in plugins."""
        return self.home / "plugins"


_ROWS_NAMED = 3
_ORDER = {name: i for i, name in enumerate(("catchpot.toml", "moulds.toml", "events.csv", "parts.csv"))}


def _settings(home: Path, problems: list[Problem]) -> Settings:
    path = home / "catchpot.toml"
    try:
        raw, lines = read_toml(
            path,
            "there is no catchpot.toml in this folder; name the workshop with --home, or `catchpot init` makes one",
        )
    except WorkshopError as e:
        problems += e.problems
        return Settings()
    for name, given in _tables(raw, "profiles").items():
        with contextlib.suppress(ValidationError):  # said below, with the rest
            for inner, message in channel_problems(Profile.model_validate(given)):
                key: KeyPath = ("profiles", name, *inner)
                problems.append(Problem(str(path), line_of(lines, key), key_text(key), message))
    try:
        return Settings.model_validate(raw).with_raw(raw)
    except ValidationError as e:
        problems += problems_of(e, Settings, str(path), lines)
        return Settings()


def _tables(raw: Mapping[str, Any], name: str) -> dict[str, dict[str, Any]]:
    found = raw.get(name)
    return {k: v for k, v in found.items() if isinstance(v, dict)} if isinstance(found, dict) else {}


def _book(path: Path, problems: list[Problem]) -> MouldBook:
    try:
        raw, lines = read_toml(path, "the mould book is missing; `catchpot init` shows what one looks like")
    except WorkshopError as e:
        problems += e.problems
        return MouldBook()
    mentions: dict[str, list[tuple[tuple[str | int, ...], Any]]] = {}
    for mould, entry in _tables(raw, "moulds").items():
        changes = entry.get("changes")
        changes = changes if isinstance(changes, list) else []
        mentions[mould] = [((), entry.get("resin"))]
        mentions[mould] += [(("changes", i), c.get("resin")) for i, c in enumerate(changes) if isinstance(c, dict)]
    unknown = unknown_resins(mentions, _tables(raw, "resins"))
    problems += [Problem(str(path), line_of(lines, key), key_text(key), message) for _, key, message in unknown]
    try:
        book = MouldBook.model_validate(raw)
        problems += of_book(str(path), book, lines)
        return book
    except ValidationError as e:
        # an error at the root is the unknown resin, said above with its line
        problems += [p for p in problems_of(e, MouldBook, str(path), lines) if p.key]
        return MouldBook()


def _open(home: Path, instead: Mapping[str, Path] | None = None) -> tuple[Workshop, list[Problem]]:
    """The workshop and all that is wrong. instead: other places for the mould book and the ledgers, by name."""
    problems: list[Problem] = []
    places = {name: home / name for name in LEDGERS} | dict(instead or {})
    if not home.is_dir():
        holds = "a workshop folder holds catchpot.toml and moulds.toml (catchpot init writes them)"
        raise WorkshopError([Problem(str(home), 0, "", f"there is no such folder; {holds}")])
    settings = _settings(home, problems)
    write_dates(settings.workshop.date_style)
    show_in(settings.workshop.pressure_unit, settings.workshop.volume_unit)
    book = _book(places["moulds.toml"], problems)
    zone = ZoneInfo(settings.workshop.time_zone)
    moulds_known = not any(p.file.endswith("moulds.toml") and p.severity == "error" for p in problems)
    here = settings.workshop
    reading = Reading(zone, here.date_order, here.decimal_mark == ",")
    events, wrong = read_events(places["events.csv"], reading, list(book.moulds))
    problems += [p for p in wrong if p.severity != "warning" or moulds_known]
    parts, wrong = read_parts(places["parts.csv"], reading)
    problems += [*wrong, *of_parts(str(places["parts.csv"]), parts, part_lines(places["parts.csv"]))]
    problems.sort(key=lambda p: (_ORDER.get(Path(p.file).name, len(_ORDER)), p.line))
    warnings = tuple(p for p in problems if p.severity == "warning")
    aside = tuple(p for p in problems if p.severity == "row")
    return Workshop(home, settings, book.in_zone(zone), events, parts, zone, warnings, set_aside=aside), problems


def open_workshop(home: Path) -> Workshop:
    """Open a workshop folder. WorkshopError holds everything that is wrong in any of its files."""
    workshop, problems = _open(Path(home))
    errors = [p for p in problems if p.severity == "error"]
    if errors:
        raise WorkshopError(errors)
    return workshop


def open_with_last_good(home: Path) -> Workshop:
    """Open a workshop folder; in the place of a mould book or ledger that is wrong, its last good state is taken.

    WorkshopError where catchpot.toml is wrong, or the folder is none. What was good is kept for the next time.
    """
    home = Path(home)
    workshop, problems = _open(home)
    wrong: dict[str, list[Problem]] = {}
    for p in problems:
        if p.severity == "error":
            wrong.setdefault(Path(p.file).name, []).append(p)
    if "catchpot.toml" in wrong or wrong.keys() - {"catchpot.toml", *LEDGERS}:
        raise WorkshopError([p for ps in wrong.values() for p in ps])
    keep(home, {name: name not in wrong for name in LEDGERS})
    if not wrong:
        return workshop
    instead = {name: place(home, name) for name in wrong if place(home, name).exists()}
    workshop, problems = _open(home, instead)
    # a copy may be wrong too by now, by the settings or a newer catchpot
    lacking = {Path(p.file).name for p in problems if p.severity == "error"}
    return replace(
        workshop,
        stale=tuple(p for name, ps in wrong.items() for p in ps if name not in lacking),
        lacking=tuple(p for name, ps in wrong.items() for p in ps if name in lacking),
    )


def check_workshop(home: Path) -> list[Problem]:
    """Everything wrong with a workshop's files and every warning; empty when all is well."""
    try:
        return _open(Path(home))[1]
    except WorkshopError as e:
        return list(e.problems)


def json_schema(which: Literal["catchpot.toml", "moulds.toml"]) -> dict[str, Any]:
    """JSON Schema of a settings file, for editors that complete and check TOML."""
    model: type[BaseModel] = Settings if which == "catchpot.toml" else MouldBook
    schema = model.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": which, **schema}
