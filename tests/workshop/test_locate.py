"""Line numbers of TOML keys."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from catchpot.workshop.locate import KeyPath, key_lines, line_of

TEXT = '''\
# a comment with [brackets] and "quotes"
title = "a # is no comment in here"   # but this is

[workshop]
name.first = "dotted"
"quoted key" = 1
'bare.dot' = 2

[moulds.hatch-3]
inline = { a = 1, b = { c = [1, 2] } }
long = """
[not.a.table]
key = "value"
""" # end
path = 'C:\\no\\escape'
many = [
  1,  # one
  [2, 3],
  { x = 4 },
]

[[moulds.hatch-3.changes]]
valid_from = 2026-03-01

[[moulds.hatch-3.changes]]
valid_from = 2026-04-01
[moulds.hatch-3.changes.limits]
mass_kg = [1, 2]
'''

LINES: dict[KeyPath, int] = {
    ("title",): 2,
    ("workshop",): 4,
    ("workshop", "name", "first"): 5,
    ("workshop", "quoted key"): 6,
    ("workshop", "bare.dot"): 7,
    ("moulds", "hatch-3"): 9,
    ("moulds", "hatch-3", "inline", "b", "c", 1): 10,
    ("moulds", "hatch-3", "long"): 11,
    ("moulds", "hatch-3", "path"): 15,
    ("moulds", "hatch-3", "many", 0): 17,
    ("moulds", "hatch-3", "many", 1, 1): 18,
    ("moulds", "hatch-3", "many", 2, "x"): 19,
    ("moulds", "hatch-3", "changes", 0): 22,
    ("moulds", "hatch-3", "changes", 1, "valid_from"): 26,
    ("moulds", "hatch-3", "changes", 1, "limits", "mass_kg"): 28,
}


def test_lines_of_all_kinds_of_keys() -> None:
    tomllib.loads(TEXT)
    found = key_lines(TEXT)
    assert {path: found.get(path) for path in LINES} == LINES


def test_a_key_that_is_not_there_points_at_its_table() -> None:
    assert line_of(key_lines(TEXT), ("moulds", "hatch-3", "changes", 1, "thickness_mm")) == 25
    assert line_of(key_lines(TEXT), ("elsewhere",)) == 0


def test_every_key_of_the_parsed_text_has_a_line() -> None:
    def paths(value: Any, at: KeyPath = ()) -> list[KeyPath]:
        if isinstance(value, dict):
            return [p for k, v in value.items() for p in [(*at, k), *paths(v, (*at, k))]]
        if isinstance(value, list):
            return [p for i, v in enumerate(value) for p in [(*at, i), *paths(v, (*at, i))]]
        return []

    found = key_lines(TEXT)
    assert [p for p in paths(tomllib.loads(TEXT)) if p not in found] == []


KEYS = st.text(alphabet="abc-_1", min_size=1, max_size=5)
VALUES = st.one_of(
    st.integers().map(str),
    st.sampled_from(['"a # b"', "'x = 1'", "true", "[1, 2]", "{ q = 1 }", '"""\nx = [\n"""', "1979-05-27"]),
)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(KEYS, st.dictionaries(KEYS, VALUES, min_size=1, max_size=4), min_size=1, max_size=4))
def test_any_text_of_tables(tables: dict[str, dict[str, str]]) -> None:
    text, expected = "", {}
    for table, entries in tables.items():
        text += f"[{table}]\n"
        for key, value in entries.items():
            expected[(table, key)] = text.count("\n") + 1
            text += f"{key} = {value}\n"
    found = key_lines(text)
    assert {k: found[k] for k in expected} == expected
