"""The mould book's entries: resins, resin batches, moulds and their dated changes."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal, Self, cast

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
    create_model,
    model_validator,
)
from pydantic_core import PydanticCustomError

from catchpot.dates import odd_date


class Strict(BaseModel):
    """Unknown keys are errors, text is no number, infinities are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _wrong(key: str, message: str) -> PydanticCustomError:
    # pydantic fills braces from the context, so words from a file must not reach it as a template
    return PydanticCustomError("workshop", "{message}", {"key": key, "message": message})


def _limits(value: Any) -> tuple[float | None, float | None]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise ValueError('expected [low, high], with "none" for the side that has no limit')
    ends: list[float | None] = []
    for end in value:
        if end is None or end == "none":
            ends.append(None)
        elif isinstance(end, int | float) and not isinstance(end, bool):
            ends.append(float(end))
        else:
            raise ValueError(f'expected a number or "none" at each end, found {end!r}')
    low, high = ends
    if low is None and high is None:
        raise ValueError("both ends are none; leave the measure out instead")
    if low is not None and high is not None and low >= high:
        raise ValueError(f"the low end {low:g} must lie below the high end {high:g}")
    return low, high


def _range(value: Any) -> tuple[float, float]:
    numbers = isinstance(value, list | tuple) and len(value) == 2
    if not numbers or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
        raise ValueError("expected two numbers, [low, high]")
    if value[0] >= value[1]:
        raise ValueError(f"the low end {value[0]:g} must lie below the high end {value[1]:g}")
    return float(value[0]), float(value[1])


