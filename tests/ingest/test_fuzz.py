"""A slice of the study of damaged files."""

from __future__ import annotations

from tests.studies.harness import slice_of
from tests.studies.study_fuzz import LOST


def test_damaged_files_raise_nothing_lose_nothing_and_change_no_volume_unsaid() -> None:
    frame = slice_of("fuzz")
    assert frame["errors"].sum() == 0, frame["first error"].to_list()
    logs = frame.filter(kind="log")
    assert logs["cases"][0] == 60 and 0 < logs["refused"][0] < 60
    for name in LOST:
        assert logs[name][0] == 0, name
