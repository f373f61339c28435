"""Errors of others may say anything, or fail to say it: what is shown and kept of them is bounded."""

from __future__ import annotations

import pytest

from catchpot.errors import MOST_WORDS, PluginFault, error_words
from catchpot.run.outcome import Failures, StepOutcome


class MuteError(Exception):
    def __str__(self) -> str:
        raise RuntimeError("no words")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ValueError("no such mould"), "ValueError: no such mould"),
        (ValueError(), "ValueError"),
        (PluginFault("it took too long"), "it took too long"),
        (MuteError(), "MuteError: (its words can't be read)"),
    ],
)
def test_words(error: BaseException, said: str) -> None:
    assert error_words(error) == said


def test_long_words_are_cut_in_their_middle_and_cost_nothing() -> None:
    said = error_words(ValueError("x" * 5_000_000))
    assert len(said) < MOST_WORDS + 60 and "(4999612 characters left out)" in said
    kinds = Failures()
    kinds.add(["a"], said)
    kinds.add(["b", "c"], said, tried=False)
    [line] = kinds.sentences(StepOutcome("odd", "theirs", "shot"))
    assert line.startswith(
        "analysis odd of plugin theirs failed on 3 shots (a, b, c), 2 of them not tried after that: V"
    )
