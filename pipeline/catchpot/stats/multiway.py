"""How far a whole curve lies from a mould's healthy ones: multiway PCA, its limits, and how often it would cry wolf.

Rows are shots, columns are points of the curve (all channels side by side: the batch is unfolded, Nomikos and
MacGregor 1994, AIChE J 40:1361).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from catchpot.stats.multiway_limits import q_limit_of_sample, t2_limit_new

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Multiway:
    """A multiway PCA model of a mould's healthy curves.

    mean, scale: (points,) of the unfolded curves. loadings: (A, points). variance: (A,) of the scores.
    n: reference shots. t2_left_out, q_left_out: (n,) each reference shot judged by the model made without it.
    """

    mean: Floats
    scale: Floats
    loadings: Floats
    variance: Floats
    residual_eigenvalues: Floats
    n: int
    t2_left_out: Floats
    q_left_out: Floats

    @property
    def components(self) -> int:
        """Number of components kept."""
        return int(self.loadings.shape[0])

    def judge(self, curves: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """T2 (shots,), squared residual (shots,) and its share by point (shots, points); NaN points are left out.

        A shot with missing points has its scores fitted on the points it has, and its squared residual scaled up to
        all of them.
        """
        x = (np.atleast_2d(np.asarray(curves, dtype=np.float64)) - self.mean) / self.scale
        known = np.isfinite(x)
        score = np.where(known, x, 0.0) @ self.loadings.T
        noise = float(self.residual_eigenvalues.sum()) / x.shape[1]
        for i in np.flatnonzero(~known.all(axis=1)):
            # Conditional mean: a score that the known part of the curve barely shows stays near the mean.
            basis = self.loadings[:, known[i]]
            score[i] = np.linalg.solve(basis @ basis.T + np.diag(noise / self.variance), basis @ x[i, known[i]])
        parts = np.where(known, x - score @ self.loadings, 0.0) ** 2
        number = known.sum(axis=1)
        seen = np.where(number > 0, number, np.nan)
        t2 = np.where(number > 0, np.sum(score**2 / self.variance, axis=1), np.nan)
        q = parts.sum(axis=1) * x.shape[1] / seen
        return t2, q, parts

    def limits(self, chance: float) -> tuple[float, float]:
        """Limits of T2 and of the squared residual for a **new** shot, each held with that chance by a healthy one.

        The squared residual's limit is Box's form on the left-out reference shots: residuals of the shots the model
        was made from are too small (by half, at 20 shots), and would cry wolf. T2's is the new-batch form, or Box's
        form on the left-out ones where that is higher (scores of few shots are not quite normal). Mean and variance
        are taken at the upper end of what so few shots leave open (80 %, normal theory).
        """
        t2 = max(t2_limit_new(self.n, self.components, chance), float(q_limit_of_sample(self.t2_left_out, chance)))
        q = float(q_limit_of_sample(self.q_left_out, chance))
        return t2, q


def _components(eigenvalues: Floats, n: int, explained: float) -> int:
    share = np.cumsum(eigenvalues) / max(float(eigenvalues.sum()), 1e-300)
    wanted = int(np.searchsorted(share, explained) + 1)
    return max(1, min(wanted, n // 6, 6, len(eigenvalues)))


def fit_multiway(curves: ArrayLike, explained: float = 0.8, floor: ArrayLike = 1e-9) -> Multiway:
    """Multiway PCA of healthy curves, with every reference shot also judged by a model made without it.

    curves: (shots, points) without NaN, at least 8 shots. explained: share of the variance the components should
    carry (at most a sixth as many components as shots, and six). floor: least scale believed, by point.
    Components come from scikit-learn's PCA on the scaled curves.
    """
    from sklearn.decomposition import PCA

    x = np.asarray(curves, dtype=np.float64)
    n = x.shape[0]
    if n < 8:
        raise ValueError(f"multiway PCA needs 8 shots, not {n}")
    if not np.isfinite(x).all():
        raise ValueError("reference curves must have no gaps")
    mean = x.mean(axis=0)
    scale = np.maximum(x.std(axis=0, ddof=1), np.asarray(floor, dtype=np.float64))
    z = (x - mean) / scale
    with np.errstate(invalid="ignore"):  # curves that never vary explain nothing of nothing
        full = PCA(n_components=min(n - 1, z.shape[1]), svd_solver="full").fit(z)
    a = _components(full.explained_variance_, n, explained)
    t2_out, q_out = _left_out(z, a)
    return Multiway(
        mean=mean,
        scale=scale,
        loadings=full.components_[:a],
        variance=np.maximum(full.explained_variance_[:a], 1e-12),
        residual_eigenvalues=full.explained_variance_[a:],
        n=n,
        t2_left_out=t2_out,
        q_left_out=q_out,
    )


def _left_out(z: Floats, a: int) -> tuple[Floats, Floats]:
    """T2 and squared residual of each row by the model of the other rows, all n models at once in the Gram matrix."""
    n = z.shape[0]
    gram = z @ z.T
    keep = ~np.eye(n, dtype=bool)
    rest = np.stack([np.flatnonzero(k) for k in keep])
    return _judge_by_gram(gram, rest, np.arange(n)[:, None], a)


def _judge_by_gram(gram: Floats, rest: NDArray[np.intp], new: NDArray[np.intp], a: int) -> tuple[Floats, Floats]:
    """T2 and squared residual of rows `new` (models, k) by PCA models of rows `rest` (models, m), from inner products.

    Returned flat, models x k. Everything a PCA needs stands in the inner products, so that n models of long curves
    cost n small eigenproblems.
    """
    m = rest.shape[1]
    inner = gram[rest[:, :, None], rest[:, None, :]]
    row_mean = inner.mean(axis=2, keepdims=True)
    total = inner.mean(axis=(1, 2), keepdims=True)
    centred = inner - row_mean - row_mean.transpose(0, 2, 1) + total
    values, vectors = np.linalg.eigh(centred)
    values, vectors = np.maximum(values[:, -a:], 1e-12), vectors[:, :, -a:]
    cross = gram[new[:, :, None], rest[:, None, :]]
    cross_centred = cross - cross.mean(axis=2, keepdims=True) - row_mean.transpose(0, 2, 1) + total
    own = gram[new, new] - 2 * cross.mean(axis=2) + total[:, :, 0]
    scores = cross_centred @ vectors / np.sqrt(values)[:, None, :]
    t2 = np.sum(scores**2 / (values / (m - 1))[:, None, :], axis=2)
    q = np.maximum(own - np.sum(scores**2, axis=2), 0.0)
    return t2.ravel(), q.ravel()


def left_out_false_alarms(
    model: Multiway, chance: float, factor: float = 1.0, draws: int = 200, seed: int = 1
) -> tuple[float, float, float]:
    """Share of healthy shots beyond either limit, and its 95 % interval, by bootstrap of the left-out shots.

    Each draw sets the limits by a sample, with replacement, of the reference shots' left-out distances and counts the
    shots it did not draw that lie beyond `factor` times those. Far quicker than making whole models anew
    (`bootstrap_false_alarms`), and close to it because every distance comes from a model that had not seen its shot.
    The interval is Wilson's on the number of reference shots.
    """
    rng = np.random.default_rng(seed)
    n = model.n
    t2_form = t2_limit_new(n, model.components, chance)
    drawn = rng.integers(0, n, (draws, n))
    out = np.ones((draws, n), bool)
    out[np.arange(draws)[:, None], drawn] = False
    t2_limit = factor * np.maximum(t2_form, q_limit_of_sample(model.t2_left_out[drawn], chance))[:, None]
    q_limit = factor * q_limit_of_sample(model.q_left_out[drawn], chance)[:, None]
    beyond = out & ((model.t2_left_out > t2_limit) | (model.q_left_out > q_limit))
    share = float(beyond.sum() / max(int(out.sum()), 1))
    return (share, *_wilson(share, n))


def _wilson(share: float, n: int) -> tuple[float, float]:
    z2 = 1.959964**2
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = 1.959964 * np.sqrt(share * (1 - share) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return float(max(middle - half, 0.0)), float(min(middle + half, 1.0))


def bootstrap_false_alarms(
    curves: ArrayLike, chance: float, draws: int = 40, seed: int = 1, explained: float = 0.8
) -> tuple[float, float, float, int]:
    """Share of healthy shots that a model of other healthy shots would call unusual: measured, not assumed.

    Each draw makes a model of shots drawn without replacement (three in four) and judges the shots it has not seen
    by the limits that model gives itself.
    Returns share, lower and upper end of its 95 % interval (Wilson, on the number of distinct shots judged, since the
    draws share them), and the number of judgements.
    """
    x = np.asarray(curves, dtype=np.float64)
    n = x.shape[0]
    rng = np.random.default_rng(seed)
    m = max(8, (3 * n) // 4)
    if n - m < 1:
        return float("nan"), 0.0, 1.0, 0
    alarms = judged = 0
    for _ in range(draws):
        order = rng.permutation(n)
        model = fit_multiway(x[order[:m]], explained)
        t2, q, _ = model.judge(x[order[m:]])
        t2_limit, q_limit = model.limits(chance)
        alarms += int(np.sum((t2 > t2_limit) | (q > q_limit)))
        judged += n - m
    share = alarms / judged
    low, high = _wilson(share, n)
    return share, low, high, judged


__all__ = ["Multiway", "bootstrap_false_alarms", "fit_multiway", "left_out_false_alarms"]
