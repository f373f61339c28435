"""Opening and checking a workshop folder: everything wrong is said at once, with file, line and key."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from catchpot.workshop import (
    WorkshopError,
    check_workshop,
    init_workshop,
    json_schema,
    open_with_last_good,
    open_workshop,
)
from catchpot.workshop.mould import Mould, Resin, ResinBatch

SETTINGS = '[workshop]\nname = "W"\ntime_zone = "Europe/Lisbon"\n'
EVENTS = "time,mould,kind,detail\n"
MOULDS = """\
[resins.ve]
viscosity_pa_s = 0.2
viscosity_temp_c = 23.0
[moulds.hatch]
resin = "ve"
fill = "linear"
"""


def workshop(home: Path, **files: str) -> list[str]:
    """Write a workshop and say what is wrong, file names without their folder."""
    texts = {"catchpot.toml": SETTINGS, "moulds.toml": MOULDS} | {k.replace("_", ".", 1): v for k, v in files.items()}
    for name, text in texts.items():
        (home / name).write_text(text, encoding="utf-8")
    return [str(p).replace(f"{home}/", "") for p in check_workshop(home)]


def test_a_good_workshop_has_nothing_wrong(tmp_path: Path) -> None:
    assert workshop(tmp_path) == []
    w = open_workshop(tmp_path)
    assert (w.settings.workshop.name, w.zone.key, list(w.book.moulds)) == ("W", "Europe/Lisbon", ["hatch"])
    assert w.settings.raw["workshop"]["name"] == "W"
    assert w.events.is_empty() and w.parts.is_empty()


def test_the_starter_passes_its_own_check_and_is_not_written_twice(tmp_path: Path) -> None:
    home = tmp_path / "new"
    written = init_workshop(home)
    assert {p.name for p in written} == {"catchpot.toml", "moulds.toml", "events.csv", "parts.csv"}
    assert check_workshop(home) == []
    (home / "moulds.toml").write_text(MOULDS)
    assert init_workshop(home) == []
    assert (home / "moulds.toml").read_text() == MOULDS


def test_every_key_of_the_book_stands_in_the_starter(tmp_path: Path) -> None:
    init_workshop(tmp_path)
    book = (tmp_path / "moulds.toml").read_text(encoding="utf-8")
    told = set(re.findall(r"\w+", book))
    no_longer_read = {"cover_yield_ml_bar", "cover_yield_tolerance_ml_bar", "cover_yield_s"}
    for model in (Mould, Resin, ResinBatch):
        assert set(model.model_fields) - told <= no_longer_read


def test_the_starters_commented_lines_are_valid_too(tmp_path: Path) -> None:
    init_workshop(tmp_path)
    for name in ("catchpot.toml", "moulds.toml"):
        lines = (tmp_path / name).read_text().splitlines()
        opened = [
            line[2:] if line[:3].strip("# ") and line.startswith("# ") and _is_toml(line[2:]) else line
            for line in lines
        ]
        (tmp_path / name).write_text("\n".join(opened))
    assert [str(p) for p in check_workshop(tmp_path)] == []
    w = open_workshop(tmp_path)
    assert w.settings.profiles["old-logger"].decimal == ","
    assert w.book.moulds["example-mould"].limits == {"injected_volume_l": (2.4, 2.7)}


def _is_toml(text: str) -> bool:
    return text.startswith("[") or (" = " in text and text[0].islower() and not text.startswith("settings"))


def test_all_errors_of_all_files_come_at_once(tmp_path: Path) -> None:
    said = workshop(
        tmp_path,
        catchpot_toml='[workshop]\ntime_zone = "Europe/Lisbn"\nambiant_pressure_mbar = 1000\n[pluggins]\n',
        moulds_toml=(
            '[resins.ve]\nviscosity_pa_s = -1.0\nviscosity_temp_c = 23.0\n[moulds.a]\nresin = "vee"\nfill = "liner"\n'
            'inlet_widht_m = 3.0\nthickness_mm = "3"\nlimits = { mass_kg = [3, 2] }\n'
            '[[moulds.a.changes]]\nvalid_from = 2026-03-01\nresin = "x"\nthicknes_mm = 1\n'
        ),
        events_csv=EVENTS
        + "2026-13-01,a,note,\n2026-01-01 08:00,a,seal_replacd,outer\n2026-01-01,,seal_replaced,left\n",
        parts_csv="shot,part_mass_kg,verdict\ns1,heavy,good\ns2,1.9,good\ns2,2.0,bad\n",
    )
    expected = [
        "catchpot.toml:2: workshop.time_zone: unknown time zone 'Europe/Lisbn' (did you mean Europe/Lisbon?)",
        "catchpot.toml:3: workshop.ambiant_pressure_mbar: unknown key (did you mean ambient_pressure_mbar?)",
        "catchpot.toml:4: pluggins: unknown key (did you mean plugins?)",
        "moulds.toml:2: resins.ve.viscosity_pa_s: must be more than 0, found -1.0",
        "moulds.toml:5: moulds.a.resin: no resin 'vee' in [resins] (did you mean ve?)",
        "moulds.toml:6: moulds.a.fill: expected 'linear', 'radial' or 'peripheral', found 'liner'",
        "moulds.toml:7: moulds.a.inlet_widht_m: unknown key (did you mean inlet_width_m?)",
        "moulds.toml:8: moulds.a.thickness_mm: expected a number, found '3'",
        "moulds.toml:9: moulds.a.limits.mass_kg: the low end 3 must lie below the high end 2",
        "moulds.toml:12: moulds.a.changes[0].resin: no resin 'x' in [resins]",
        "moulds.toml:13: moulds.a.changes[0].thicknes_mm: unknown key (did you mean thickness_mm?)",
        "events.csv:2: time: expected a time like 2026-03-02 08:15, found '2026-13-01'",
        "events.csv:3: kind: unknown kind of event 'seal_replacd' (did you mean seal_replaced?)",
        "events.csv:4: detail: says which seal: outer, inner or both; found 'left'",
        "parts.csv:2: part_mass_kg: expected a number, found 'heavy'",
        "parts.csv:4: shot: shot 's2' already stands in line 3",
        "parts.csv:4: verdict: expected good, rework or scrap, found 'bad'",
    ]
    for line in expected:
        assert any(s.startswith(line) for s in said), f"{line}\nnot in\n" + "\n".join(said)
    # time_zone's error hides nothing of the same table but the check of the zone itself
    assert len(said) == len(expected)


def test_missing_files_are_named(tmp_path: Path) -> None:
    said = [str(p) for p in check_workshop(tmp_path)]
    assert len(said) == 2
    assert "catchpot.toml: there is no catchpot.toml in this folder" in said[0]
    assert "moulds.toml: the mould book is missing" in said[1]
    with pytest.raises(WorkshopError) as e:
        open_workshop(tmp_path / "nowhere")
    assert "there is no such folder" in str(e.value)


def test_what_is_no_toml_is_said_with_its_line(tmp_path: Path) -> None:
    (said,) = workshop(tmp_path, moulds_toml="[moulds.a]\nthickness_mm = 3,0\n")
    assert said.startswith("moulds.toml:2: not valid TOML")
    (said,) = workshop(tmp_path, moulds_toml="[moulds.a\n")
    assert said.startswith("moulds.toml:1: not valid TOML")


def test_text_in_another_encoding_is_said(tmp_path: Path) -> None:
    workshop(tmp_path)
    (tmp_path / "moulds.toml").write_bytes("[moulds.a]\n# Größe\n".encode("cp1252"))
    (said,) = [str(p) for p in check_workshop(tmp_path)]
    assert "moulds.toml:2: this is not UTF-8 text" in said


@pytest.mark.parametrize(
    ("channel", "words"),
    [
        ('line_pressure_bar = { column = "P", unit = "psi" }', "is a pressure in psi: say what it is measured against"),
        ('line_pressure_bar = { column = "P" }', "line_pressure_bar is a pressure in bar"),
        ('line_pressure_bar = { column = "P", unit = "barg", reference = "absolute" }', "says gauge, the reference"),
        ('line_pressure_bar = { column = "P", unit = "l/min", reference = "gauge" }', "no pressure and takes no"),
        ('line_presure_bar = { column = "P", unit = "barg" }', "unknown channel (did you mean line_pressure_bar?)"),
        ('line_pressure_bar = { column = "P", unit = "furlong", reference = "gauge" }', "unknown unit 'furlong'"),
    ],
)
def test_a_profiles_channels_are_checked(tmp_path: Path, channel: str, words: str) -> None:
    profile = (
        SETTINGS + '[profiles.p]\nfiles = "logs/*.txt"\n[profiles.p.time]\ncolumn = "t"\n[profiles.p.channels]\n'
        'flow_l_min = { column = "Q", unit = "cc/min" }\n'
        'cavity_pressure_mbar = { column = "V", unit = "inHg vac" }\n'
    )
    good = 'line_pressure_bar = { column = "P", unit = "psi", reference = "gauge" }'
    assert workshop(tmp_path, catchpot_toml=profile + good) == []
    said = workshop(tmp_path, catchpot_toml=profile + channel)
    assert any(words in s and s.startswith("catchpot.toml:11: profiles.p.channels.line_pres") for s in said), said


def test_a_wrong_profile_does_not_hide_another_ones_missing_reference(tmp_path: Path) -> None:
    said = workshop(
        tmp_path,
        catchpot_toml=SETTINGS + '[profiles.a]\nseparater = ";"\n[profiles.b.channels]\nflow_l_min = { column = "Q" }\n'
        'line_pressure_bar = { column = "P", unit = "bar" }\n'
        'cavity_pressure_mbar = { column = "V", unit = "mbar abs" }\n',
    )
    assert any("profiles.a.separater: unknown key (did you mean separator?)" in s for s in said)
    assert any("profiles.b.channels.line_pressure_bar: line_pressure_bar is a pressure in bar" in s for s in said)


def test_an_event_of_an_unknown_mould_is_a_warning_only(tmp_path: Path) -> None:
    (said,) = workshop(tmp_path, events_csv="time,mould,kind,detail\n2026-01-01,hatsch,note,x\n")
    (warning,) = open_workshop(tmp_path).warnings
    assert "the mould book has no 'hatsch' (did you mean hatch?)" in str(warning)
    assert said in str(warning) and open_workshop(tmp_path).events.height == 1


def test_events_are_read_in_the_workshops_zone(tmp_path: Path) -> None:
    workshop(
        tmp_path,
        events_csv=EVENTS + "2026-07-01 08:00,hatch,seal_replaced,outer\n2026-07-01T08:00:00+02:00,,note,a\n",
    )
    events = open_workshop(tmp_path).events
    assert [t.isoformat() for t in events["time"]] == ["2026-07-01T07:00:00+00:00", "2026-07-01T06:00:00+00:00"]
    assert events["row"].to_list() == [2, 3]
    assert events["mould"].to_list() == ["hatch", None]


def test_parts_as_a_spreadsheet_in_a_comma_country_saves_them(tmp_path: Path) -> None:
    workshop(tmp_path, parts_csv="\ufeffshot;part_mass_kg;trimmed\ns1;4,25;yes\ns2;;0\n")
    parts = open_workshop(tmp_path).parts
    assert parts["part_mass_kg"].to_list() == [4.25, None]
    assert parts["trimmed"].to_list() == [True, False]


def test_the_schemas_name_every_key() -> None:
    moulds, settings = json_schema("moulds.toml"), json_schema("catchpot.toml")
    assert "inlet_width_m" in moulds["$defs"]["Mould"]["properties"]
    assert moulds["additionalProperties"] is False
    assert "workshop" in settings["properties"]


@pytest.mark.parametrize("year", ["0001", "9999"])
def test_dates_out_of_all_time_are_refused_with_their_line(tmp_path: Path, year: str) -> None:
    book = MOULDS + f"[[moulds.hatch.changes]]\nvalid_from = {year}-01-01\nthickness_mm = 3.0\n"
    events = EVENTS + f"{year}-06-01 08:00,,note,x\n"
    (tmp_path / "events.csv").write_text(events)
    found = workshop(tmp_path, moulds_toml=book)
    assert len(found) == 2
    assert found[0].startswith("moulds.toml:8: ") and f"found the year {int(year)}" in found[0]
    assert found[1].startswith("events.csv:2: time: ") and f"found the year {int(year)}" in found[1]


WRONG = {
    "moulds.toml": "[moulds.hatch\n",
    "events.csv": "time,mould,knid,detail\n2026-03-02 08:00,,note,x\n",
    "parts.csv": "shot,shot,part_mass_kg\na,b,2.5\n",
}


def test_a_bad_row_is_set_aside_with_its_line_and_the_rest_goes_on(tmp_path: Path) -> None:
    said = workshop(
        tmp_path,
        events_csv=EVENTS + "yesterday,,note,x\n2026-03-02 08:00,hatch,seal_replced,outer\n2026-03-02 08:00,,note,y\n",
        parts_csv="shot,part_mass_kg\na,heavy\nb,2.5\nc,-1\nd,1,2\n",
    )
    assert [s.split(": ")[0] for s in said] == [
        "events.csv:2", "events.csv:3", "parts.csv:2", "parts.csv:4", "parts.csv:5",
    ]  # fmt: skip
    w = open_with_last_good(tmp_path)
    assert (w.stale, w.lacking) == ((), ()) and len(w.set_aside) == 5
    assert w.events["row"].to_list() == [4] and w.parts["shot"].to_list() == ["b"]
    assert w.stale_sentence().startswith("events.csv line 2, events.csv line 3, parts.csv line 2 and 2 more can't be")
    assert open_workshop(tmp_path).events.height == 1


def test_unknown_columns_are_kept_and_said(tmp_path: Path) -> None:
    said = workshop(
        tmp_path,
        events_csv="time,mould,kind,detail,by\n2026-03-02 08:00,,note,x,A. Example\n",
        parts_csv="shot,part_mas_kg,shift\na,2.5,early\n",
    )
    assert said[0].startswith("events.csv:1: by: this column is kept and not read")
    assert "part_mas_kg: this column is kept and not read (did you mean part_mass_kg?)" in said[1]
    w = open_workshop(tmp_path)
    assert w.events.height == 1 and w.parts["part_mass_kg"].to_list() == [None]


def test_dates_and_decimals_are_read_as_they_are_written_here(tmp_path: Path) -> None:
    events = EVENTS + "7.8.2026 14:30,hatch,note,x\n2026-08-07 14:30,hatch,note,y\n"
    parts = 'shot,part_mass_kg\na,"2,5"\nb,2.5\nc,"1.234,5"\n'
    said = workshop(tmp_path, events_csv=events, parts_csv=parts)
    assert "date_order" in said[0] and "decimal_mark" in said[1]
    here = SETTINGS + 'date_order = "day first"\ndecimal_mark = ","\n'
    said = workshop(tmp_path, catchpot_toml=here, events_csv=events, parts_csv=parts)
    assert [s.split(": ")[0] for s in said] == ["parts.csv:4"]  # thousands points are no number here
    w = open_workshop(tmp_path)
    assert [t.isoformat() for t in w.events["time"]] == ["2026-08-07T13:30:00+00:00"] * 2
    assert w.parts["part_mass_kg"].to_list() == [2.5, 2.5]
    there = SETTINGS + 'date_order = "month first"\n'
    workshop(tmp_path, catchpot_toml=there, events_csv=events)
    assert open_workshop(tmp_path).events["time"][0].month == 7


def test_what_can_hardly_be_meant_is_said_and_stops_nothing(tmp_path: Path) -> None:
    book = MOULDS + "line_pressure_limit_bar = 500\nthickness_mm = 30\npart_area_m2 = 1.0\n"
    said = workshop(tmp_path, moulds_toml=book, parts_csv="shot,thickness_mm,overflow_kg\na,3.0,900\n")
    assert said[0].startswith("moulds.toml:7: moulds.hatch.line_pressure_limit_bar: 500 bar is hardly meant")
    assert said[1].startswith("moulds.toml:8: moulds.hatch.thickness_mm: 30 mm is hardly meant")
    assert said[2].startswith("parts.csv:2: overflow_kg: 900 kg is hardly meant")
    assert len(said) == 3
    assert open_workshop(tmp_path).book.moulds["hatch"].thickness_mm == 30


@pytest.mark.parametrize("name", sorted(WRONG))
def test_a_ledger_that_is_wrong_is_taken_as_it_was_last_good(tmp_path: Path, name: str) -> None:
    good = {
        "events.csv": "time,mould,kind,detail\n2026-03-02 08:00,,note,x\n",
        "parts.csv": "shot,part_mass_kg\na,2.5\n",
    }
    assert workshop(tmp_path, **{k.replace(".", "_"): v for k, v in good.items()}) == []
    first = open_with_last_good(tmp_path)
    assert (first.stale, first.lacking, first.stale_sentence()) == ((), (), "")
    (tmp_path / name).write_text(WRONG[name])
    with pytest.raises(WorkshopError):
        open_workshop(tmp_path)
    second = open_with_last_good(tmp_path)
    assert {Path(p.file).name for p in second.stale} == {name} and second.lacking == ()
    assert second.book.digest("hatch") == first.book.digest("hatch")
    assert second.events.equals(first.events) and second.parts.equals(first.parts)
    assert second.stale_sentence().startswith(f"{name} is wrong ({name}, line ")
    assert open_with_last_good(tmp_path).stale == second.stale  # what is wrong is never kept as good


@pytest.mark.parametrize("name", sorted(WRONG))
def test_one_that_was_never_good_is_named_and_the_workshop_opens_for_logs(tmp_path: Path, name: str) -> None:
    workshop(tmp_path)
    (tmp_path / name).write_text(WRONG[name])
    opened = open_with_last_good(tmp_path)
    assert {Path(p.file).name for p in opened.lacking} == {name} and opened.stale == ()


def test_wrong_settings_are_never_passed_over(tmp_path: Path) -> None:
    workshop(tmp_path)
    open_with_last_good(tmp_path)
    (tmp_path / "catchpot.toml").write_text("[workshop]\ntime_zone = 3\n")
    with pytest.raises(WorkshopError):
        open_with_last_good(tmp_path)
