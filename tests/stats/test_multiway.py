"""Curves against a mould's usual ones: limits and false alarms."""

from __future__ import annotations

import numpy as np
import pytest
from tests.stats.healthy_curves import healthy

from catchpot.stats import multiway, multiway_limits


def test_left_out_judgement_equals_models_made_one_by_one() -> None:
    curves = healthy(14, 25, 3)
    model = multiway.fit_multiway(curves)
    z = (curves - model.mean) / model.scale
    for i in (0, 5, 13):
        rest = np.delete(z, i, axis=0)
        centred = rest - rest.mean(axis=0)
        _, s, vt = np.linalg.svd(centred, full_matrices=False)
        a = model.components
        score = vt[:a] @ (z[i] - rest.mean(axis=0))
        t2 = np.sum(score**2 / (s[:a] ** 2 / (len(rest) - 1)))
        q = np.sum((z[i] - rest.mean(axis=0) - score @ vt[:a]) ** 2)
        assert np.isclose(model.t2_left_out[i], t2)
        assert np.isclose(model.q_left_out[i], q)


@pytest.mark.parametrize("n", [16, 24, 48])
def test_false_alarms_of_new_shots_stay_near_the_promise(n: int) -> None:
    alarms = []
    for seed in range(60):
        curves = healthy(n + 20, 60, 100 + seed)
        model = multiway.fit_multiway(curves[:n])
        t2, q, _ = model.judge(curves[n:])
        t2_limit, q_limit = model.limits(0.99)
        alarms.append(np.mean((t2 > t2_limit) | (q > q_limit)))
    assert np.mean(alarms) < 0.04  # two limits of 1 % each, and few shots to set them by


def test_reference_residuals_would_cry_wolf() -> None:
    """Why the limit stands on left-out shots: the limit from the model's own residuals is far too low."""
    curves = healthy(60, 60, 21)
    model = multiway.fit_multiway(curves[:12])
    _, q, _ = model.judge(curves[12:])
    own = multiway_limits.q_limit_jackson_mudholkar(model.residual_eigenvalues, 0.99)
    assert np.mean(q > own) > 0.2
    assert np.mean(q > model.limits(0.99)[1]) < 0.1


def test_an_odd_stretch_is_found_where_it_is() -> None:
    curves = healthy(40, 50, 8)
    model = multiway.fit_multiway(curves[:39])
    odd = curves[39].copy()
    odd[30:35] += 1.0
    _, q, parts = model.judge(odd)
    assert q[0] > model.limits(0.999)[1]
    assert set(np.argsort(parts[0])[-5:]) == set(range(30, 35))


def test_missing_points_do_not_make_a_healthy_shot_odd() -> None:
    curves = healthy(60, 50, 9)
    model = multiway.fit_multiway(curves[:40])
    cut = curves[40:].copy()
    cut[:, 40:] = np.nan
    t2, q, parts = model.judge(cut)
    t2_limit, q_limit = model.limits(0.999)
    assert np.all(t2 < t2_limit) and np.all(q < q_limit)
    assert np.all(parts[:, 40:] == 0)
    nothing = model.judge(np.full((1, 50), np.nan))
    assert np.isnan(nothing[0][0]) and np.isnan(nothing[1][0])


def test_bootstrap_measures_a_rate_near_the_truth() -> None:
    share, low, high, judged = multiway.bootstrap_false_alarms(healthy(40, 40, 11), 0.95, draws=20)
    assert judged == 200
    assert low <= share <= high
    assert share < 0.2
    wild = healthy(40, 40, 12)
    wild[::4] += np.random.default_rng(0).normal(0, 3, (10, 40))
    assert multiway.bootstrap_false_alarms(wild, 0.95, draws=20)[0] > share


def test_quick_bootstrap_agrees_with_the_slow_one() -> None:
    for seed in range(3):
        curves = healthy(40, 40, 30 + seed)
        model = multiway.fit_multiway(curves)
        quick, low, high = multiway.left_out_false_alarms(model, 0.95)
        slow, *_ = multiway.bootstrap_false_alarms(curves, 0.95, draws=20)
        assert low <= quick <= high
        assert abs(quick - slow) < 0.08


def test_too_few_or_gappy_references_are_refused() -> None:
    with pytest.raises(ValueError, match="needs 8 shots"):
        multiway.fit_multiway(healthy(7, 20, 1))
    gappy = healthy(10, 20, 1)
    gappy[0, 0] = np.nan
    with pytest.raises(ValueError, match="no gaps"):
        multiway.fit_multiway(gappy)
    with pytest.raises(ValueError, match="more reference shots"):
        multiway_limits.t2_limit_new(3, 3, 0.99)
    with pytest.raises(ValueError, match="more reference shots"):
        multiway_limits.t2_limit_reference(4, 3, 0.99)


def test_constant_curves_make_limits_without_dividing_by_nothing() -> None:
    model = multiway.fit_multiway(np.ones((10, 5)))
    t2, q, _ = model.judge(np.ones((1, 5)))
    assert np.isclose(t2[0], 0) and np.isclose(q[0], 0)
    assert multiway_limits.q_limit_jackson_mudholkar([0.0], 0.99) == 0.0
    assert multiway_limits.q_limit_box(0.0, 0.0, 0.99) == 0.0
    assert multiway_limits.q_limit_box(2.0, 0.0, 0.99) == 2.0
