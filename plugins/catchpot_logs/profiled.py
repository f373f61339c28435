"""Logs in any other layout, read with the workshop's log profiles."""

from __future__ import annotations

from typing import TYPE_CHECKING

from catchpot.ingest.reader import LogRefused, Source, TextLayout
from catchpot_logs.profile import describe, profile_for

if TYPE_CHECKING:
    from catchpot.workshop import Workshop


class ProfileReader:
    """Reads files that a profile's pattern names, or that are to be read with a profile named on the command line."""

    name = "log profile"
    order = 100

    def claims(self, source: Source, workshop: Workshop) -> bool:
        """By the file's name."""
        return source.data[:4] != b"PAR1" and profile_for(source, workshop) is not None

    def settings(self, source: Source, workshop: Workshop) -> str:
        """The profile's own settings, the zone and the ambient pressure: a change of them reads the file anew."""
        found = profile_for(source, workshop)
        if found is None:
            return "profile 2"
        name, _ = found
        ambient = workshop.settings.workshop.ambient_pressure_mbar
        return f"profile 2 {workshop.settings.profile_digest(name)} {workshop.zone} {ambient:g} {name}"

    def describe(self, source: Source, workshop: Workshop) -> TextLayout:
        """Metadata and data lines; the samples are left to the batch scan."""
        found = profile_for(source, workshop)
        if found is None:
            raise LogRefused("no log profile names this file")
        return describe(*found, source, workshop)
