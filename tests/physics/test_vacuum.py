"""Leak laws, reference states and the two seals told apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpot.physics import vacuum


@pytest.mark.parametrize("law", vacuum.LAWS)
def test_at_the_reference_states_nothing_is_restated(law: vacuum.Law) -> None:
    assert float(vacuum.outer_factor(law, 1013.0, 50.0)) == pytest.approx(1.0)
    assert float(vacuum.inner_factor(law, 550.0, 50.0)) == pytest.approx(1.0)
    assert float(vacuum.cavity_factor(law, 1013.0, 550.0)) == pytest.approx(1.0)


@pytest.mark.parametrize("law", vacuum.LAWS)
@given(st.floats(1.0, 1013.0), st.floats(1.0, 1013.0))
def test_a_leak_turns_round_with_the_pressures(law: vacuum.Law, one: float, other: float) -> None:
    there, back = vacuum.relative_flow(law, one, other), vacuum.relative_flow(law, other, one)
    assert float(there) == pytest.approx(-float(back), abs=1e-6)
    assert float(there) >= 0 if one > other else float(there) <= 0


def test_a_worn_mould_does_not_look_better_than_it_is() -> None:
    # At 200 mbar in the clamp a laminar leak is 3.8 % smaller than at 50 mbar; a choked one is the same.
    assert float(vacuum.outer_factor("laminar", 1013.0, 200.0)) == pytest.approx(1.0381, abs=1e-4)
    assert float(vacuum.outer_factor("choked", 1013.0, 200.0)) == pytest.approx(1.0)


def _holds(law: vacuum.Law, outer: float, inner: float, squeeze: float, cavities: list[float]) -> np.ndarray:
    rates = []
    for cavity in cavities:
        loose = 1.0 + squeeze * (cavity - 550.0) / 463.0
        o = outer * loose / float(vacuum.outer_factor(law, 1013.0, 50.0))
        rates.append(o + inner / float(vacuum.inner_factor(law, cavity, 50.0)))
    return np.array([rates])


@pytest.mark.parametrize("law", vacuum.LAWS)
@pytest.mark.parametrize("squeeze", [0.0, 0.2, 0.3])
def test_the_interval_holds_both_seals_under_every_law(law: vacuum.Law, squeeze: float) -> None:
    cavities = [1013.0, 550.0]
    rate = _holds(law, 0.2, 0.03, squeeze, cavities)
    answer = vacuum.solve_seals(
        rate, np.full((1, 2), 0.003), np.full((1, 2), 1013.0), np.full((1, 2), 50.0), np.array([cavities])
    )
    assert answer.inner_low[0] <= 0.03 <= answer.inner_high[0]
    assert answer.outer_low[0] <= 0.2 <= answer.outer_high[0]


def test_two_holds_cannot_tell_the_law_and_a_third_can() -> None:
    cavities = [1013.0, 780.0, 550.0]
    rate = _holds("laminar", 0.2, 0.1, 0.0, cavities)
    ambient, clamp = np.full((1, 3), 1013.0), np.full((1, 3), 50.0)
    sd = np.full((1, 3), 0.001)
    three = vacuum.solve_seals(rate, sd, ambient, clamp, np.array([cavities]))
    two = vacuum.solve_seals(
        rate[:, [0, 2]], sd[:, [0, 2]], ambient[:, [0, 2]], clamp[:, [0, 2]], np.array([[1013.0, 550.0]])
    )
    assert (two.weight == 1.0).all()
    assert three.weight[0, 0] < 0.05  # the linear law is out
    assert three.inner[0] == pytest.approx(0.1, abs=0.004)
    assert three.inner_high[0] - three.inner_low[0] < 0.5 * (two.inner_high[0] - two.inner_low[0])


@pytest.mark.parametrize("law", ["linear", "laminar", "choked"])
def test_a_hold_as_deep_as_the_clamp_tells_the_law_where_two_holds_do_not(law: vacuum.Law) -> None:
    cavities = [1013.0, 550.0, 60.0]
    rate = _holds(law, 0.25, 0.05, 0.0, cavities)
    states = (np.full((1, 3), 1013.0), np.full((1, 3), 50.0), np.array([cavities]))
    three = vacuum.solve_seals(rate, np.full((1, 3), 0.002), *states)
    two = vacuum.solve_seals(rate[:, :2], np.full((1, 2), 0.002), *(s[:, :2] for s in states))
    assert three.inner[0] == pytest.approx(0.05, abs=0.004)
    assert three.inner_low[0] <= 0.05 <= three.inner_high[0]
    assert two.inner_low[0] <= 0.05 <= two.inner_high[0]
    assert three.inner_high[0] - three.inner_low[0] < two.inner_high[0] - two.inner_low[0]


def test_a_linear_inner_leak_and_a_squeezed_outer_seal_look_alike_in_any_holds() -> None:
    cavities = [1013.0, 780.0, 550.0, 60.0]
    states = (np.full((1, 4), 1013.0), np.full((1, 4), 50.0), np.array([cavities]))
    squeezed = vacuum.solve_seals(_holds("linear", 0.25, 0.0, 0.2, cavities), np.full((1, 4), 0.002), *states)
    assert squeezed.inner_low[0] == 0.0
    assert squeezed.inner_high[0] > 0.04


def test_what_scatters_in_all_holds_of_a_shot_alike_cancels_between_them() -> None:
    # Two shots of two holds; the second shot leaks a fifth more throughout. Independent errors of a fifth would hide
    # the inner seal; errors common to a shot do not.
    plain = _holds("linear", 0.2, 0.05, 0.0, [1013.0, 550.0])
    rate = np.concatenate([plain, 1.2 * plain], axis=1)
    states = (np.full((1, 4), 1013.0), np.full((1, 4), 50.0), np.tile([1013.0, 550.0], 2)[None, :])
    same = np.kron(np.eye(2), np.ones((2, 2)))
    own = 0.003**2 * np.eye(4)
    covariance = (own + 0.2**2 * same * np.outer(rate[0], rate[0]))[None]
    alone = vacuum.solve_seals(rate, np.sqrt(0.003**2 + (0.2 * rate) ** 2), *states)
    together = vacuum.solve_seals(rate, np.full((1, 4), 0.003), *states, covariance=covariance)
    assert together.spread_inner[0, 0] < 0.5 * alone.spread_inner[0, 0]
    assert together.inner[0] == pytest.approx(0.055, abs=0.01)


def test_one_cavity_state_tells_nothing() -> None:
    answer = vacuum.solve_seals(
        np.array([[0.2, 0.21], [0.2, np.nan]]), np.full((2, 2), 0.003), np.full((2, 2), 1013.0), np.full((2, 2), 50.0),
        np.array([[550.0, 560.0], [550.0, np.nan]]),
    )  # fmt: skip
    assert np.isnan(answer.outer).all()
    assert np.isnan(answer.inner_low).all()


def test_covariance_against_repeated_holds() -> None:
    rng = np.random.default_rng(3)
    rate = _holds("linear", 0.2, 0.03, 0.0, [1013.0, 550.0]) + rng.normal(0.0, 0.004, (4000, 2))
    answer = vacuum.solve_seals(
        rate, np.full((4000, 2), 0.004), np.full((4000, 2), 1013.0), np.full((4000, 2), 50.0),
        np.tile([1013.0, 550.0], (4000, 1)), squeeze=(0.0,),
    )  # fmt: skip
    assert answer.inner.std() == pytest.approx(float(np.median(answer.spread_inner[:, 0])), rel=0.05)
    assert answer.inner.mean() == pytest.approx(0.03, abs=0.0005)


def test_hold_time_against_the_slope_it_stands_for() -> None:
    seconds = float(vacuum.hold_time_s(0.01, 0.5, 4.0, 0.8))
    rng = np.random.default_rng(4)
    t = np.arange(0.0, seconds, 0.25)
    slopes = [np.polyfit(t, rng.normal(0.0, 0.5, len(t)), 1)[0] for _ in range(2000)]
    assert np.sqrt(2.0) * 0.8 * np.std(slopes) / (463.0 / 500.0) == pytest.approx(0.01, rel=0.08)
