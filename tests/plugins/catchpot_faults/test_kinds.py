"""Each kind of fault names the curve its own model makes, and every kind keeps to what the judge relies on."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from tests.plugins.catchpot_faults.by_hand import OF_CURVE, SHARE, Floats, found_last, judged_last
from tests.plugins.catchpot_faults.made import DECLARED, Judged

from catchpot_faults.decide import Odds
from catchpot_faults.found import Found
from catchpot_faults.hypothesis import Evidence, Look, forget, kinds, problems, register
from catchpot_faults.shots import collect

USUAL: Floats = 0.3 + SHARE**0.8 + 0.5 * np.exp(-(((SHARE - 0.95) / 0.02) ** 2))
TIME: Floats = 100.0 * SHARE**2
STEP = np.where(SHARE > 0.5, 0.5, 0.0)
"""Half of the whole resistance at the middle, added at one moment."""
CURVES: dict[str, Callable[[], Floats]] = {
    "flow_restriction": lambda: USUAL + STEP,
    "early_gel": lambda: USUAL * np.exp(np.maximum(TIME - 30.0, 0.0) / 40.0),
    "race_tracking": lambda: USUAL * (1 - 0.35 * np.clip((SHARE - 0.2) / 0.4, 0.0, 1.0)),
    "cover_lifting": lambda: USUAL * np.where(SHARE > 0.45, 0.6, 1.0),
    "unusual_shape": lambda: USUAL * (1 + 0.3 * np.exp(-(((SHARE - 0.5) / 0.05) ** 2))),
}


@pytest.mark.parametrize("kind", sorted(CURVES))
def test_a_curve_is_named_by_the_model_that_made_it(kind: str) -> None:
    found = found_last(CURVES[kind](), USUAL, TIME)
    assert [f.found.kind for f in found][:1] == [kind]
    assert found[0].chance > 0.9


def test_place_and_size_come_back() -> None:
    (step,) = found_last(CURVES["flow_restriction"](), USUAL, TIME)
    assert step.parameter["at"] == pytest.approx(0.5, abs=0.03)
    assert step.parameter["added"] == pytest.approx(0.5 / float(np.interp(0.5, SHARE, USUAL)), rel=0.4)
    (gel,) = found_last(CURVES["early_gel"](), USUAL, TIME)
    assert gel.parameter["efold_s"] == pytest.approx(40.0, rel=0.35)


@pytest.mark.parametrize("level", [0.85, 1.0, 1.15])
def test_a_level_that_wanders_is_no_fault(level: float) -> None:
    judged = judged_last(level * USUAL, USUAL, TIME)
    assert judged.findings[-1] == []
    assert judged.chance_healthy[-1] > 0.8


def test_a_curve_that_stops_early_is_judged_by_its_part() -> None:
    part = np.where(SHARE < 0.55, CURVES["race_tracking"](), np.nan)
    assert [f.found.kind for f in found_last(part, USUAL, TIME)] == ["race_tracking"]
    assert found_last(np.where(SHARE < 0.55, USUAL, np.nan), USUAL, TIME) == []


class Pulse:
    """A kind from outside: resistance twice as high on a known stretch."""

    name = "pulse"
    channels = frozenset({"curve"})
    spoils: frozenset[str] = frozenset()
    one_in = 100.0
    settles = "Ask."

    def evidence(self, look: Look) -> Evidence:
        """One shape, one size."""
        from catchpot.stats.healthy_curve import GRID

        shape = np.where((GRID > 0.6) & (GRID < 0.7), np.log(2.0), 0.0)[None]
        ratio, _, _ = look.curve(shape)
        return Evidence({"curve": ratio}, deformation=np.repeat(shape, len(look.rows), axis=0))

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """In words."""
        return Found(self.name, "watch", "A pulse.", "Nothing.")


def test_a_kind_from_outside_competes_with_ours() -> None:
    curve = USUAL * np.where((SHARE > 0.6) & (SHARE < 0.7), 2.0, 1.0)
    assert "pulse" not in [f.found.kind for f in found_last(curve, USUAL, TIME)]
    try:
        register(Pulse())
        found = judged_last(curve, USUAL, TIME, (*OF_CURVE, "pulse")).findings[-1]
        assert found[0].found.kind == "pulse"
        assert found[0].chance > 0.9
    finally:
        forget("pulse")


def test_a_name_is_given_once_and_a_kind_is_whole() -> None:
    class RaceTracking(Pulse):
        name = "race_tracking"

    with pytest.raises(ValueError, match="registered already"):
        register(RaceTracking())
    with pytest.raises(ValueError, match="lacks a member"):
        register(object())  # type: ignore[arg-type]  # that is the test


def look_of(judged: Judged) -> Look:
    """The last shots of the made-up mould beside the ones before."""
    from catchpot.testing import made_up as mu
    from catchpot_faults.analysis import Faults
    from catchpot_faults.judge import judge

    job = mu.job(Faults(), judged.tables, judged.book, ["bow"], declared=DECLARED)
    shots = collect(job, "bow")
    assert shots is not None
    with np.errstate(divide="ignore", invalid="ignore"):
        last = judge(shots, kinds(), Odds()).last
    assert last is not None
    return last


def test_every_kind_conforms(judged: Judged) -> None:
    look = look_of(judged)
    with np.errstate(divide="ignore", invalid="ignore"):
        said = {name: problems(kind, look) for name, kind in kinds().items()}
    assert said == {name: [] for name in kinds()}
    assert len(said) >= 16
    with np.errstate(divide="ignore", invalid="ignore"):
        assert problems(Pulse(), look) == []


def test_the_conformance_check_sees_what_is_wrong(judged: Judged) -> None:
    class Wrong(Pulse):
        one_in = 0.5

        def evidence(self, look: Look) -> Evidence:
            return Evidence({"smell": np.full(len(look.rows) + 1, np.nan)})

    class Leaning(Pulse):
        def evidence(self, look: Look) -> Evidence:
            return Evidence({"curve": np.full(len(look.rows), float(len(look.rows)))})

    look = look_of(judged)
    text = " ".join(problems(Wrong(), look))
    assert "not among its channels" in text and "one finite number a shot" in text and "one_in" in text
    assert any("shots beside it" in p for p in problems(Leaning(), look))
