"""The mould book of a made-up workshop, as data and as text."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from catchpot.testing.nuisances import Nuisances
from catchpot.testing.plan import Plan
from catchpot.testing.scenario import Mould, Resin


def _resin(r: Resin) -> dict[str, Any]:
    return {
        "viscosity_pa_s": r.viscosity_pa_s, "viscosity_temp_c": r.viscosity_temp_c,
        "viscosity_activation_k": r.viscosity_activation_k, "density_kg_m3": r.density_kg_m3,
        "catalyst_ratio_pct_by_volume": r.catalyst_ratio_pct_by_volume,
        "catalyst_density_kg_m3": r.catalyst_density_kg_m3,
        "catalyst_ratio_tolerance_pct": r.catalyst_ratio_tolerance_pct,
    }  # fmt: skip


def _mould(m: Mould, nuisances: Nuisances) -> dict[str, Any]:
    g = m.geometry
    runner = m.runner_booked_l if m.runner_booked_l is not None and nuisances.runner_error else m.runner_volume_l
    bore = np.pi / 4 * (m.vent_hose_mm * 1e-3) ** 2
    made: dict[str, Any] = {
        "resin": m.resin, "fill": g.fill, "inlet_width_m": round(g.inlet_width_m, 6), "flow_length_m": g.flow_length_m,
        "part_area_m2": round(g.part_area_m2, 6), "thickness_mm": g.thickness_mm,
        "fibre_areal_weight_g_m2": m.fibre_areal_weight_g_m2, "fibre_density_kg_m3": m.fibre_density_kg_m3,
        "runner_volume_l": runner, "feed_hose_volume_l": m.feed_hose_volume_l if nuisances.hoses else 0.0,
        "vent_hose_volume_l": round(float(bore * m.vent_hose_m * 1e3), 4) if nuisances.hoses else 0.0,
        "vent_height_m": m.vent_height_m if nuisances.height else 0.0, "bleed_target_l": m.bleed_target_l,
        "gel_time_s": m.gel_time_s, "core_volume_l": m.core_volume_l if nuisances.core else 0.0,
        "core_uptake_fraction": m.core_uptake_fraction, "cavity_gas_volume_l": m.cavity_gas_volume_l,
        "clamp_volume_l": m.clamp_volume_l, "clamp_area_m2": m.clamp_area_m2,
        "line_pressure_limit_bar": m.line_pressure_limit_bar, "outer_leak_limit_mbar_l_s": m.outer.limit,
        "inner_leak_limit_mbar_l_s": m.inner.limit,
    }  # fmt: skip
    if m.gauge_bar and nuisances.gauge_ends:
        made["line_pressure_range_bar"] = list(m.gauge_bar)
    if m.vacuum_source:
        made["vacuum_source"] = m.vacuum_source
    made |= dict(m.booked)
    if m.limits:
        made["limits"] = {name: [low, high] for name, low, high in m.limits}
    return made


def book_data(plan: Plan) -> dict[str, Any]:
    """The structure of moulds.toml; the first batches, as many as are known, have their own viscosity."""
    scenario = plan.scenario
    data: dict[str, Any] = {
        "resins": {r.name: _resin(r) for r in scenario.resins},
        "moulds": {m.name: _mould(m, scenario.nuisances) for m in scenario.moulds},
    }
    reference = {r.name: r.viscosity_pa_s for r in scenario.resins}
    known = round(scenario.nuisances.batch_viscosity_known * len(plan.resin_batches))
    measured = list(plan.resin_batches.items())[:known]
    if measured:
        data["resin_batches"] = {
            batch: {"viscosity_pa_s": round(reference[resin] * factor, 4)} for batch, (resin, factor) in measured
        }
    return data


def _value(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def toml_text(data: dict[str, Any], comment: str = "") -> str:
    """Nested tables as TOML; enough for numbers, text, lists and tables."""
    lines = [f"# {line}" for line in comment.splitlines()]

    def write(table: dict[str, Any], name: tuple[str, ...]) -> None:
        plain = {k: v for k, v in table.items() if not isinstance(v, dict)}
        if plain:
            if name:
                lines.append(("\n" if lines else "") + "[" + ".".join(_key(n) for n in name) + "]")
            lines.extend(f"{_key(k)} = {_value(v)}" for k, v in plain.items())
        for k, v in table.items():
            if isinstance(v, dict):
                write(v, (*name, k))

    write(data, ())
    return "\n".join(lines) + "\n"


def _key(name: str) -> str:
    return name if name.replace("-", "").replace("_", "").isalnum() and name.isascii() else json.dumps(name)


def book_text(plan: Plan) -> str:
    """moulds.toml, marked as invented."""
    return toml_text(book_data(plan), f"Mould book of {plan.scenario.name}. Invented, made by catchpot.testing.")
