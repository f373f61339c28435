"""Least squares against NIST's Statistical Reference Datasets (certified values; rows of Norris from memory, all digits
reproduced; rows of Longley and Michelson read in a stored copy).

Certified values are quoted to fifteen digits; how many a double-precision program keeps is the test.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catchpot.stats.regress import fit_linear

DATA = Path(__file__).parent / "data"


def _rows(name: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    text = [line for line in (DATA / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return np.array([[float(v) for v in line.split(",")] for line in text[1:]])


def test_r1_norris() -> None:
    """A line through 36 points, lower difficulty: certified."""
    y, x = _rows("strd_norris.csv").T
    fit = fit_linear(np.stack([np.ones_like(x), x], axis=1), y)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-12)
    assert fit.standard_errors == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-11)
    assert float(fit.residual_sd) == pytest.approx(0.884796396144373, rel=1e-11)


def test_r2_longley() -> None:
    """Six regressors that nearly span each other, higher difficulty: certified."""
    rows = _rows("strd_longley.csv")
    design = np.column_stack([np.ones(len(rows)), rows[:, 1:]])
    fit = fit_linear(design, rows[:, 0])
    certified = [
        -3482258.63459582, 15.0618722713733, -0.358191792925910e-1, -2.02022980381683, -1.03322686717359,
        -0.511041056535807e-1, 1829.15146461355,
    ]  # fmt: skip
    assert fit.coefficients == pytest.approx(certified, rel=1e-8)
    assert float(fit.residual_sd) == pytest.approx(304.854073561965, rel=1e-9)


def test_r3_michelson_as_a_regression_on_a_constant() -> None:
    """Mean and s.d. of 100 velocities: certified."""
    y = _rows("strd_michelson.csv")[:, -1]
    fit = fit_linear(np.ones((len(y), 1)), y)
    assert fit.coefficients[0] == pytest.approx(299.8524, rel=1e-12)
    assert float(fit.residual_sd) == pytest.approx(0.0790105478190518, rel=1e-9)


def test_r4_wampler_polynomial() -> None:
    """y = 1 + x + ... + x^5 at 0 to 20: every coefficient is 1 (certified, exact)."""
    x = np.arange(21.0)
    design = np.stack([x**i for i in range(6)], axis=1)
    fit = fit_linear(design, design.sum(axis=1))
    assert fit.coefficients == pytest.approx(np.ones(6), rel=1e-7)


def test_a_batch_is_its_shots() -> None:
    """A batch of Norris and a shifted Norris gives what each gives alone (own check)."""
    y, x = _rows("strd_norris.csv").T
    design = np.stack([np.ones_like(x), x], axis=1)
    both = fit_linear(np.stack([design, design]), np.stack([y, y + 3.0]), np.stack([np.ones_like(y)] * 2))
    assert both.coefficients[0] == pytest.approx(fit_linear(design, y).coefficients, rel=1e-12)
    assert both.coefficients[1] - both.coefficients[0] == pytest.approx([3.0, 0.0], abs=1e-9)
