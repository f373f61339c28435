"""Tables and jobs in memory: what the intake and the runner would hand out."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from catchpot.testing import made_up as mu
from catchpot_drift.analysis import DriftAnalysis
from catchpot_fill.analysis import FillAnalysis
from catchpot_fill.tables import INJECTION

OFF = mu.Nuisances.off()


def strip(**settings: object) -> mu.Mould:
    return mu.Mould("strip", mu.five_geometries()["strip"], **settings)  # type: ignore[arg-type]  # any field of Mould


def test_where_strokes_were_counted_the_flow_comes_from_them() -> None:
    mould = strip(shots=2, stroke_ml=25.0)
    made = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=replace(OFF, strokes=True)), 3)
    assert made.sample["flow_l_min"].null_count() == made.sample.height
    tables = made.tables()
    assert tables["sample"]["flow_l_min"].null_count() == 0
    ends = tables["sample"].group_by("shot").agg(pl.col("vol_l").max(), pl.col("pump_strokes").max())
    assert (ends["vol_l"] - 0.025 * ends["pump_strokes"]).abs().max() == pytest.approx(0.0, abs=1e-9)
    inject = tables["phase"].filter(phase="inject")
    assert inject.height == 2
    assert (inject["end_volume_l"] > 1.9).all()


def test_a_need_of_everything_gets_the_runners_wide_table() -> None:
    made = mu.simulate(mu.Scenario(moulds=(strip(shots=3),), nuisances=OFF), 3)
    tables = made.tables()
    tables |= dict(mu.filled(tables, made.book()).tables)
    declared = {t.name: t for t in (INJECTION, *FillAnalysis.yields)}
    job = mu.job(DriftAnalysis("UTC"), tables, made.book(), ["strip"], declared=declared)
    wide = job.tables["*"]
    assert wide.columns[:3] == ["shot", "mould", "started_at"]
    assert wide["started_at"].is_sorted() and wide.height == 3
    assert wide["arrival_volume_l"].to_list() == tables["fill"].sort("shot")["arrival_volume_l"].to_list()
    assert job.declared["*"].column("arrival_volume_l").unit == "l"
    assert {"permeability_m2", "part_mass_kg"} <= set(wide.columns)
    assert not {"vol_l", "flow_l_min", "stroke_volume_ml"} & set(wide.columns)
    later = made.shot["started_at"].sort()[1]
    until = mu.job(DriftAnalysis("UTC"), tables, made.book(), ["strip"], until=later, declared=declared)
    assert until.tables["*"].height == 2
