"""Notes in the ledgers: every line stays as people wrote it, one row comes or changes, and it can be taken back."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpot.answers import closing, read_closing
from catchpot.events import KINDS, answering
from catchpot.workshop import init_workshop, open_workshop
from catchpot.workshop.ledgers import parse_time
from catchpot.workshop.notes import KEPT, NoteError, add_events, local_text, set_part, undo

AT = datetime(2026, 8, 7, 13, 30, 5, tzinfo=UTC)
LEDGERS = {
    "plain": b'time,mould,kind,detail\n2026-03-02 08:00,hatch,note,"a, b"\n',
    "as a spreadsheet saves it": b"\xef\xbb\xbftime;mould;by;kind;detail\r\n2026-03-02 08:00;hatch;Ann;note;x\r\n",
    "without a last line end": b"time,kind\n2026-03-02 08:00,note",
    "with comments": b"time,mould,kind,detail\n# nothing here yet\n",
}


def test_a_note_waits_for_another_and_not_for_one_who_was_killed(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("catchpot.workshop.notes._LOCKED_S", 0.2)
    workshop = open_workshop(home)
    event = (AT, "tub-2", "mould_cleaned", "")
    hold = (
        "import sys, time\nfrom pathlib import Path\nfrom catchpot.workshop import notes\n"
        "with notes._alone(Path(sys.argv[1])):\n    print('held', flush=True)\n    time.sleep(600)\n"
    )
    other = subprocess.Popen([sys.executable, "-c", hold, str(home)], stdout=subprocess.PIPE, text=True)
    assert other.stdout is not None and other.stdout.readline() == "held\n"
    with pytest.raises(NoteError, match="somebody else is noting just now; try again"):
        add_events(workshop, [event])
    other.kill()
    other.communicate()
    assert add_events(workshop, [event])[0].row.endswith("mould_cleaned,")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "catchpot.toml").write_text('[workshop]\ntime_zone = "Europe/Lisbon"\n')
    (tmp_path / "moulds.toml").write_text("[moulds.hatch]\nthickness_mm = 3.0\n")
    return tmp_path


@pytest.mark.parametrize("kind", sorted(LEDGERS))
def test_an_event_is_added_to_a_ledger_of_any_dialect_and_taken_back(home: Path, kind: str) -> None:
    path = home / "events.csv"
    path.write_bytes(LEDGERS[kind])
    before = open_workshop(home).events.height
    (noted,) = add_events(open_workshop(home), [(AT, "hatch", "seal_replaced", "outer")])
    events = open_workshop(home).events
    assert events.height == before + 1
    assert events.row(-1, named=True) == {
        "row": noted.line, "time": AT, "mould": "hatch", "kind": "seal_replaced", "detail": "outer",
    }  # fmt: skip
    if "mould" in LEDGERS[kind].decode("utf-8-sig").splitlines()[0]:
        assert path.read_bytes().startswith(LEDGERS[kind])
    undo(home)
    assert path.read_bytes() == LEDGERS[kind]


def test_a_part_s_row_changes_and_every_other_byte_stays(home: Path) -> None:
    path = home / "parts.csv"
    text = b"shot,shift,overflow_kg\r\na,early,0.1\r\nb,late,0.2\r\n"
    path.write_bytes(text)
    noted = set_part(open_workshop(home), "a", {"overflow_kg": "0.14"})
    assert (noted.line, noted.before) == (2, "a,early,0.1")
    assert path.read_bytes() == text.replace(b"0.1\r", b"0.14\r")
    set_part(open_workshop(home), "b", {"verdict": "rework", "remark": "dry, at the corner"})
    assert path.read_text().splitlines()[0] == "shot,shift,overflow_kg,verdict,remark"
    assert path.read_text().splitlines()[2] == 'b,late,0.2,rework,"dry, at the corner"'
    set_part(open_workshop(home), "c", {"verdict": "good"})
    parts = {r["shot"]: r for r in open_workshop(home).parts.to_dicts()}
    assert (parts["a"]["overflow_kg"], parts["b"]["remark"], parts["c"]["verdict"]) == (
        0.14,
        "dry, at the corner",
        "good",
    )
    for _ in range(3):
        undo(home)
    assert path.read_bytes() == text
    with pytest.raises(NoteError, match="no note"):
        undo(home)


def test_what_was_changed_by_hand_since_is_not_taken_back(home: Path) -> None:
    add_events(open_workshop(home), [(AT, "hatch", "note", "x")])
    path = home / "events.csv"
    path.write_text(path.read_text() + "2026-08-08 08:00,,note,by hand\n")
    with pytest.raises(NoteError, match="changed by hand"):
        undo(home)
    assert "by hand" in path.read_text() and ",hatch,note,x" in path.read_text()


def test_a_file_that_was_not_there_goes_again_and_only_so_many_notes_are_kept(home: Path) -> None:
    add_events(open_workshop(home), [(AT, "hatch", "note", "x")])
    undo(home)
    assert not (home / "events.csv").exists()
    for i in range(KEPT + 3):
        add_events(open_workshop(home), [(AT, "hatch", "note", str(i))])
    for _ in range(KEPT):
        undo(home)
    assert open_workshop(home).events["detail"].to_list() == ["0", "1", "2"]
    with pytest.raises(NoteError):
        undo(home)


def test_a_ledger_that_cannot_be_read_is_not_written_to(home: Path) -> None:
    shop = open_workshop(home)
    (home / "events.csv").write_bytes(b"time,mould,knid\n2026-03-02,,x\n")
    with pytest.raises(NoteError, match="kind"):
        add_events(shop, [(AT, "hatch", "note", "x")])
    assert (home / "events.csv").read_bytes() == b"time,mould,knid\n2026-03-02,,x\n"


@given(st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC)))  # noqa: DTZ001  # naive bounds are asked for
def test_a_written_time_is_read_back(when: datetime) -> None:
    zone = ZoneInfo("Europe/Lisbon")
    assert parse_time(local_text(when, zone), zone) == when.replace(microsecond=0)


@given(st.text("abc-0129 ", min_size=1).filter(str.strip), st.text("AB. ", min_size=1).filter(str.strip))
def test_a_closing_is_read_back(anchor: str, name: str) -> None:
    assert read_closing(closing(anchor.strip(), name, "it was good")) == (anchor.strip(), name.strip(), "it was good")


def test_the_starter_s_ledgers_show_every_kind_and_read_as_empty(tmp_path: Path) -> None:
    init_workshop(tmp_path)
    assert open_workshop(tmp_path).events.is_empty() and open_workshop(tmp_path).parts.is_empty()
    path = tmp_path / "events.csv"
    text = path.read_text()
    for kind in KINDS:
        assert f",{kind}," in text
    # without the hashes every example is a row that is read
    rows = [x.removeprefix("# ") for x in text.splitlines() if x.startswith("# 2026")]
    path.write_text("\n".join([text.splitlines()[0], *rows]) + "\n")
    opened = open_workshop(tmp_path)
    assert opened.set_aside == () and set(opened.events["kind"]) == set(KINDS)


def test_what_answers_a_finding_is_told_by_the_one_table() -> None:
    assert answering("outer_seal_leak") == (("seal_replaced", "outer"), ("seal_reseated", "outer"))
    assert "outer_seal_leak" not in KINDS["seal_replaced"].answered("inner")
    assert {"outer_seal_leak", "inner_seal_leak"} <= set(KINDS["seal_reseated"].answered("both"))
    assert KINDS["meter_checked"].answered("injector-1 1.03") == ()
