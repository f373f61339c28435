"""Text that leaves: terminals and spreadsheets are steered by nothing that stood in a log."""

from __future__ import annotations

import doctest
import json
import sys
import unicodedata
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpot import output, plain_text
from catchpot.plain_text import condensed, defused, shown, shown_json

ANY = st.text(st.characters(codec=None), max_size=40)


def test_examples_hold() -> None:
    assert doctest.testmod(plain_text).failed == 0


@given(ANY)
def test_nothing_that_steers_a_terminal_is_left(text: str) -> None:
    out = shown(text)
    assert not {unicodedata.category(c) for c in out} & {"Cc", "Cs", "Zl", "Zp"}
    assert not set(out) & set("\x1b\n\r\x07\x9b\u202e\u2066")
    out.encode()  # halves of characters too are escaped


@given(ANY)
def test_a_json_document_says_the_same(text: str) -> None:
    document = shown_json(json.dumps({"a": text}, ensure_ascii=False, indent=2))
    assert json.loads(document) == {"a": text}
    assert not set(document) & set("\x1b\x9b\u202e")


@given(st.text(st.characters(codec="utf-8"), max_size=20))
def test_no_cell_begins_as_a_formula(text: str) -> None:
    (cell,) = defused(pl.DataFrame({"a": [text]}))["a"]
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    if text and text.isprintable() and text[0] not in "=+-@" and not set(text) & set("\u200e\u200f"):
        assert cell == text


def test_numbers_are_left_alone() -> None:
    frame = pl.DataFrame({"a": [-1.5, None], "b": ["x", None]})
    assert defused(frame).equals(frame)


def test_four_thousand_complaints_are_one_line_and_a_few_stay_as_they_are() -> None:
    many = [f"logs/{i}.csv:{i}: column 'c{i}' is missing" for i in range(4000)]
    few = [f"logs/x{i}.csv: the file is empty" for i in range(10)]
    assert condensed([*many, *few]) == [f"{many[0]} (and 3999 more like it)", *few]


def test_what_others_print_never_gets_into_the_answer(capsys: pytest.CaptureFixture[str]) -> None:
    with output.answers_only(process=False):
        print("a plugin says hello")
        sys.stdout.write("and more")
        output.emit({"a": "\x1b[31m"}, [], as_json=True)
    out, err = capsys.readouterr()
    assert json.loads(out) == {"a": "\x1b[31m"} and "\x1b" not in out
    assert "hello" in err and "and more" in err


def test_names_from_logs_are_escaped_on_both_streams(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    output.emit({}, ["mould \x1b]0;title\x07\nnew line"], as_json=False)
    output.warn([f"{tmp_path}/\x1b[2J.csv: no"])
    out, err = capsys.readouterr()
    assert out == "mould \\x1b]0;title\\x07\\nnew line\n"
    assert "\x1b" not in err and "\\x1b[2J.csv" in err
