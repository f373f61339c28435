"""The demonstration: an invented maker of hatches, tubs and covers, five months of shots, and a few troubles.

Nothing in it is a real workshop. The people of Cais Novo (invented, like the place) share two injectors among five
moulds; an outer seal wears, a fabric batch comes heavy, a meter begins to read high, one cavity opens as its clamp
weakens, and some single shots go wrong. What is true stands in `truth/` beside the logs.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from catchpot.testing.geometry import Geometry
from catchpot.testing.nuisances import Nuisances
from catchpot.testing.scenario import ALL_CHANNELS, Change, Fault, Mould, Resin, Scenario, Seal

if TYPE_CHECKING:
    import polars as pl

    from catchpot.api import Session
    from catchpot.output import Progress
    from catchpot.testing.simulate import MadeUp
    from catchpot.workshop import Workshop

SEED = 2026
NO_CLAMP = tuple(c for c in ALL_CHANNELS if c not in ("clamp_pressure_mbar", "vacuum_isolated"))

HATCH = Geometry("peripheral", 4.0, 0.40, 0.96, 3.0)
FAIRING = Geometry("linear", 0.62, 1.10, 0.60, 3.5, width=lambda s: 1.0 + 0.3 * np.sin(np.pi * s) - 0.35 * s)
TUB = Geometry("peripheral", 2 * np.pi * 0.48, 0.465, np.pi * (0.48**2 - 0.015**2), 4.0)
LID = Geometry("linear", 0.90, 0.75, 0.60, 3.2)
DISH = Geometry("radial", 2 * np.pi * 0.02, 0.40, np.pi * (0.42**2 - 0.02**2), 3.5)


def _booked(part: str, drawing: str, customer: str) -> tuple[tuple[str, str | float], ...]:
    return ("part", part), ("drawing", drawing), ("customer", customer), ("seal_lead_time_days", 10.0)


LETTERHEAD = """Cais Novo, hatches and tubs (an invented workshop)
Cais da Fantasia 1, Porto Inventado"""


def _moulds() -> tuple[Mould, ...]:
    hatch = Mould(
        "hatch-3", HATCH, shots=60, shots_per_week=3.0,
        clamp_area_m2=0.55, machine_limit_bar=0.42,
        vacuum_source="pump-1", injector="injector-1", fibre_areal_weight_g_m2=1000.0,
        outer=Seal(0.05, 0.02, 0.0085, noise=0.15, autocorrelation=0.3, replaced=(26,)),
        inner=Seal(0.004, 0.004, 0.0004, limit=0.05), holds=2, programme="follow", overflow_share=0.07,
        vent_hose_m=1.5, cover_l_bar=0.02, fabric_batch_shots=20, weigh_fabric=False, bleed_target_l=0.08,
        limits=(("injected_volume_l", 2.45, 2.85), ("cavity_pressure_mbar", 500.0, 620.0)),
        booked=_booked("deck hatch, 0.96 m² (invented)", "CN-1103 C", "Estaleiro Vento Leste (invented)"),
    )  # fmt: skip
    fairing = Mould(
        "fairing-1", FAIRING, shots=50, shots_per_week=2.5,
        clamp_area_m2=0.36, machine_limit_bar=0.42,
        vacuum_source="pump-1", injector="injector-2", fibre_areal_weight_g_m2=1150.0,
        holds=1, programme="follow", overflow_share=0.06, vent_hose_m=1.0, runner_volume_l=0.12, fabric_batch_shots=25,
        weigh_fabric=True, sampling_hz=2.0, fill_s=140.0, bleed_target_l=0.05,
        limits=(("arrival_volume_l", 1.70, 1.95), ("injected_volume_l", "none", 2.05)),
        booked=_booked("wheel fairing (invented)", "CN-2207 A", "Carros da Ria (invented)"),
    )  # fmt: skip
    tub = Mould(
        "tub-2", TUB, shots=55, shots_per_week=2.8,
        clamp_area_m2=0.45, machine_limit_bar=0.42,
        vacuum_source="pump-1", injector="injector-1", fibre_areal_weight_g_m2=1350.0, holds=1,
        programme="fixed", overflow_share=0.07, vent_height_m=0.3, vent_hose_m=2.0, core_volume_l=0.25, fill_s=130.0,
        opening_per_100_mbar=0.03, flange_gap=True, fabric_batch_shots=30, bleed_target_l=0.05, measure_thickness=True,
        limits=(("injected_volume_l", 2.3, 2.9),),
        booked=_booked("wash tub, 0.72 m² (invented)", "CN-3041 B", "Estaleiro Vento Leste (invented)"),
    )  # fmt: skip
    lid = Mould(
        "lid-5", LID, shots=45, shots_per_week=2.2,
        clamp_area_m2=0.36, machine_limit_bar=0.42,
        vacuum_source="pump-1", injector="injector-2", fibre_areal_weight_g_m2=1000.0, holds=0,
        programme="follow", overflow_share=0.06, feed_hose_volume_l=0.08, stroke_ml=30.0, sampling_hz=2.0,
        gauge_bar=None, fabric_batch_shots=30, pack_s=12.0, pack_bar=0.3, outer=Seal(0.06, 0.04, 0.0),
    )  # fmt: skip
    dish = Mould(
        "dish-4", DISH, shots=30, shots_per_week=1.6, first_day=14,
        clamp_area_m2=0.33, machine_limit_bar=0.42,
        injector="injector-1", lane_scale=0.5,
        fibre_areal_weight_g_m2=1100.0, pump="receiver", channels=NO_CLAMP, holds=0, programme="follow",
        overflow_share=0.07, sampling_hz=2.0, fabric_batch_shots=40, fill_s=120.0,
    )  # fmt: skip
    return hatch, fairing, tub, lid, dish


CHANGES = (
    Change("fairing-1", "fabric_pack", 0.08, 25),
    Change("tub-2", "flow_meter", 0.03, 22),
    Change("tub-2", "clamp_pressure", 120.0, 36, over_shots=12),
)
FAULTS = (
    Fault("hatch-3", "race_tracking", 17, 0.32),
    Fault("hatch-3", "vacuum_lost", 41, 160.0, begins=0.5),
    Fault("fairing-1", "air_in_line", 12, 4.0, begins=0.3, span=0.5),
    Fault("fairing-1", "flow_restriction", 38, 5.0, begins=0.4),
    Fault("tub-2", "early_gel", 31, 90.0, begins=0.6),
    Fault("tub-2", "ratio_off", 15, -0.3, begins=0.3, span=0.5),
    Fault("lid-5", "short_fill", 20, 0.07),
    Fault("lid-5", "sensor_stuck", 33, 25.0),
    Fault("dish-4", "overfill", 18, 0.16),
    Fault("dish-4", "sensor_offset", 24, 0.06),
)
NOTES = (
    (datetime(2026, 4, 14, 6, 0, tzinfo=UTC), "", "pump_serviced", "vacuum pump, new oil"),
    (datetime(2026, 5, 4, 6, 10, tzinfo=UTC), "lid-5", "mould_cleaned", ""),
    (datetime(2026, 6, 22, 6, 20, tzinfo=UTC), "hatch-3", "note", "new hand at the mould, shown round"),
)


def demo_scenario() -> Scenario:
    """The invented workshop of the demonstration."""
    return Scenario(
        moulds=_moulds(),
        resins=(Resin(),),
        nuisances=replace(Nuisances(), batch_viscosity_known=0.4, lane_sd=0.12),
        changes=CHANGES,
        faults=FAULTS,
        name="Cais Novo hatches and tubs (invented)",
        time_zone="Europe/Lisbon",
        start=datetime(2026, 3, 2, tzinfo=UTC),
        notes=NOTES,
        settings=(("letterhead", LETTERHEAD), ("currency", "EUR")),
    )


def write_demo(folder: Path, seed: int = SEED, progress: Progress | None = None) -> MadeUp:
    """Write the demonstration workshop: settings, mould book, events, parts, logs and the truth beside them.

    folder: made where it is missing; files of the same names are replaced. seed: another one makes other shots of the
    same scenario. progress: called as progress(what, done, total).
    """
    from catchpot.testing.write import write_workshop

    made = write_workshop(folder, demo_scenario(), seed, progress)
    (folder / "README.md").write_text(READ_ME, encoding="utf-8")
    return made


READ_ME = """# An invented workshop

