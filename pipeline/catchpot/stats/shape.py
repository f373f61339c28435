"""How far a whole curve lies from a mould's usual ones: robust band, multiway PCA, and the limits that go with them.

Rows are shots, columns are points of the curve (all channels side by side: the batch is unfolded, Nomikos and
MacGregor 1994, AIChE J 40:1361).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
MAD_TO_SD = 1.482602218505602


def nan_median(values: ArrayLike, axis: int = -1) -> Floats:
    """Median of what is known along an axis; NaN where nothing is. Many times quicker on small arrays than numpy's.

    >>> nan_median([[3.0, float("nan"), 1.0], [float("nan")] * 3]).tolist()
    [2.0, nan]
    """
    x = np.moveaxis(np.sort(np.asarray(values, dtype=np.float64), axis=axis), axis, -1)
    n = np.sum(~np.isnan(x), axis=-1)
    low, high = np.maximum((n - 1) // 2, 0), np.minimum(n // 2, x.shape[-1] - 1)
    pick = np.take_along_axis(x, np.stack([low, high], axis=-1), axis=-1)
    return np.asarray(np.where(n > 0, (pick[..., 0] + pick[..., 1]) / 2, np.nan))


@dataclass(frozen=True)
class Band:
    """A usual band: centre and spread (as a standard deviation) at each point, and the number of curves behind each."""

    centre: Floats
    spread: Floats
    count: NDArray[np.int64]

    def edges(self, chance: float = 0.95) -> tuple[Floats, Floats]:
        """Band that holds a new healthy curve's point with that chance (Student's t on the count, centre unknown)."""
        from scipy import special

        n = np.maximum(self.count, 2)
        half = special.stdtrit(n - 1, (1 + chance) / 2) * self.spread * np.sqrt(1 + 1 / n)
        return self.centre - half, self.centre + half


def robust_band(curves: ArrayLike, floor: float = 0.0) -> Band:
    """Median and MAD of curves at each point, NaN left out; a minority of odd curves does not move it.

    curves: (shots, points). floor: the least spread believed, in the curves' unit.
    Spread: MAD x 1.4826, with n/(n - 0.8) for few curves (Croux and Rousseeuw 1992, for n > 9; a slight
    under-correction below). Points with no curve are NaN with count 0.

    >>> b = robust_band([[1.0], [2.0], [3.0], [90.0], [2.0]])
    >>> float(b.centre[0]), int(b.count[0])
    (2.0, 5)
    """
    x = np.asarray(curves, dtype=np.float64)
    count = np.isfinite(x).sum(axis=0)
    centre = np.full(x.shape[1], np.nan)
    spread = np.full(x.shape[1], np.nan)
    some = count > 0
    if some.any():
        centre[some] = nan_median(x[:, some], axis=0)
        mad = nan_median(np.abs(x[:, some] - centre[some]), axis=0)
        n = count[some]
        spread[some] = np.maximum(MAD_TO_SD * mad * n / np.maximum(n - 0.8, 0.5), floor)
    return Band(centre, spread, count.astype(np.int64))


def hotelling_t2(x: ArrayLike, mean: ArrayLike, covariance: ArrayLike) -> Floats:
    """Hotelling's T2 of each row of x: (x - mean)' S^-1 (x - mean).

    >>> hotelling_t2([[2.0, 0.0]], [0.0, 0.0], [[4.0, 0.0], [0.0, 1.0]]).tolist()
    [1.0]
    """
    d = np.atleast_2d(np.asarray(x, dtype=np.float64)) - np.asarray(mean, dtype=np.float64)
    solved = np.linalg.solve(np.asarray(covariance, dtype=np.float64), d.T).T
    return np.asarray(np.einsum("ij,ij->i", d, solved))


def successive_covariance(x: ArrayLike) -> Floats:
    """Covariance from successive differences, D'D / 2(n - 1): blind to steps and drifts (Holmes and Mergen 1993)."""
    d = np.diff(np.asarray(x, dtype=np.float64), axis=0)
    return np.asarray(d.T @ d / (2 * d.shape[0]))


