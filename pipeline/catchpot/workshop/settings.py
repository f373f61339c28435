"""catchpot.toml: name, time zone, ambient pressure, plugin and analysis settings, log profiles."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import BaseModel, Field, PrivateAttr, ValidationError, model_validator

from catchpot.shop_dates import DEFAULT, DateStyle
from catchpot.shop_units import PressureUnit, VolumeUnit
from catchpot.workshop.ledgers import DateOrder
from catchpot.workshop.mould import Strict
from catchpot.workshop.problems import Problem, did_you_mean, key_text, problems_of
from catchpot.workshop.profile import Profile, Zone

if TYPE_CHECKING:
    from collections.abc import Iterable

    from catchpot.analysis import Analysis
    from catchpot.workshop import Workshop


class WorkshopSettings(Strict):
    """Name, zone and ambient pressure."""

    name: str = "Workshop"
    time_zone: Zone = Field(default="UTC", description="an IANA zone; times are shown in it and naive times read in it")
    ambient_pressure_mbar: Annotated[float, Field(ge=500, le=1100)] = Field(
        default=1013.25, description="used where no barometer is logged"
    )
    date_order: DateOrder = Field(
        default="year first",
        description="how dates are written in events.csv, beside ISO dates: 2.3.2026 with the day or the month first",
    )
    decimal_mark: Literal[".", ","] = Field(
        default=".",
        description="how decimals are written in parts.csv, in notes and on pages; a point is read in either case",
    )
    date_style: DateStyle = Field(
        default=DEFAULT, description="how dates are written on pages, sheets and the terminal, by an example"
    )
    pressure_unit: PressureUnit = Field(
        default="mbar", description="in which vacuum and clamp pressures and leaks are shown; line pressures are in bar"
    )
    volume_unit: VolumeUnit = Field(default="l", description="in which volumes are shown")
    letterhead: str = Field(
        default="", description="printed above the months' pages for customers; lines as they stand"
    )
    currency: str = Field(default="", description="of prices in the mould book, such as EUR")
    largest_log_mb: Annotated[float, Field(gt=0)] = Field(
        default=250.0,
        description="of larger logs one row of so many is read; reading takes some four times what is read in memory",
    )
    follow_links: bool = Field(
        default=False, description="read logs that are links to files outside of the workshop's folder"
    )


class PluginSettings(Strict):
    """Plugins switched off, by name; ours too. Limits of what a plugin may take."""

    disabled: list[str] = Field(default_factory=list)
    time_limit_s: Annotated[float, Field(gt=0)] = Field(
        default=600.0, description="an analysis that takes longer over what it is given at once is stopped"
    )
    memory_limit_mb: Annotated[float, Field(ge=500)] = Field(
        default=8000.0, description="most memory of the process in which plugins that are not ours compute"
    )


class RunSettings(Strict):
    """How analyses are computed; it changes no result."""

    workers: Annotated[int, Field(ge=0)] | None = Field(
        default=None,
        description="processes for long work; 0 computes everything in one, none given takes one a processor",
    )
    engine: Literal["local", "dask", "ray"] = Field(
        default="local", description="where long work is done: on this machine, or on a cluster of dask or ray"
    )
    address: str = Field(
        default="", description="of the cluster: tcp://host:8786 of a dask scheduler, host:6379 of ray"
    )

    @model_validator(mode="after")
    def _reached(self) -> Self:
        if self.engine != "local" and not self.address:
            raise ValueError(f'engine = "{self.engine}" needs the address of the cluster')
        return self


class ExportSettings(Strict):
    """What leaves for other programs."""

    raw_text: bool = Field(
        default=False,
        description="texts in CSV as they are; else one that a spreadsheet would take for a formula gets an apostrophe",
    )


class Settings(Strict):
    """catchpot.toml. `raw` is the whole file as a mapping, for plugins; `settings` are those of plugins, by name."""

    workshop: WorkshopSettings = Field(default_factory=lambda: WorkshopSettings())
    plugins: PluginSettings = Field(default_factory=lambda: PluginSettings())
    analyses: dict[str, dict[str, Any]] = Field(default_factory=dict)
    settings: dict[str, dict[str, Any]] = Field(default_factory=dict)
    profiles: dict[str, Profile] = Field(default_factory=dict)
    export: ExportSettings = Field(default_factory=lambda: ExportSettings())
    run: RunSettings = Field(default_factory=lambda: RunSettings())
    _raw: Mapping[str, Any] = PrivateAttr(default_factory=dict)
    _digests: dict[str, str] = PrivateAttr(default_factory=dict)

    def profile_digest(self, name: str) -> str:
        """Hash of all that a log profile says; worked out once."""
        if name not in self._digests:
            text = json.dumps(self.profiles[name].model_dump(mode="json"), sort_keys=True)
            self._digests[name] = hashlib.sha256(text.encode()).hexdigest()[:16]
        return self._digests[name]

    @property
    def raw(self) -> Mapping[str, Any]:
        """The file's content as it was read."""
        return self._raw

    def with_raw(self, raw: Mapping[str, Any]) -> Settings:
        """The same settings, remembering the mapping they came from."""
        settings = self.model_copy()
        settings._raw = raw
        return settings


def check_analysis_settings(workshop: Workshop, analyses: Iterable[Analysis]) -> list[Problem]:
    """Validate every `[analyses.NAME]` with that analysis's params model; unknown names are problems too.

    analyses: those of the registry. An analysis of a plugin that is switched off or broken is unknown here.
    """
    known = {a.name: a.params for a in analyses}
    return _checked(workshop, "analyses", workshop.settings.analyses, known, "no analysis of this name")


def check_plugin_settings(workshop: Workshop, models: Mapping[str, type[BaseModel]]) -> list[Problem]:
    """Validate every `[settings.NAME]` with that plugin's model; unknown names are problems too."""
    return _checked(workshop, "settings", workshop.settings.settings, models, "no plugin of this name has settings")


def _checked(
    workshop: Workshop,
    table: str,
    given_all: Mapping[str, Mapping[str, Any]],
    known: Mapping[str, type[BaseModel]],
    nobody: str,
) -> list[Problem]:
    from catchpot.workshop.locate import key_lines, line_of

    path = workshop.home / "catchpot.toml"
    lines = key_lines(path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")) if path.exists() else {}
    found: list[Problem] = []
    for name, given in given_all.items():
        base = (table, name)
        if name not in known:
            message = f"{nobody}{did_you_mean(name, known)}; `catchpot plugins` lists them"
            found.append(Problem(str(path), line_of(lines, base), key_text(base), message))
            continue
        unknown = [k for k in given if k not in known[name].model_fields]
        for key in unknown:
            message = f"unknown key{did_you_mean(key, known[name].model_fields)}"
            found.append(Problem(str(path), line_of(lines, (*base, key)), key_text((*base, key)), message))
        try:
            known[name].model_validate({k: v for k, v in given.items() if k not in unknown})
        except ValidationError as e:
            found += problems_of(e, known[name], str(path), lines, base)
    return found
