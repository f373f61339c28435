"""A workshop folder: its settings, mould book, events and parts, validated; every error with file, line and key."""

from __future__ import annotations

from catchpot.workshop.book import MouldBook
from catchpot.workshop.mould import Mould, Resin
from catchpot.workshop.opening import Workshop, check_workshop, json_schema, open_with_last_good, open_workshop
from catchpot.workshop.problems import Problem, WorkshopError
from catchpot.workshop.profile import Profile
from catchpot.workshop.settings import Settings, check_analysis_settings, check_plugin_settings
from catchpot.workshop.starter import init_workshop

__all__ = [
    "Mould",
    "MouldBook",
    "Problem",
    "Profile",
    "Resin",
    "Settings",
    "Workshop",
    "WorkshopError",
    "check_analysis_settings",
    "check_plugin_settings",
    "check_workshop",
    "init_workshop",
    "json_schema",
    "open_with_last_good",
    "open_workshop",
]
