"""Pages are written whole or not at all, over nobody else's files, and only what was written here is swept out."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest

from catchpot.report.blocks import slug, slugs
from catchpot.report.pages import GENERATOR, LIST, Footer, PageError, Pages
from catchpot.whole import MARK, WriteError, whole, write_whole

FOOTER = Footer("", "", "", "0", "")


def pages(out: Path) -> Pages:
    return Pages(out, "W", "UTC", FOOTER)


def a_page(made: Pages, name: str) -> None:
    made.write(name, "tables.html", name, tables=[])


def test_only_pages_of_the_report_before_are_swept_out(tmp_path: Path) -> None:
    first = pages(tmp_path)
    for name in ("index.html", "moulds/a.html"):
        a_page(first, name)
    first.finish()
    (tmp_path / "kept.html").write_text((tmp_path / "moulds/a.html").read_text())  # someone's copy of a page
    (tmp_path / "notes.txt").write_text("mine")
    assert (tmp_path / "moulds").is_dir()
    second = pages(tmp_path)
    a_page(second, "index.html")
    second.finish()
    assert {p.name for p in tmp_path.glob("*.html")} == {"index.html", "kept.html"}
    assert not (tmp_path / "moulds").exists()
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_page_that_came_out_the_same_but_for_its_stamp_is_left(tmp_path: Path) -> None:
    def report(made_at: str, text: str) -> Pages:
        made = Pages(tmp_path, "W", "UTC", Footer("", "", "", "0", "", made_at))
        made.begin()
        a_page(made, "index.html")
        made.put("moulds/a.html", f'<!doctype html>{GENERATOR}<p>{text}</p><p id="stamp">{made_at}</p>')
        made.finish()
        return made

    first = report("yesterday", "one")
    assert "moulds/a.html" in first.rewritten
    assert report("today", "one").rewritten == []
    assert "yesterday" in (tmp_path / "moulds/a.html").read_text()
    assert report("today", "two").rewritten == ["moulds/a.html"]
    assert "today" in (tmp_path / "moulds/a.html").read_text()
    (tmp_path / "moulds/a.html").unlink()
    assert report("later", "two").rewritten == ["moulds/a.html"]


def test_nothing_takes_its_place_before_all_is_made(tmp_path: Path) -> None:
    made = pages(tmp_path)
    made.begin()
    a_page(made, "index.html")
    assert not (tmp_path / "index.html").exists()
    made.aside.drop()
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_a_list_that_points_outside_removes_nothing(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (tmp_path / "page.html").write_text(f"{GENERATOR} not of this report")
    (out / LIST).write_text(json.dumps({"pages": {"../page.html": {}, "a/../../page.html": {}}}))
    made = pages(out)
    a_page(made, "index.html")
    made.finish()
    assert (tmp_path / "page.html").exists()


def test_another_ones_page_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text("<title>mine</title>")
    with pytest.raises(PageError, match="is no page of catchpot") as told:
        pages(tmp_path).begin()
    assert told.value.status == 2
    assert (tmp_path / "index.html").read_text() == "<title>mine</title>"
    assert [p.name for p in tmp_path.iterdir()] == ["index.html"]


def test_a_folder_that_is_a_file_is_said(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x")
    with pytest.raises(WriteError, match="the folder can't be made"):
        pages(tmp_path / "out").begin()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EFBIG, errno.EDQUOT, errno.EIO])
def test_a_write_that_breaks_off_leaves_what_was_there(tmp_path: Path, number: int) -> None:
    path = tmp_path / "a.html"
    write_whole(path, "before")
    with (
        pytest.raises(WriteError, match=r"a\.html: can't be written: .*What was there before is untouched"),
        whole(path) as fresh,
    ):
        fresh.write_text("half")
        raise OSError(number, "no")
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["a.html"]


def test_what_a_killed_program_left_goes_with_the_next_writing(tmp_path: Path) -> None:
    (tmp_path / f".a.html.12345{MARK}").write_text("half")
    write_whole(tmp_path / "a.html", "whole")
    assert [p.name for p in tmp_path.iterdir()] == ["a.html"]


def test_slugs_are_bounded_and_no_two_alike() -> None:
    names = ["Hatch 3", "hatch-3", "HATCH 3", 300 * "a", 299 * "a" + "b", "日本", "中文"]
    made = slugs(names)
    assert len(set(made.values())) == len(names)
    assert all(len(s) <= 90 for s in made.values())
    assert len(slug(10_000 * "ä")) == 1 and len(slug(10_000 * "x")) == 80


def test_no_page_makes_a_workshop_that_is_gone(tmp_path: Path) -> None:
    home = tmp_path / "gone"
    with pytest.raises(PageError, match="the workshop's folder is not there any more"):
        Pages(home / "reports", "W", "UTC", FOOTER, home).begin()
    assert not home.exists()
