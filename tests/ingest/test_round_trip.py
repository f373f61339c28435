"""A plain log written by export and read back is the same shot."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from catchpot.store.export import export_table
from catchpot.workshop import open_workshop


def test_an_exported_log_reads_back_as_the_same_shot(bench: Any, plain: Callable[..., str]) -> None:
    header = "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar,resin_temp_c,vent_open"
    bench.put("a.csv", plain(header=header, injector="i1", programmed_volume_l="2.5", fabric_batch="F 7"))
    bench.ingest()
    text = export_table(open_workshop(bench.home), "log", shot="s1")
    assert text is not None
    shot, samples = bench.table("shot").drop("source_digest", "source_file"), bench.table("sample")
    (bench.home / "shots.duckdb").unlink()
    (bench.home / "logs" / "a.csv").unlink()
    bench.put("again.csv", text)
    assert bench.ingest().new == 1
    assert bench.table("sample").equals(samples)
    assert bench.table("shot").drop("source_digest", "source_file").equals(shot)


def test_a_shot_from_strokes_too(bench: Any, plain: Callable[..., str]) -> None:
    header = "t_s,pump_strokes,line_pressure_bar,cavity_pressure_mbar"
    bench.put("a.csv", plain(header=header, stroke_volume_ml="33.3"))
    bench.ingest()
    text = export_table(open_workshop(bench.home), "log", shot="s1")
    assert text is not None
    samples = bench.table("sample")
    (bench.home / "shots.duckdb").unlink()
    (bench.home / "logs" / "a.csv").unlink()
    bench.put("again.csv", text)
    assert bench.ingest().new == 1
    assert bench.table("sample").drop("flow_l_min", "vol_l").equals(samples.drop("flow_l_min", "vol_l"))
    assert abs(bench.table("sample")["vol_l"][-1] - samples["vol_l"][-1]) < 0.002
