"""The commands `explain` and `next` in a workshop that has a mould book and no shot yet."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from catchpot.errors import CatchpotError
from catchpot_volume.command import explain
from catchpot_volume.next_command import next_shot

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
    assert sheet.parent == home / "reports" / "sheets"
    assert "geometry alone" in sheet.read_text()
    assert next_shot("hull") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "hull: GO WITH CARE"
    assert lines[3].startswith("Set ")
    assert said["go"] is True and said["state"] == "care"


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
    assert "there are hull" in capsys.readouterr().err
    with pytest.raises(CatchpotError, match="there are hull") as error:
        next_shot("hul")
    assert error.value.status == 2
    with pytest.raises(CatchpotError, match="out of range"):
        next_shot("hull", temperature=900.0)


def spoil(home: Path, what: str) -> None:
    book = home / "moulds.toml"
    if what == "a mould book that can't be read":
        book.write_text("[moulds.hull\n")
    elif what == "a mould that left the book":
        book.write_text(BOOK.replace("[moulds.hull]", "[moulds.keel]"))
    elif what == "a book without what the first volume needs":
        book.write_text(BOOK.replace("part_area_m2 = 0.96\n", ""))
    elif what == "an event ledger that can't be read":
        (home / "events.csv").write_bytes(b"time,mould,kind,detail\n\xff\xfe\n")


@pytest.mark.parametrize(
    ("what", "status"),
    [
        ("a mould book that can't be read", 2),
        ("a mould that left the book", 2),
        ("a book without what the first volume needs", 3),
        ("an event ledger that can't be read", 2),
    ],
)
def test_no_refusal_leaves_an_old_sheet(home: Path, capsys: pytest.CaptureFixture[str], what: str, status: int) -> None:
    assert next_shot("hull") == 0
    sheet = home / "reports" / "sheets" / "hull.html"
    assert "Set the volume to" in sheet.read_text()
    spoil(home, what)
    capsys.readouterr()
    try:
        ended = next_shot("hull", json=True)
    except CatchpotError as error:
        ended = error.status
    assert ended == status
    page = sheet.read_text()
    assert "NO-GO" in page and "Set the volume to" not in page
    said = json.loads(capsys.readouterr().out)
    assert said["go"] is False and said["state"] == "no-go" and said["reasons"]
    assert said["next"] is not None


def test_a_volume_set_by_hand_is_written_down_and_never_silent(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(CatchpotError, match="go together"):
        next_shot("hull", set_volume="2.6")
    with pytest.raises(CatchpotError, match="can't be meant"):
        next_shot("hull", set_volume="2600", because="ml by mistake")
    assert not (home / "events.csv").exists()
    capsys.readouterr()
    assert next_shot("hull", set_volume="2,6", because="a thicker veil", json=True) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["next"]["volume_l"] == 2.6 and said["state"] == "care"
    assert any("a thicker veil" in r["reason"] and "is advised" in r["reason"] for r in said["reasons"])
    row = (home / "events.csv").read_text().splitlines()[1]
    assert row.endswith(",hull,volume_set,2.600 l because a thicker veil")
    # it stands until a shot is made, in every later answer
    assert next_shot("hull") == 0
    assert "a thicker veil" in capsys.readouterr().out
    assert "a thicker veil" in (home / "reports" / "sheets" / "hull.html").read_text()
