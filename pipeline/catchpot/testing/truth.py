"""Truth tables: what is so, whatever the logs show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from catchpot.tables import Column, Table
from catchpot.testing.history import crossing
from catchpot.testing.march import Record
from catchpot.testing.plan import MouldPlan, Plan
from catchpot.testing.scenario import Fault
from catchpot.testing.sensors import LogTruth, onset_s

if TYPE_CHECKING:
    import polars as pl

FAULT_TRUTH = Table(
    "truth_fault",
    ("shot", "kind"),
    (
        Column("shot", "str", "", "the shot"),
        Column("mould", "str", "", "the mould"),
        Column("kind", "str", "", "kind of finding it should give"),
        Column("severity", "f64", "", "as in `Fault`"),
        Column("channel", "str", "", "channel of a sensor fault"),
        Column("begins_s", "f64", "s", "log time it began"),
        Column("begins_volume_l", "f64", "l", "metered volume it began at"),
        Column("happened", "bool", "", "whether the shot got that far"),
    ),
)
FROM_THE_START = ("sensor_offset", "outer_seal_leak", "inner_seal_leak", "cavity_leak", "clamp_margin_low")
SINCE_START = ("inject_from_s", "stop_s", "arrival_s")


def shot_truth(plan: Plan, owner: list[tuple[MouldPlan, int]], facts: list[dict[str, float]]) -> pl.DataFrame:
    """One row a log.

    kind: "shot" or "hold_check". arrival_volume_l, full_volume_l (last corner), injected_volume_l (at the stop), as
    the meter counts; null where it never came to that. overflow_l: injected minus arrival (at most); past_vent_l,
    catch_pot_l: what really went past the vent and into the pot. arrival_true_l, injected_true_l: real litres.
    permeability_m2: of the pack as straight fronts would show it; permeability_seen_m2: the same as the book's
    thickness and the meter make it look (times true over book thickness and the meter's gain);
    mobility_m2_pa_s = permeability_seen_m2 / viscosity_pa_s, with the bed's true viscosity. permeability_lanes_m2: as
    permeability_seen_m2, but the mean of the lanes' own permeabilities instead of what one straight front would show.
    *_leak_mbar_l_s: at the reference states; *_clean: without the shot's noise. faults: kinds, blank between.
    """
    import polars as pl

    rows: list[dict[str, Any]] = []
    for (m, i), f in zip(owner, facts, strict=True):
        check = bool(m.is_check[i])
        row: dict[str, Any] = {
            "shot": m.names[i], "mould": m.mould.name, "number": int(m.number[i]), "started_at": m.started_at[i],
            "kind": "hold_check" if check else "shot", "injector": m.mould.injector,
            "arrival_volume_l": f["metered_at_arrival_l"], "arrival_true_l": f["true_at_arrival_l"],
            "full_volume_l": f["metered_at_full_l"], "injected_volume_l": f["metered_at_stop_l"],
            "injected_true_l": f["true_injected_l"], "overflow_l": f["metered_at_stop_l"] - f["metered_at_arrival_l"],
            "past_vent_l": f["past_vent_l"], "catch_pot_l": f["catch_pot_l"], "past_seal_l": f["past_seal_l"],
            "air_l": f["air_l"], "filled_share": f["filled_share"], "bed_l": f["bed_l"],
            **{k: f[k] for k in SINCE_START},
            "faults": " ".join(sorted(x.kind for x in m.faults if x.shot == m.number[i])) if not check else "",
        }  # fmt: skip
        row |= {k: float(v[i]) for k, v in m.truth.items()}
        row["mobility_m2_pa_s"] = row["permeability_seen_m2"] / row["viscosity_pa_s"]
        row["clamp_leak_mbar_l_s"] = row["outer_leak_mbar_l_s"] + row["inner_leak_mbar_l_s"]
        rows.append(row)
    frame = pl.DataFrame(rows, infer_schema_length=None).with_columns(
        pl.col("started_at").cast(pl.Datetime("us", "UTC"))
    )
    return frame.with_columns(pl.selectors.float().fill_nan(None))


def fault_truth(
    record: Record, row: int, plan: MouldPlan, i: int, number: int, fault: Fault, about: LogTruth
) -> dict[str, Any]:
    """A fault as it came out: when and at which metered volume it began, and whether the shot got that far.

    Leaks, a low clamp margin and shifted sensors are there from the log's start (and in the shot's own hold-check log).
    """
    volume = plan.fault_shares[number] * about.expected_metered_l
    at = 0.0 if fault.kind in FROM_THE_START else onset_s(record, row, volume)
    known = bool(np.isfinite(at))
    return {
        "shot": plan.names[i], "mould": plan.mould.name, "kind": fault.kind, "severity": float(fault.severity),
        "channel": fault.channel if fault.kind.startswith("sensor") else "", "begins_s": at if known else None,
        "begins_volume_l": volume, "happened": known or fault.kind == "short_fill",
    }  # fmt: skip


def change_truth(plan: Plan) -> pl.DataFrame:
    """One row a change: mould, cause, amount (in the units of `Change`), the shots it took, and since when."""
    import polars as pl

    by_name = {m.mould.name: m for m in plan.moulds}
    rows = []
    for c in plan.scenario.changes:
        m = by_name[c.mould]
        at = [t for t, n, k in zip(m.started_at, m.number, m.is_check, strict=True) if n == c.at_shot and not k]
        rows.append(
            {"mould": c.mould, "cause": c.cause, "amount": float(c.amount), "at_shot": c.at_shot,
             "over_shots": c.over_shots, "since": at[0] if at else None, "logged": c.event is not None}
        )  # fmt: skip
    return pl.DataFrame(
        rows,
        schema={"mould": pl.String, "cause": pl.String, "amount": pl.Float64, "at_shot": pl.Int64,
                "over_shots": pl.Int64,
                "since": pl.Datetime("us", "UTC"), "logged": pl.Boolean},
    )  # fmt: skip


def seal_truth(plan: Plan) -> pl.DataFrame:
    """One row a seal's life: from which shot, whether its replacement was written down, and when it meets its limit.

    crossing_age_shots: shots since replacement at which the noise-free leak meets the limit; null where never.
    """
    import polars as pl

    rows = []
    for m in plan.moulds:
        for name, seal in (("outer", m.mould.outer), ("inner", m.mould.inner), ("cavity", m.mould.cavity)):
            begins = [0, *seal.all_replaced]
            for b, until in zip(begins, [*begins[1:], m.mould.shots], strict=True):
                age = crossing(seal, seal.limit)
                rows.append(
                    {"mould": m.mould.name, "seal": name, "from_shot": b, "to_shot": until,
                     "logged": b == 0 or b in seal.logged, "limit_mbar_l_s": seal.limit, "floor_mbar_l_s": seal.floor,
                     "start_mbar_l_s": seal.start, "growth": seal.growth, "law": seal.law, "noise": seal.noise,
                     "autocorrelation": seal.autocorrelation, "crossing_age_shots": age if np.isfinite(age) else None}
                )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None).with_columns(pl.col("crossing_age_shots").cast(pl.Float64))


def meter_truth(plan: Plan) -> pl.DataFrame:
    """Each injector's gain (metered over true) at each shot where it is new."""
    import polars as pl

    rows = sorted(
        (m.mould.injector, t, round(float(g), 9))
        for m in plan.moulds
        for t, g in zip(m.started_at, m.truth["meter_gain"], strict=True)
    )
    kept = [r for k, r in enumerate(rows) if k == 0 or rows[k - 1][0] != r[0] or rows[k - 1][2] != r[2]]
    return pl.DataFrame(
        kept, schema={"injector": pl.String, "since": pl.Datetime("us", "UTC"), "gain": pl.Float64}, orient="row"
    )
