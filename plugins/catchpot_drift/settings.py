"""Settings of the drift analysis, `[analyses.drift]`."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

MEASURES = (
    "arrival_relative",
    "beyond_programmed_l",
    "permeability_m2",
    "fill_time_s",
    "peak_line_pressure_bar",
    "cavity_pressure_mbar",
    "leak_mbar_l_s[clamp]",
    "catalyst_ratio_pct",
)
VOLUMES = ("arrival_relative", "beyond_programmed_l")
PERMEABILITIES = ("permeability_m2",)
# Measured cold and taken up warm: what the meter counts falls by the resin's expansion between meter and mould.
EXPANDING = ("arrival_relative",)
# Measures whose shots err together in part, and the column that says by how much (relative s.d.).
SHARED_ERRORS = {"arrival_relative": "arrival_relative_shared_sd"}
# What else moves a measure, by how much being fitted: filling goes as viscosity, which temperature rules.
BESIDE = {
    "permeability_m2": ["mould_temp_c"],
    "mobility_m2_pa_s": ["viscosity_pa_s"],
    "fill_time_s": ["viscosity_pa_s"],
    "injection_time_s": ["viscosity_pa_s"],
    "peak_line_pressure_bar": ["viscosity_pa_s"],
}
RESIN_BOUND = ("permeability_m2", "mobility_m2_pa_s", "fill_time_s", "injection_time_s", "peak_line_pressure_bar")


class DriftParams(BaseModel):
    """measures: what is tracked on every mould; the mould book's `measures` and `limits` of a mould add to them.

    beside: for a measure the columns that also move it and are taken out first. expansion_per_k: of the resin, taken
    out of the arrival volume by the difference of mould and resin temperature. resin_bound: measures that a resin
    batch without its own viscosity may shift; its level is then fitted, not called. reach_shots: how many shots before
    a change an event may lie. baseline_shots, smooth_weight, slack_spreads: of moving average and CUSUM.
    stretch_shots, stretch_share: their limits let this share of steady stretches of so many shots ring.
    """

    model_config = ConfigDict(extra="forbid")

    measures: list[str] = Field(default_factory=lambda: list(MEASURES), min_length=1)
    beside: dict[str, list[str]] = Field(default_factory=lambda: {k: list(v) for k, v in BESIDE.items()})
    expansion_per_k: float = Field(default=8e-4, ge=0.0, le=3e-3)
    resin_bound: list[str] = Field(default_factory=lambda: list(RESIN_BOUND))
    reach_shots: int = Field(default=10, ge=0, le=100)
    baseline_shots: int = Field(default=25, ge=15, le=200)
    smooth_weight: float = Field(default=0.2, gt=0.02, le=1.0)
    slack_spreads: float = Field(default=0.5, ge=0.0, le=3.0)
    stretch_shots: int = Field(default=60, ge=20, le=500)
    stretch_share: float = Field(default=0.05, gt=0.001, lt=0.5)
