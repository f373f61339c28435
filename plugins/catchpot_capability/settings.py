"""Settings of the capability analyses, `[analyses.capability]` and `[analyses.capability_over_moulds]`."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from catchpot.stats.control import RUN_RULES

FEW_SHOTS = 20
SPLIT_SHOTS = 8


def check_rules(rules: list[str]) -> list[str]:
    """The rules, each a known phrase."""
    for phrase in rules:
        if phrase not in RUN_RULES:
            raise ValueError(f"no run rule is called {phrase!r}; there are: {'; '.join(RUN_RULES)}")
    return rules


class CapabilityParams(BaseModel):
    """capable_from: the index from which a measure is called capable (1.33 is common practice).

    run_rules: patterns that make a month unsteady, by phrase. limit_sd: control limits in spreads; without it they are
    set so that, with the search for a step or trend, `false_alarm_share` of steady months are called unsteady.
    laws: a law fixed for a measure, in place of all that the shots allow. repeats: for a measure, repeat readings of
    one thing by its gauge, a list a thing; the index is then also given without the gauge's scatter.
    """

    model_config = ConfigDict(extra="forbid")

    capable_from: float = Field(default=1.33, gt=0.0, le=5.0)
    run_rules: list[str] = Field(default_factory=lambda: ["one beyond the control limits"], min_length=1)
    limit_sd: float | None = Field(default=None, ge=1.0, le=6.0)
    false_alarm_share: float = Field(default=0.05, ge=0.01, le=0.2)
    laws: dict[str, Literal["normal", "lognormal", "weibull"]] = Field(default_factory=dict)

    repeats: dict[str, list[list[float]]] = Field(default_factory=dict)

    _rules = field_validator("run_rules")(check_rules)


class OverMouldsParams(BaseModel):
    """As for `capability`; the deviations of all moulds are taken as normal."""

    model_config = ConfigDict(extra="forbid")

    capable_from: float = Field(default=1.33, gt=0.0, le=5.0)
    run_rules: list[str] = Field(default_factory=lambda: ["one beyond the control limits"], min_length=1)
    limit_sd: float | None = Field(default=None, ge=1.0, le=6.0)
    false_alarm_share: float = Field(default=0.05, ge=0.01, le=0.2)

    _rules = field_validator("run_rules")(check_rules)
