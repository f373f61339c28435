"""What people write down in a made-up workshop: events and weighed parts."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from numpy.random import Generator

from catchpot.testing.plan import MouldPlan, Plan

if TYPE_CHECKING:
    import polars as pl

GEL_COAT_MM, GEL_COAT_KG_M3 = 0.5, 1250.0


def _shot_time(m: MouldPlan, shot: int) -> datetime:
    return next(t for t, n, c in zip(m.started_at, m.number, m.is_check, strict=True) if n == shot and not c)


def events_frame(plan: Plan) -> pl.DataFrame:
    """The core's `event` table: logged seal replacements, batches, logged changes and notes, in time order."""
    import polars as pl

    from catchpot.core_tables import EVENT
    from catchpot.tables import shape

    made: list[tuple[datetime, str | None, str, str]] = []
    for m in plan.moulds:
        for name, seal in (("outer", m.mould.outer), ("inner", m.mould.inner)):
            made += [
                (_shot_time(m, s) - timedelta(minutes=35), m.mould.name, "seal_replaced", name) for s in seal.logged
            ]
        for k, batch in enumerate(m.fabric_batch):
            if k and batch != m.fabric_batch[k - 1]:
                made.append((m.started_at[k] - timedelta(minutes=25), m.mould.name, "fabric_batch", batch))
    first: dict[str, datetime] = {}
    for m in plan.moulds:
        for t, batch in zip(m.started_at, m.resin_batch, strict=True):
            first[batch] = min(t, first.get(batch, t))
    made += [(t - timedelta(minutes=28), None, "resin_batch", batch) for batch, t in first.items()]
    by_name = {m.mould.name: m for m in plan.moulds}
    for c in plan.scenario.changes:
        if c.event:
            mould = None if c.event[0] in ("meter_calibrated", "meter_checked") else c.mould
            made.append((_shot_time(by_name[c.mould], c.at_shot) - timedelta(minutes=30), mould, *c.event))
    made += [(t, mould or None, kind, detail) for t, mould, kind, detail in plan.scenario.notes]
    made.sort(key=lambda e: (e[0], e[1] or "", e[2], e[3]))
    return shape(
        EVENT,
        {
            "row": list(range(2, len(made) + 2)),
            "time": pl.Series([e[0] for e in made], dtype=pl.Datetime("us", "UTC")),
            "mould": pl.Series([e[1] for e in made], dtype=pl.String),
            "kind": pl.Series([e[2] for e in made], dtype=pl.String),
            "detail": pl.Series([e[3] for e in made], dtype=pl.String),
        },
    )


def parts_frame(plan: Plan, truth: pl.DataFrame, rng: Generator) -> pl.DataFrame:
    """The core's `part` table: masses with the scales' noise, verdicts from how full the part came out."""
    import polars as pl

    from catchpot.core_tables import PART
    from catchpot.tables import shape

    rows: list[dict[str, Any]] = []
    by_name = {m.mould.name: m.mould for m in plan.moulds}
    density = {r.name: r.density_kg_m3 for r in plan.scenario.resins}
    for t in truth.iter_rows(named=True):
        mould = by_name[t["mould"]]
        noise = rng.standard_normal(6)
        luck = rng.random()
        if t["kind"] != "shot" or not (mould.weigh_part or mould.weigh_fabric or mould.weigh_gel_coat):
            continue
        area, rho = mould.geometry.part_area_m2, density[mould.resin] * 1e-3
        fabric = t["fibre_areal_weight_g_m2"] * area * 1e-3
        gel_coat = area * (GEL_COAT_MM + t["gel_coat_mm"]) * 1e-3 * GEL_COAT_KG_M3
        short = t["filled_share"] < 0.93
        wrong = any(k in t["faults"] for k in ("ratio_off", "catalyst_starved", "early_gel"))
        verdict = "scrap" if short or wrong else "rework" if t["filled_share"] < 0.96 or luck < 0.02 else "good"
        rows.append({
            "shot": t["shot"],
            "part_mass_kg": round(fabric + gel_coat + t["bed_l"] * rho + 0.004 * noise[0], 3)
            if mould.weigh_part else None,
            "overflow_kg": round(max(t["catch_pot_l"] * rho + 0.003 * noise[1], 0.0), 3) if mould.weigh_part else None,
            "thickness_mm": round(t["thickness_mm"] + t["gel_coat_mm"] + 0.02 * noise[2], 2)
            if mould.measure_thickness else None,
            "fabric_mass_kg": round(fabric + 0.002 * noise[3], 3) if mould.weigh_fabric else None,
            "gel_coat_mass_kg": round(gel_coat + 0.004 * noise[4], 3) if mould.weigh_gel_coat else None,
            "trimmed": False, "verdict": verdict,
        })  # fmt: skip
    return (
        shape(PART, {c: pl.Series([r.get(c) for r in rows], strict=False) for c in PART.names}) if rows else _no_parts()
    )


def _no_parts() -> pl.DataFrame:
    from catchpot.core_tables import PART
    from catchpot.tables import empty

    return empty(PART)
