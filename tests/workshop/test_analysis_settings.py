"""`[analyses.NAME]` against the analysis's own model."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import cast

from pydantic import BaseModel, Field

from catchpot.analysis import Analysis
from catchpot.workshop import check_analysis_settings, init_workshop, open_workshop


class Params(BaseModel):
    bins: int = Field(80, ge=10)
    robust: bool = True


def test_unknown_names_keys_and_wrong_values_have_their_lines(tmp_path: Path) -> None:
    init_workshop(tmp_path)
    text = '[analyses.fill]\nbin = 3\nbins = 5\nrobust = "maybe"\n[analyses.fil]\n'
    (tmp_path / "catchpot.toml").write_text(text)
    fill = cast(Analysis, SimpleNamespace(name="fill", params=Params))
    said = [str(p).split("catchpot.toml:")[1] for p in check_analysis_settings(open_workshop(tmp_path), [fill])]
    assert said == [
        "2: analyses.fill.bin: unknown key (did you mean bins?)",
        "3: analyses.fill.bins: must be at least 10, found 5",
        "4: analyses.fill.robust: expected true or false, found 'maybe'",
        "5: analyses.fil: no analysis of this name (did you mean fill?); `catchpot plugins` lists them",
    ]


def test_good_settings_have_nothing_wrong(tmp_path: Path) -> None:
    init_workshop(tmp_path)
    (tmp_path / "catchpot.toml").write_text("[analyses.fill]\nbins = 50\n")
    fill = cast(Analysis, SimpleNamespace(name="fill", params=Params))
    assert check_analysis_settings(open_workshop(tmp_path), [fill]) == []
