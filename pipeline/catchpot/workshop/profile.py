"""Log profiles: how a log in any other layout is read, as `[profiles.NAME]` of catchpot.toml."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from catchpot.channels import BY_NAME
from catchpot.units import UnitError, conversion
from catchpot.workshop.mould import Positive, Strict
from catchpot.workshop.problems import did_you_mean


def _wrong(key: str, message: str) -> PydanticCustomError:
    return PydanticCustomError("workshop", "{message}", {"key": key, "message": message})


def _texts(value: Any) -> list[str]:
    values = [value] if isinstance(value, str) else value
    if not isinstance(values, list | tuple) or not all(isinstance(v, str) for v in values):
        raise ValueError("expected text or a list of texts")
    return list(values)


def _pattern(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"expected a regular expression in quotes, found {value!r}")
    try:
        re.compile(value)
    except re.error as e:
        raise ValueError(f"not a regular expression: {e}") from None
    return value


def _encoding(value: Any) -> str:
    import codecs

    try:
        codecs.lookup(str(value))
    except LookupError:
        raise ValueError(f"unknown encoding {value!r}; usual ones are utf-8-sig, cp1252, utf-16") from None
    return str(value)


def _zone(name: str) -> str:
    import zoneinfo

    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = did_you_mean(name, zoneinfo.available_timezones())
        raise ValueError(f"unknown time zone {name!r}{near}; zones are named like Europe/Lisbon") from None
    return name


_ONE_OR_MANY = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}
Texts = Annotated[list[str], BeforeValidator(_texts), WithJsonSchema(_ONE_OR_MANY)]
Pattern = Annotated[str, BeforeValidator(_pattern)]
Encoding = Annotated[str, BeforeValidator(_encoding)]
Zone = Annotated[str, AfterValidator(_zone)]
Line = Annotated[int, Field(ge=1)]


class MetadataSource(Strict):
    """Where one entry of the shot's metadata comes from: a preamble cell, the file's name, its folder, a constant.

    A pattern takes its group `value`, else its first group, else the whole match.
    """

    line: Line | None = Field(default=None, description="1-based line of the preamble")
    field: Line | None = Field(default=None, description="1-based field of that line")
    pattern: Pattern | None = Field(default=None, description="regular expression on the cell or line")
    file_name: Pattern | None = Field(default=None, description="regular expression on the file's name")
    folder: Pattern | None = Field(
        default=None, description="regular expression on the folder, relative to the workshop"
    )
    constant: str | float | int | None = Field(
        default=None, description="the same for every file", union_mode="left_to_right"
    )
    column: str | None = Field(default=None, description="a column that holds it, the same in every row of the shot")

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        given = [n for n in ("line", "file_name", "folder", "constant", "column") if getattr(self, n) is not None]
        if len(given) != 1:
            raise _wrong(given[0] if given else "line", "give exactly one of line, file_name, folder, constant, column")
        if (self.field or self.pattern) and self.line is None:
            raise _wrong("field" if self.field else "pattern", "needs `line` beside it")
        return self


class TimeSettings(Strict):
    """The time stamps of the samples.

    format: a strptime pattern (several are tried in turn), or one of `seconds`, `minutes`, `milliseconds` (since the
    start), `epoch_s`, `epoch_ms`, `excel` (days since 1899-12-30), `iso`.
    """

    column: Texts | None = Field(default=None, description="column of the time stamp; several are joined by a blank")
    format: Texts = Field(default_factory=lambda: ["iso"])
    zone: Zone | None = Field(default=None, description="time zone of stamps without offset; the workshop's without")
    date_format: str = Field(
        default="%Y-%m-%d", description="of metadata.date, where the stamps are times of day without a date"
    )
    repeated_hour: Literal["earliest", "latest"] | None = Field(
        None, description="which one is meant where the repeated autumn hour can't be told from the file"
    )
    interval_s: Positive | None = Field(
        default=None, description="time between samples, where no time is logged at all"
    )

    @model_validator(mode="after")
    def _has_time(self) -> Self:
        if self.column is None and self.interval_s is None:
            raise _wrong("column", "name the time column, or give interval_s where no time is logged")
        return self


class ChannelSource(Strict):
    """One channel: its column, unit and, for a pressure, what it is measured against."""

    column: str = Field(description="column name, or in a long log the tag")
    unit: str | None = None
    reference: Literal["gauge", "absolute", "vacuum"] | None = None
    counts: Literal["rate", "volume_so_far"] = Field(
        default="rate", description="for flow: a rate, or the volume so far"
    )
    density_kg_m3: Positive | None = Field(default=None, description="for a mass flow; else the resin's density")
    factor: float = Field(default=1.0, description="multiplies the reading in its own unit")
    offset: float = Field(default=0.0, description="is added after the factor, in the channel's own unit")
    true_words: Texts | None = Field(default=None, description="for 0/1 channels: words that mean 1")
    invert: bool = Field(default=False, description="for 0/1 channels: 1 in the log means 0")
    time_column: Texts | None = Field(default=None, description="where every channel has a time column of its own")


class LongSettings(Strict):
    """A long log: one row a reading, with tag and value."""

    tag: str
    value: str
    quality: str | None = None
    good: Texts = Field(default_factory=lambda: ["Good", "good", "192", "OK"])


class SplitSettings(Strict):
    """How one continuous log is split into shots.

    by "flow": every injection is a shot, with the evacuation before and the settling after. by "column": rows with the
    same text in a column belong together.
    """

    by: Literal["flow", "column"] = "flow"
    column: str | None = None
    flow_above_l_min: Positive | None = Field(
        default=None, description="flow that counts as injecting; else from the log"
    )
    pause_s: Positive = Field(
        default=120.0, description="a pause in the flow shorter than this is within the injection"
    )
    before_s: Positive = Field(default=1800.0, description="at most this much before the first flow")
    after_s: Positive = Field(default=1800.0, description="at most this much after the last flow")
    least_volume_l: Annotated[float, Field(ge=0)] = Field(default=0.05, description="less is no shot")

    @model_validator(mode="after")
    def _has_column(self) -> Self:
        if self.by == "column" and self.column is None:
            raise _wrong("by", 'by = "column" needs `column`')
        return self


class Profile(Strict):
    """A log layout. Header lines, units line and columns are counted and named as in the file."""

    files: Texts = Field(default_factory=list, description="file patterns relative to the workshop")
    shape: Literal["wide", "long"] = "wide"
    encoding: Encoding = "utf-8-sig"
    separator: str = Field(default=",", description='one character, or "tab"')
    decimal: Literal[".", ","] = "."
    thousands: Literal[".", ",", " ", "'"] | None = None
    quote: str = '"'
    header_line: Line = Field(default=1, description="1-based line of the column names")
    header_lines: Line = Field(default=1, description="lines of a header of several rows; names are joined by a blank")
    units_line: Line | None = Field(default=None, description="1-based line of the units; not data")
    first_data_line: Line | None = None
    comment: str | None = Field(default=None, description="lines that begin so are no data")
    footer: Pattern | None = Field(default=None, description="regular expression of the line that ends the data")
    blank: Literal["missing", "hold"] = Field(
        default="missing",
        description="what an empty cell means: no reading, or (loggers that write only changes) the one before it",
    )
    missing: Texts = Field(default_factory=list, description="words that stand for no reading")
    metadata: dict[str, MetadataSource] = Field(default_factory=dict)
    time: TimeSettings | None = None
    channels: dict[str, ChannelSource] = Field(default_factory=dict)
    long: LongSettings | None = None
    split: SplitSettings | None = None

    @property
    def separator_character(self) -> str:
        """The separator as one character."""
        return "\t" if self.separator in ("tab", "\\t") else self.separator

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if len(self.separator_character) != 1:
            raise _wrong("separator", f'expected one character or "tab", found {self.separator!r}')
        if self.separator_character == self.decimal and not self.quote:
            raise _wrong("decimal", "separator and decimal mark can't be the same character where no cell is quoted")
        if self.decimal == self.thousands:
            raise _wrong("thousands", "decimal and thousands mark can't be the same character")
        if self.shape == "long" and self.long is None:
            raise _wrong("shape", "a long log needs [profiles.NAME.long] with tag and value")
        return self


def channel_problems(profile: Profile) -> list[tuple[tuple[str, ...], str]]:
    """What is wrong with a profile's channels: key path within the profile, sentence. All of them, not the first."""
    found: list[tuple[tuple[str, ...], str]] = []
    for name, source in profile.channels.items():
        known = BY_NAME.get(name)
        if known is None:
            found.append((("channels", name), f"unknown channel{did_you_mean(name, BY_NAME)}"))
            continue
        if known.unit in ("0/1", "strokes"):
            continue
        try:
            conversion(
                source.unit or known.unit,
                "l" if source.counts == "volume_so_far" else known.unit,
                reference=source.reference or ("absolute" if name == "ambient_pressure_mbar" else None),
                to_reference=known.reference,
                density_kg_m3=source.density_kg_m3 or 1000.0,
                what=name,
            )
        except UnitError as e:
            key = "reference" if e.about == "reference" else "unit"
            found.append((("channels", name, key) if getattr(source, key) else ("channels", name), str(e)))
    names = set(profile.channels)
    if not names & {"flow_l_min", "pump_strokes"}:
        found.append((("channels",), "no flow: name a column for flow_l_min, or pump_strokes"))
    missing = [n for n in ("line_pressure_bar", "cavity_pressure_mbar") if n not in names]
    found += [(("channels",), f"no column is named for {n}, which every shot needs") for n in missing]
    return found
