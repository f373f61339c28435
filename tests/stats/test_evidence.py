"""The evidence of a change: against plain regressions, and in blocks as at once."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot.stats import evidence
from catchpot.stats.evidence import Scan, change_evidence, clip_lone_shots


def test_odds_of_one_date_against_two_regressions() -> None:
    # The odds of a step of prior size g sigma at a date: ratio of marginal likelihoods of two linear models.
    rng = np.random.default_rng(3)
    n, at, scan = 50, 30, Scan(trend_share=1e-12)
    beside = rng.normal(size=(n, 2))
    y = rng.normal(size=n) + beside @ [0.5, -0.3] + 1.5 * (np.arange(n) >= at)
    design = np.column_stack([np.ones(n), beside])
    step = (np.arange(n) >= at).astype(float)

    def rest(v: np.ndarray) -> np.ndarray:
        return np.asarray(v - design @ np.linalg.lstsq(design, v, rcond=None)[0])

    left, y_left = rest(step), rest(y)
    size = scan.size**2 * float(left @ left)
    share = size / (1 + size) * float(left @ y_left) ** 2 / float(left @ left) / float(y_left @ y_left)
    expected = -0.5 * np.log1p(size) - 0.5 * (n - 3) * np.log1p(-share)
    found = change_evidence(y[None, :], beside, scan).by_date_step[0, -1, n - scan.after - at]
    assert found == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("rho", [0.0, 0.5])
def test_blocks_give_what_the_whole_gives(rho: float, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    y = rng.normal(size=(2, 500))
    beside = (np.arange(500)[:, None] // 60 == np.arange(1, 9)).astype(float)
    whole = change_evidence(y, beside, rho=rho)
    monkeypatch.setattr(evidence, "BLOCK", 90)
    blocks = change_evidence(y, beside, rho=rho)
    assert blocks.log_odds == pytest.approx(whole.log_odds, abs=1e-6)
    last = change_evidence(y, beside, rho=rho, last_only=True)
    assert last.log_odds[:, -1] == pytest.approx(whole.log_odds[:, -1], abs=1e-6)


def test_what_lies_beside_is_no_evidence() -> None:
    rng = np.random.default_rng(6)
    batch = (np.arange(80) >= 40).astype(float)[:, None]
    y = rng.normal(size=80) + 8 * batch[:, 0]
    assert change_evidence(y[None, :]).log_odds[0, -1] > 20
    assert change_evidence(y[None, :], batch).log_odds[0].max() < 5


def test_lone_shots_are_clipped_and_steps_are_not() -> None:
    rng = np.random.default_rng(7)
    y = np.concatenate([rng.normal(0, 1, 30), rng.normal(8, 1, 30)])
    y[15] = 40.0
    clipped = clip_lone_shots(y[None, :], centred=True)[0]
    assert clipped[15] < 10
    assert clipped[30:] == pytest.approx(y[30:])
