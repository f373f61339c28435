"""The commands `explain` and `next` in a workshop that has a mould book and no shot yet."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from catchpot_volume.command import explain, next_shot

BOOK = """
[resins.ve]
viscosity_pa_s = 0.2
viscosity_temp_c = 23.0
viscosity_activation_k = 4200
density_kg_m3 = 1120
catalyst_ratio_pct_by_volume = 1.5

[moulds.hull]
resin = "ve"
fill = "peripheral"
inlet_width_m = 4.0
flow_length_m = 0.4
part_area_m2 = 0.96
thickness_mm = 3.0
fibre_areal_weight_g_m2 = 1000
fibre_density_kg_m3 = 2560
line_pressure_limit_bar = 0.5
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "catchpot.toml").write_text('[workshop]\nname = "Made up"\ntime_zone = "Europe/Lisbon"\n')
    (tmp_path / "moulds.toml").write_text(BOOK)
    (tmp_path / "logs").mkdir()
    monkeypatch.setenv("CATCHPOT_HOME", str(tmp_path))
    return tmp_path


def test_the_first_shot_and_its_sheet(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert next_shot("hull", temperature=20.0, json=True) == 0
    said = json.loads(capsys.readouterr().out)
    # 0.96 m2 x (3 mm - 1 kg/m2 over 2.56 kg/l) by hand
    assert said["next"]["arrival_volume_l"] == pytest.approx(0.96 * (3 - 1 / 2.56), rel=1e-4)
    assert said["next"]["from_history"] == 0
    sheet = Path(said["sheet"])
    assert sheet.parent == home / "reports"
    assert "geometry alone" in sheet.read_text()
    assert next_shot("hull") == 0
    assert "hull: set" in capsys.readouterr().out


def test_nothing_to_explain_is_said_and_is_no_error(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert explain("hull") == 0
    assert "hull: not explained: no shot" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("since", "against", "words"),
    [
        ("soon", None, "--since"),
        ("2026-05-01", "2026-03-01", "--against"),
        (None, "2026-03-01..2026-04-01", "--against"),
    ],
)
def test_wrong_days_are_named(
    home: Path, capsys: pytest.CaptureFixture[str], since: str | None, against: str | None, words: str
) -> None:
    assert explain("hull", since=since, against=against) == 2
    assert words in capsys.readouterr().err


def test_an_unknown_mould_is_named(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert explain("hul") == 2
    assert next_shot("hul") == 2
    assert "there are hull" in capsys.readouterr().err
    assert next_shot("hull", temperature=900.0) == 2
