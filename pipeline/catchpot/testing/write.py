"""Write a made-up workshop to a folder: settings, mould book, events, parts, logs, and the truth beside them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from catchpot.testing.book import toml_text
from catchpot.testing.geometry import Array
from catchpot.testing.scenario import Scenario
from catchpot.testing.simulate import MadeUp, simulate

if TYPE_CHECKING:
    import polars as pl

    from catchpot.output import Progress

DECIMALS = {
    "t_s": 3, "flow_l_min": 4, "line_pressure_bar": 4, "cavity_pressure_mbar": 2, "clamp_pressure_mbar": 2,
    "resin_temp_c": 2, "mould_temp_c": 2, "catalyst_flow_ml_min": 2, "flange_gap_mm": 3, "ambient_pressure_mbar": 2,
}  # fmt: skip
COUNTS = ("vent_open", "vacuum_isolated", "pump_strokes")


def log_text(preamble: dict[str, Any], log: dict[str, Array]) -> str:
    """A plain shot log: preamble, header, samples."""
    import polars as pl

    head = "".join(f"# {k} = {v}\n" for k, v in preamble.items() if v is not None)
    frame = pl.DataFrame(
        {k: v.astype(np.int64) if k in COUNTS else np.round(v, DECIMALS[k]) + 0.0 for k, v in log.items()}
    )
    return head + frame.write_csv(float_scientific=False)


def _events_text(frame: pl.DataFrame) -> str:
    import polars as pl

    return frame.select(
        pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%S+00:00"), pl.col("mould").fill_null(""), "kind", "detail"
    ).write_csv()


def write_made_up(folder: Path, made: MadeUp, progress: Progress | None = None) -> None:
    """Write a simulated workshop; existing files of the same names are replaced.

    progress: called as progress("writing made-up logs", done, total).
    """
    folder.mkdir(parents=True, exist_ok=True)
    scenario = made.scenario
    settings = {
        "workshop": {
            "name": scenario.name,
            "time_zone": scenario.time_zone,
            "ambient_pressure_mbar": scenario.ambient_pressure_mbar,
            **dict(scenario.settings),
        }
    }
    (folder / "catchpot.toml").write_text(
        toml_text(settings, "Invented workshop, made by catchpot.testing."), encoding="utf-8"
    )
    (folder / "moulds.toml").write_text(made.book_text(), encoding="utf-8")
    (folder / "events.csv").write_text(_events_text(made.event), encoding="utf-8")
    if not made.part.is_empty():
        filled = [c for c in made.part.columns if made.part[c].null_count() < made.part.height]
        (folder / "parts.csv").write_text(made.part.select(filled).write_csv(float_scientific=False), encoding="utf-8")
    for done, row in enumerate(made.shot.iter_rows(named=True), start=1):
        path = folder / row["source_file"]
        path.parent.mkdir(parents=True, exist_ok=True)
        preamble = {
            "shot": row["shot"], "mould": row["mould"], "started_at": row["started_at"].isoformat(),
            "injector": row["injector"], "programmed_volume_l": row["programmed_volume_l"],
            "fabric_batch": row["fabric_batch"], "resin_batch": row["resin_batch"],
            "stroke_volume_ml": row["stroke_volume_ml"],
        }  # fmt: skip
        path.write_text(log_text(preamble, made.logs[row["shot"]]), encoding="utf-8")
        if progress is not None:
            progress("writing made-up logs", done, made.shot.height)
    truth = folder / "truth"
    truth.mkdir(exist_ok=True)
    for name, frame in truth_tables(made).items():
        (truth / f"{name}.csv").write_text(rounded(frame).write_csv(), encoding="utf-8")
    (truth / "seed.txt").write_text(f"{made.seed}\n", encoding="utf-8")


def truth_tables(made: MadeUp) -> dict[str, pl.DataFrame]:
    """The truth tables by name."""
    return {
        "shot": made.truth_shot,
        "fault": made.truth_fault,
        "change": made.truth_change,
        "seal": made.truth_seal,
        "meter": made.truth_meter,
    }


def rounded(frame: pl.DataFrame) -> pl.DataFrame:
    """Floats to seven significant figures, so that text is short and the same on every machine."""
    import polars as pl

    return frame.with_columns(pl.selectors.float().round_sig_figs(7))


def write_workshop(folder: Path, scenario: Scenario, seed: int, progress: Progress | None = None) -> MadeUp:
    """Simulate and write a workshop; returns what was simulated."""
    made = simulate(scenario, seed)
    write_made_up(folder, made, progress)
    return made