Cais Novo, its people, moulds, shots and troubles are made up by `catchpot demo`. Nothing here was measured.
`truth/` says what is true of every shot, fault, change, seal and meter: compare it with what the report finds.
"""


def headlines(workshop: Workshop) -> list[str]:
    """What the tool found in the demonstration, as a few sentences, from the stored tables."""
    from catchpot.api import open_session

    session = open_session(workshop.home)
    return [*_size(session), *_volumes(session), *_matters(session), *_seals(session)]


def _table(session: Session, name: str) -> pl.DataFrame | None:
    if name not in session.declared:
        return None
    frame = session.table(name)
    return None if frame.is_empty() else frame


def _size(session: Session) -> list[str]:
    shots = session.table("shot")
    first, last = shots["started_at"].min(), shots["started_at"].max()
    if not isinstance(first, datetime) or not isinstance(last, datetime):
        return ["no shot was read"]
    return [
        (
            f"{shots.height} logs of {shots['mould'].n_unique()} moulds, {first:%d %B} to {last:%d %B %Y}: "
            "an invented workshop, every number in it is made up."
        )
    ]


def _volumes(session: Session) -> list[str]:
    """The mould whose arrival volume moved most between its first and its last ten shots."""
    import polars as pl

    fill = _table(session, "fill")
    if fill is None:
        return []
    shots = session.table("shot").select("shot", "mould", "started_at")
    known = fill.select("shot", "arrival_volume_l").drop_nulls().join(shots, on="shot").sort("started_at")
    spans = known.group_by("mould").agg(
        pl.col("arrival_volume_l").head(10).median().alias("first"),
        pl.col("arrival_volume_l").tail(10).median().alias("last"),
        pl.len().alias("n"),
    )
    spans = spans.filter(pl.col("n") >= 20).with_columns((pl.col("last") / pl.col("first") - 1).alias("by"))
    if spans.is_empty():
        return []
    most = spans.sort(pl.col("by").abs()).row(-1, named=True)
    return [
        (
            f"{most['mould']} moved most: resin came to the vent after {most['first']:.2f} l in its first ten shots, "
            f"after {most['last']:.2f} l in its last ten ({most['by'] * 100:+.1f} %)."
        )
    ]


def _matters(session: Session) -> list[str]:
    import polars as pl

    matter = _table(session, "matter")
    if matter is None:
        return []
    told = matter.filter((pl.col("state") != "closed") & pl.col("severity").is_in(["act", "watch"]))
    if told.is_empty():
        return ["Nothing asks for action."]
    told = told.sort(pl.col("severity") != "act", "mould", "since")
    act = told.filter(pl.col("severity") == "act").height
    return [
        f"{told.height} matters are open, {act} of them to act on:",
        *[f"  {m}" for m in told["headline"].to_list()],
    ]


def _seals(session: Session) -> list[str]:
    import polars as pl

    from catchpot.causes import seal_told

    life = _table(session, "seal_life")
    if life is None:
        return []
    newest = life.sort("as_of").group_by("mould", "seal").last().filter(pl.col("shots_left").is_not_null())
    if newest.is_empty():
        return []
    r = newest.sort("shots_left").row(0, named=True)
    if r["seal"] == "clamp":
        matter = _table(session, "matter")
        told = (
            ""
            if matter is None
            else seal_told(matter.filter((pl.col("mould") == r["mould"]) & (pl.col("state") != "closed"))["cause"])
        )
        which = f"by its holds the {told} one" if told else "which of the two the log can't tell"
        what = f"The next seal due is in the clamp channel of {r['mould']}, {which}"
    else:
        what = f"The next seal due is the {r['seal']} one of {r['mould']}"
    if r["shots_left"] < 1:
        return [f"{what}: at the limit now."]
    said = f"{what}: about {r['shots_left']:.0f} shots left"
    if r["shots_left_low"] is not None and r["shots_left_high"] is not None:
        said += f" (80 %: {r['shots_left_low']:.0f} to {r['shots_left_high']:.0f})"
    return [f"{said}; sudden damage is not predicted."]