def _date(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise ValueError(f"expected a date like 2026-03-01, found {value!r}") from None
    return value


_END = {"anyOf": [{"type": "number"}, {"const": "none"}]}
Limits = Annotated[
    tuple[float | None, float | None],
    BeforeValidator(_limits),
    WithJsonSchema({"type": "array", "items": _END, "minItems": 2, "maxItems": 2}),
]
Range = Annotated[
    tuple[float, float],
    BeforeValidator(_range),
    WithJsonSchema({"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}),
]
Day = Annotated[date, BeforeValidator(_date)]


def _in_time(day: date) -> date:
    if odd := odd_date(day):
        raise ValueError(odd)
    return day


Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Percent = Annotated[float, Field(ge=0, le=100)]
Share = Annotated[float, Field(ge=0, le=1)]


class Resin(Strict):
    """A resin system. mu = viscosity_pa_s * exp(viscosity_activation_k * (1/T - 1/T_ref)), T in K."""

    viscosity_pa_s: Positive | None = Field(default=None, description="viscosity at viscosity_temp_c, Pa s")
    viscosity_temp_c: Annotated[float, Field(ge=-50, le=200)] | None = Field(default=None, description="deg C")
    viscosity_activation_k: NotNegative | None = Field(
        default=None, description="E in mu_ref exp(E (1/T - 1/T_ref)), K"
    )
    density_kg_m3: Annotated[float, Field(ge=500, le=3000)] | None = Field(
        default=None, description="density of the mix"
    )
    catalyst_ratio_pct_by_volume: Percent | None = Field(default=None, description="catalyst, % of the resin's volume")
    catalyst_ratio_pct_by_mass: Percent | None = Field(default=None, description="catalyst, % of the resin's mass")
    catalyst_density_kg_m3: Annotated[float, Field(ge=500, le=3000)] | None = Field(default=None)
    catalyst_ratio_tolerance_pct: Percent | None = Field(
        default=None, description="allowed deviation, percentage points"
    )

    price_per_kg: Positive | None = Field(default=None, description="of the mix, in the workshop's currency")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.viscosity_pa_s is not None and self.viscosity_temp_c is None:
            raise _wrong("viscosity_pa_s", "a viscosity needs viscosity_temp_c, the temperature it holds at")
        if self.catalyst_ratio_pct_by_volume is not None and self.catalyst_ratio_pct_by_mass is not None:
            raise _wrong("catalyst_ratio_pct_by_mass", "give the catalyst ratio by volume or by mass, not both")
        return self


class ResinBatch(Strict):
    """A batch's own viscosity at the resin's viscosity_temp_c (flow cup or certificate)."""

    viscosity_pa_s: Positive = Field(description="viscosity at the resin's viscosity_temp_c, Pa s")


class MouldKeys(Strict):
    """The keys of a mould that a dated change may override. All optional: an absent key takes away what needs it."""

    resin: str | None = Field(default=None, description="name of the resin system")
    fill: Literal["linear", "radial", "peripheral"] | None = Field(default=None, description="how the resin enters")
    inlet_width_m: Positive | None = Field(default=None, description="length of the line the resin enters through")
    flow_length_m: Positive | None = Field(default=None, description="from inlet to vent")
    part_area_m2: Positive | None = None
    thickness_mm: Positive | None = None
    fibre_areal_weight_g_m2: Positive | None = None
    fibre_density_kg_m3: Annotated[float, Field(ge=100, le=20000)] | None = None
    runner_volume_l: NotNegative = Field(default=0.0, description="fills first, before the part")
    feed_hose_volume_l: NotNegative = Field(default=0.0, description="between meter and mould")
    feed_hose_full: bool = Field(default=False, description="true where the feed hose is full of resin at the start")
    vent_hose_volume_l: NotNegative = Field(
        default=0.0, description="fills after arrival, before the catch pot shows it"
    )
    vent_height_m: float = Field(default=0.0, description="vent above inlet")
    line_pressure_range_bar: Range | None = Field(default=None, description="what the gauge can show, [low, high]")
    bleed_target_l: NotNegative = Field(default=0.0, description="wanted past the vent, to sweep air out")
    gel_time_s: Positive | None = Field(default=None, description="at the resin's viscosity_temp_c")
    core_volume_l: NotNegative = Field(default=0.0, description="core inside the cavity")
    core_uptake_fraction: Share = Field(default=0.0, description="share of the core's volume that takes resin")
    cavity_gas_volume_l: Positive | None = Field(default=None, description="free gas volume under cavity vacuum")
    clamp_volume_l: Positive | None = Field(default=None, description="volume of the clamp channel")
    clamp_area_m2: Positive | None = None
    line_pressure_limit_bar: Positive | None = None
    clamp_leak_limit_mbar_l_s: Positive | None = Field(default=None, description="outer and inner seal together")
    outer_leak_limit_mbar_l_s: Positive | None = None
    inner_leak_limit_mbar_l_s: Positive | None = None
    viscosity_tolerance_pct: Percent = Field(default=15.0, description="of the resin's viscosity, 95 %")
    thickness_tolerance_mm: NotNegative = Field(default=0.1, description="of the cavity's thickness, 95 %")
    fibre_areal_weight_tolerance_pct: Percent = Field(default=5.0, description="95 %")
    ambient_tolerance_mbar: NotNegative = Field(
        default=10.0, description="of the ambient pressure where none is logged, 95 %"
    )
    capillary_pressure_mbar: float = Field(default=0.0, description="drawing the front forward")
    capillary_pressure_tolerance_mbar: NotNegative = Field(default=30.0, description="95 %")
    cover_yield_ml_bar: NotNegative = Field(
        default=0.0, description="what the cover takes up per pressure in the full cavity"
    )
    cover_yield_tolerance_ml_bar: NotNegative = Field(default=50.0, description="95 %")
    cover_yield_s: Positive = Field(default=5.0, description="time in which the cover yields to two thirds")
    runner_volume_tolerance_pct: Percent = Field(default=10.0, description="95 %")
    clamp_volume_tolerance_pct: Percent = Field(default=20.0, description="95 %")
    cavity_gas_volume_tolerance_pct: Percent = Field(default=20.0, description="95 %")
    flush_volume_l: NotNegative = Field(default=0.0, description="mixed resin flushed out after each shot")
    seal_lead_time_days: NotNegative | None = Field(default=None, description="from ordering a seal to having it")
    outer_seals_in_stock: NotNegative | None = Field(default=None, description="outer seals that lie ready")
    inner_seals_in_stock: NotNegative | None = Field(default=None, description="inner seals that lie ready")
    fill_chance: Annotated[float, Field(gt=0.5, lt=1)] = Field(
        default=0.99, description="wanted chance that a shot fills"
    )


_optional: dict[str, Any] = {
    name: (Annotated[info.rebuild_annotation(), Field(description=info.description)] | None, None)
    for name, info in MouldKeys.model_fields.items()
}


class DatedChange(Strict):
    """Keys of a mould that hold from the start of a day on, in the workshop's time zone."""

    valid_from: Annotated[Day, AfterValidator(_in_time)]
    limits: dict[str, Limits] | None = None


MouldChange = create_model("MouldChange", __base__=DatedChange, __doc__=DatedChange.__doc__, **_optional)


class Mould(MouldKeys):
    """A mould: its geometry, fibre, volumes, limits and dated changes."""

    part: str = Field(default="", description="the part's name or number, for the month's page")
    drawing: str = Field(default="", description="drawing and revision, for the month's page")
    customer: str = Field(default="", description="for whom the part is made, for the month's page")
    vacuum_source: str = Field(
        default="", description="the pump or receiver that draws clamp and cavity; moulds on one name share it"
    )
    limits: dict[str, Limits] = Field(
        default_factory=dict, description='specification limits, [low, high]; "none" for a side without'
    )
    measures: list[str] = Field(
        default_factory=list, description="columns of shot tables to track for drift beside the usual ones"
    )
    changes: list[MouldChange] = Field(default_factory=list)  # type: ignore[valid-type]  # made by create_model above

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        days = [c.valid_from for c in self.in_order()]
        if len(set(days)) != len(days):
            raise _wrong("changes", "two changes have the same valid_from; put their keys into one")
        if self.core_volume_l > 0 and "core_uptake_fraction" not in self.model_fields_set:
            raise _wrong("core_volume_l", "a core needs core_uptake_fraction too, the share of it that takes resin")
        w, length, area = self.inlet_width_m, self.flow_length_m, self.part_area_m2
        if w and length and area and 2 * area / length - w < -0.05 * w:
            raise _wrong(
                "part_area_m2",
                f"{area:g} m2 is less than half of inlet_width_m x flow_length_m ({w * length / 2:.3g} m2), so the flow"
                " channel would taper to less than nothing; check the three",
            )
        return self

    def in_order(self) -> list[DatedChange]:
        """The dated changes, oldest first."""
        return sorted(cast(list[DatedChange], self.changes), key=lambda c: c.valid_from)

    def on(self, day: date | None) -> Mould:
        """The entry with every change that is in force on a day; without a day the entry as first written."""
        if day is None or not self.changes:
            return self
        values = self.model_dump(exclude={"changes"}, exclude_unset=True)
        for change in self.in_order():
            if change.valid_from <= day:
                given = change.model_dump(exclude_unset=True, exclude={"valid_from"})
                limits = given.pop("limits", None)
                values |= given
                if limits:
                    values["limits"] = values.get("limits", {}) | limits
        return Mould.model_validate(values)
