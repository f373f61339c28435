"""Opens a workshop folder, or says all that is wrong with it at once."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from catchpot.workshop.book import MouldBook, unknown_resins
from catchpot.workshop.ledgers import read_events, read_parts
from catchpot.workshop.locate import KeyPath, line_of
from catchpot.workshop.problems import Problem, WorkshopError, key_text, problems_of, read_toml
from catchpot.workshop.profile import Profile, channel_problems
from catchpot.workshop.settings import Settings

if TYPE_CHECKING:
    import polars as pl


@dataclass(frozen=True)
class Workshop:
    """An open workshop. events and parts have the columns of the core tables; warnings stop nothing."""

    home: Path
    settings: Settings
    book: MouldBook
    events: pl.DataFrame
    parts: pl.DataFrame
    zone: ZoneInfo
    warnings: tuple[Problem, ...] = field(default=())

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


def _book(home: Path, problems: list[Problem]) -> MouldBook:
    path = home / "moulds.toml"
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
        return MouldBook.model_validate(raw)
    except ValidationError as e:
        # an error at the root is the unknown resin, said above with its line
        problems += [p for p in problems_of(e, MouldBook, str(path), lines) if p.key]
        return MouldBook()


def _open(home: Path) -> tuple[Workshop, list[Problem]]:
    problems: list[Problem] = []
    if not home.is_dir():
        holds = "a workshop folder holds catchpot.toml and moulds.toml (catchpot init writes them)"
        raise WorkshopError([Problem(str(home), 0, "", f"there is no such folder; {holds}")])
    settings = _settings(home, problems)
    book = _book(home, problems)
    zone = ZoneInfo(settings.workshop.time_zone)
    moulds_known = not any(p.file.endswith("moulds.toml") for p in problems)
    events, wrong = read_events(home / "events.csv", zone, list(book.moulds))
    problems += [p for p in wrong if p.severity == "error" or moulds_known]
    parts, wrong = read_parts(home / "parts.csv")
    problems += wrong
    problems.sort(key=lambda p: (_ORDER.get(Path(p.file).name, len(_ORDER)), p.line))
    warnings = tuple(p for p in problems if p.severity == "warning")
    return Workshop(home, settings, book.in_zone(zone), events, parts, zone, warnings), problems


def open_workshop(home: Path) -> Workshop:
    """Open a workshop folder. WorkshopError holds everything that is wrong in any of its files."""
    workshop, problems = _open(Path(home))
    errors = [p for p in problems if p.severity == "error"]
    if errors:
        raise WorkshopError(errors)
    return workshop


def check_workshop(home: Path) -> list[Problem]:
    """Everything wrong with a workshop's files; empty when all is well. Warnings stand in `Workshop.warnings`."""
    try:
        open_workshop(home)
    except WorkshopError as e:
        return list(e.problems)
    return []


def json_schema(which: Literal["catchpot.toml", "moulds.toml"]) -> dict[str, Any]:
    """JSON Schema of a settings file, for editors that complete and check TOML."""
    model: type[BaseModel] = Settings if which == "catchpot.toml" else MouldBook
    schema = model.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": which, **schema}
