"""Compiled templates are kept where only the user can write, or not at all."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from catchpot.report.compiled import cache_folder, compiled_templates, environment
from catchpot.report.pages import Footer, Pages


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    yield
    environment.cache_clear()


def rendered(out: Path) -> str:
    """A page as another process would draw it."""
    environment.cache_clear()
    pages = Pages(out, "Works", "UTC", Footer("", "", "", "1", ""))
    return pages.render("tables.html", "tables.html", "What the columns mean", tables=[])


def test_a_second_process_finds_what_the_first_compiled_and_draws_the_same(tmp_path: Path) -> None:
    first = rendered(tmp_path)
    kept = {p.name: p.read_bytes() for p in cache_folder().iterdir()}
    assert kept and "<html" in first
    assert rendered(tmp_path) == first
    assert {p.name: p.read_bytes() for p in cache_folder().iterdir()} == kept


def test_a_file_that_is_no_compiled_template_is_not_believed(tmp_path: Path) -> None:
    first = rendered(tmp_path)
    for path in cache_folder().iterdir():
        path.write_bytes(b"no template")
    assert rendered(tmp_path) == first


def test_a_folder_that_others_may_write_to_is_not_used() -> None:
    folder = cache_folder()
    folder.mkdir(parents=True, mode=0o700)
    assert compiled_templates() is not None
    folder.chmod(0o777)
    assert compiled_templates() is None


def test_a_link_to_somewhere_else_is_not_followed(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    cache_folder().parent.mkdir(parents=True)
    cache_folder().symlink_to(elsewhere)
    assert compiled_templates() is None


def test_nothing_is_kept_where_python_keeps_no_compiled_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert compiled_templates() is None
    assert not cache_folder().exists()


def test_a_home_that_is_no_folder_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert compiled_templates() is None