def t2_limit_new(n: int, components: int, chance: float) -> float:
    """T2 a new healthy shot stays below with that chance: A(n^2 - 1)/(n(n - A)) F(A, n - A).

    n: reference shots, components: A < n. (Nomikos and MacGregor 1995, Technometrics 37:41.)
    """
    from scipy import special

    a = components
    if not 0 < a < n:
        raise ValueError(f"T2 needs more reference shots than components, not {n} and {a}")
    return float(a * (n * n - 1) / (n * (n - a)) * special.fdtri(a, n - a, chance))


def t2_limit_reference(n: int, components: int, chance: float) -> float:
    """T2 one of the reference shots themselves stays below: (n - 1)^2/n Beta(A/2, (n - A - 1)/2).

    Lower than for a new shot (by 30 % at 50 shots and 3 components): a reference shot pulls the model to itself.
    """
    from scipy import special

    if not 0 < components < n - 1:
        raise ValueError(f"T2 needs more reference shots than components, not {n} and {components}")
    return float((n - 1) ** 2 / n * special.betaincinv(components / 2, (n - components - 1) / 2, chance))


def q_limit_jackson_mudholkar(residual_eigenvalues: ArrayLike, chance: float) -> float:
    """Limit of the squared residual from the eigenvalues left out of the model.

    theta1 [1 + z sqrt(2 theta2 h0^2)/theta1 + theta2 h0 (h0 - 1)/theta1^2]^(1/h0), with
    h0 = 1 - 2 theta1 theta3/(3 theta2^2)
    (Jackson and Mudholkar 1979, Technometrics 21:341). About 4 % high at 99 % for few unlike eigenvalues.
    """
    from scipy import special

    ev = np.asarray(residual_eigenvalues, dtype=np.float64)
    t1, t2, t3 = (float((ev**k).sum()) for k in (1, 2, 3))
    if t1 <= 0 or t2 <= 0:
        return 0.0
    h0 = 1 - 2 * t1 * t3 / (3 * t2**2)
    if abs(h0) < 1e-9:
        h0 = 1e-9
    z = float(special.ndtri(chance))
    base = 1 + z * np.sqrt(2 * t2 * h0**2) / t1 + t2 * h0 * (h0 - 1) / t1**2
    return float(t1 * max(base, 0.0) ** (1 / h0))


def q_limit_box(mean: float, variance: float, chance: float) -> float:
    """Limit of the squared residual as a scaled chi-square, g chi2(h) with g = v/2m and h = 2m^2/v.

    mean, variance: of the squared residual over healthy shots; from eigenvalues m = theta1, v = 2 theta2 (Box 1954).
    About 3 % low at 99 % for few unlike eigenvalues.
    """
    from scipy import special

    if mean <= 0:
        return 0.0
    if variance <= 0:
        return mean
    return float(variance / (2 * mean) * special.chdtri(2 * mean**2 / variance, 1 - chance))


def _box_of_sample(values: Floats, chance: float) -> Floats:
    """Box's limit with mean and variance at the upper end (80 %) of what each sample, along the last axis, leaves open.

    The variance is never quite nought: a sample of one value over and over keeps that value as its limit.
    """
    from scipy import special

    n = values.shape[-1]
    variance = values.var(axis=-1, ddof=1) * (n - 1) / float(special.chdtri(n - 1, 0.8))
    mean = values.mean(axis=-1) + 0.84 * np.sqrt(variance / n)
    safe = np.maximum(variance, 1e-12 * np.maximum(mean, 1e-300) ** 2)
    top = safe / (2 * np.maximum(mean, 1e-300)) * special.chdtri(2 * mean**2 / safe, 1 - chance)
    return np.asarray(np.where(mean > 0, np.where(variance > 0, top, mean), 0.0))


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
        t2 = max(t2_limit_new(self.n, self.components, chance), float(_box_of_sample(self.t2_left_out, chance)))
        q = float(_box_of_sample(self.q_left_out, chance))
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
    t2_limit = factor * np.maximum(t2_form, _box_of_sample(model.t2_left_out[drawn], chance))[:, None]
    q_limit = factor * _box_of_sample(model.q_left_out[drawn], chance)[:, None]
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


__all__ = [
    "Band",
    "Multiway",
    "bootstrap_false_alarms",
    "fit_multiway",
    "hotelling_t2",
    "left_out_false_alarms",
    "nan_median",
    "q_limit_box",
    "q_limit_jackson_mudholkar",
    "robust_band",
    "successive_covariance",
    "t2_limit_new",
    "t2_limit_reference",
]
