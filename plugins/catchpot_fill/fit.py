"""The fit of many shots at once: coarse grid, noise learnt from the residuals, fine grid, intervals."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from catchpot.stats.regress import grid_quantiles, shortest_interval
from catchpot_fill.arrival import BED, LINE, Bins
from catchpot_fill.kinds import (
    EVERY,
    LEARNING,
    PLAIN,
    ROUGHLY,
    SPREADS,
    Grid,
    doubted_ends,
    evaluate,
    family_of,
    likeliest,
)
from catchpot_fill.kinds import likeliest_curve as curve_of
from catchpot_fill.noise import learn_noise, reweighted
from catchpot_fill.prepare import Binned, Samples

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

COARSE = np.concatenate([np.linspace(0.45, 0.8, 36)[:-1], np.linspace(0.8, 1.0, 51)])
BEYOND = 1.0 + np.array(
    [0.0, 5e-4, 1e-3, 2e-3, 4e-3, 7e-3, 0.01, 0.015, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.35, 0.6, 1.0, 2.0]
)
SPAN = np.concatenate([COARSE[::2], BEYOND[1::3]])
"""Shares of the injected volume tried as arrival volume: from coarse to fine, and beyond its end: no arrival."""
CLOSER = 1.0 + np.linspace(-0.016, 0.016, 33)
"""Around the likeliest of those: a curve that bends in the wrong place leaves residuals that pass for noise."""
BOOK = np.linspace(-4.0, 4.0, 33)
"""Standard deviations around the volume the book expects that are tried where no arrival is found."""
FINE = 61
LEANS_FROM = 0.25
"""Chance of lanes from which the volume given leaves the straight front's; at 1 it is the lanes' own. Leaning earlier
would cost straight strips more than it wins those with lanes: most of what looks a little like lanes is none."""
PATTERN_SD = 0.0075
"""What a fabric's own pattern of lanes moves the arrival, beyond the drawn patterns' shapes; share of the volume."""
SPREADING_TAPER, SPREADING_SD = 1.5, 0.02
"""In a diverging channel the bend is so gentle that small errors of the book move it: what is added for them there."""
PARALLEL_FROM, UNTOLD_BELOW, EARLIER = 0.7, 0.045, 0.035
"""Taper above which a channel hardly converges; share past the vent below which lanes leave there the same curve as a
straight front; and how much earlier than that front's the first lane may have arrived, share of the part's volume.

Lanes of +-10-20 % with 6 % past the vent look like a straight front with 3 %, and random lanes sometimes more like it
than the lanes that are tried here: the curve then speaks against them by chance, so that likelihood is no help. A yield
of the cover that the book lacks does the same.
"""
SAMPLING_SD = 3e-4
"""What sampling, time stamps and bins leave, as seen where all else is known best; share of the volume."""
FAR = 18.0
"""Grid points whose deviance lies this much above the least carry no weight."""
METER_SD, MOST_ODDS = 0.02, 50.0
"""What a meter's gain adds to the doubt of the book's volume, relative; how far the book may speak for an arrival."""
CHUNK = 16
FEWEST_BINS = 20
LEAST_GAIN, LEAST_GAIN_SPREADING = 12.0, 100.0
"""Deviance by which a curve with an arrival must beat every curve without one: three and a half standard deviations. At
less, those arrivals that noise happens to make look clear would be the ones reported, and too early. Where more went in
than the book's volume, the book speaks for an arrival too, and the curve need say so much the less (`book_odds`).

In a diverging channel ten: there lanes pass for a front that arrives 10 % later. A vent hose gives thousands.
"""


@dataclass(frozen=True)
class Fit:
    """Outcome of the fit, one row a shot (shots,); NaN where there was too little to fit.

    arrival_l, low_l, high_l: volume and 95 % interval of the arrival, given the book but for what the curve itself
    shows to be wrong in it. widest_low_l, widest_high_l: the same with the whole tolerance of the book's pull of the
    fibres and of the cover's yield. gain: how much worse, in deviance, the best curve without an arrival fits. odds: by
    the book, that the mould was full before the end, 1 at least. chance_straight: of a straight front. smear_l.
    inverse_permeability and sd; line resistance and sd. flow_noise: the proportional part of the noise.
    correlation_factor: how much its serial correlation widens the intervals, squared.
    fitted_dp_pa, fill: (shots, bins), the best curve's driving pressure and the share filled.
    """

    arrival_l: Array
    low_l: Array
    high_l: Array
    widest_low_l: Array
    widest_high_l: Array
    gain: Array
    odds: Array
    chance_straight: Array
    smear_l: Array
    inverse_permeability: Array
    inverse_permeability_sd: Array
    line_resistance: Array
    line_resistance_sd: Array
    flow_noise: Array
    correlation_factor: Array
    fitted_dp_pa: Array
    fill: Array


def arrived(gain: ArrayLike, taper: ArrayLike, odds: ArrayLike) -> Flags:
    """Whether the arrival is clear enough to be given.

    odds: that the mould was full before the end, by the book; in a diverging channel they don't help.

    >>> arrived([20.0, 20.0, 7.0, 7.0], [1.0, 40.0, 1.0, 1.0], [1.0, 1.0, 1.0, 18.0]).tolist()
    [True, False, False, True]
    """
    least = LEAST_GAIN - 2.0 * np.log(np.asarray(odds, dtype=float))
    least = np.where(np.asarray(taper) > SPREADING_TAPER, LEAST_GAIN_SPREADING, least)
    return np.asarray(np.asarray(gain) > least)


def book_odds(room_l: Array, expected_l: Array, expected_sd: Array) -> Array:
    """Odds that a mould of the book's volume was full before the end, from 1 to MOST_ODDS.

    room_l: metered volume behind the runner. expected_l, expected_sd: of the part, by the book. Student's distribution
    of four degrees of freedom, whose tails leave room for a book that is wrong. Odds below 1 are 1: a front that ran
    ahead arrives before the mould is full. 1 too where the book has no volume.

    >>> book_odds(np.array([1.06, 0.9, 1.06]), np.array([1.0, 1.0, 0.0]), np.array([0.02, 0.02, 0.0])).round(0).tolist()
    [19.0, 1.0, 1.0]
    """
    known = expected_l > 0
    sd = np.hypot(expected_sd, METER_SD * expected_l)
    z = np.where(known, (room_l - expected_l) / np.where(known, sd, 1.0), 0.0)
    scaled = z * z / (4.0 + z * z)
    chance = 0.5 + 0.25 * np.sign(z) * np.sqrt(scaled) * (3.0 - scaled)
    return np.clip(chance / np.maximum(1.0 - chance, 1e-9), 1.0, MOST_ODDS)


def fit_shots(s: Samples, b: Binned, bins: Bins, expected_l: Array, expected_sd: Array) -> Fit:
    """Fit all shots.

    bins: what `b` says, with the book's values beside it and a first guess of the noise. expected_l, expected_sd:
    (shots,), the arrival volume by the book and its s.d.; where no arrival is found, it scales the permeability.
    """
    groups = len(bins.n)
    total = np.max(np.where(bins.n > 0, bins.vol_l, 0.0), axis=1)
    ready = (np.sum(bins.n > 0, axis=1) >= FEWEST_BINS) & np.isfinite(bins.taper) & (total > 1.2 * bins.runner_l)
    nan = np.full(groups, np.nan)
    curves = {name: np.full(bins.n.shape, np.nan) for name in ("fitted_dp_pa", "fill")}
    out = Fit(**{f.name: nan.copy() for f in fields(Fit) if f.name not in curves}, **curves)
    rows = np.flatnonzero(ready)
    if not len(rows):
        return out
    # one channel and one set of terms a chunk
    kind = np.stack([bins.taper, bins.runner_sd_l > 0, bins.hose_l > 0, b.stroked], axis=1)[rows]
    _, alike = np.unique(kind, axis=0, return_inverse=True)
    chunks = [
        group[i : i + CHUNK]
        for k in range(int(alike.max()) + 1)
        for group in [rows[alike.reshape(-1) == k]]
        for i in range(0, len(group), CHUNK)
    ]
    fitted, tried = np.zeros_like(bins.dp), np.outer(total, SPAN)
    push, line = bins.push_pa, np.zeros(groups)
    for turn in range(2):
        closer = np.empty((groups, len(CLOSER)))
        for c in chunks:
            grid = evaluate(bins.part(c), tried[c], LEARNING)
            fitted[c] = curve_of(bins.part(c), grid)[0]
            volume, _, terms = likeliest(grid)
            closer[c], line[c] = volume[:, None] * CLOSER, terms[:, LINE]
        tried = closer
        noise = learn_noise(s, b, fitted)
        # the cover bears what is left of the pressure behind the line
        bins = replace(bins, push_pa=np.maximum(push - bins.line * line[:, None], 0.0))
        bins = reweighted(bins, b, fitted, noise, robust=turn > 0)
    # the running volume wanders with the flow meter's noise as learnt, not as first guessed
    wander = b.wander_l * np.where(b.stroked, 1.0, np.clip(np.sqrt(noise.proportional) / b.flow_noise, 0.5, 3.0))
    wander = np.hypot(wander, b.set_in_l)
    for c in chunks:
        _finish(out, c, bins.part(c), total[c], wander[c])
    out.odds[rows] = book_odds(total - bins.runner_l, expected_l - bins.runner_l, expected_sd)[rows]
    lost = rows[~arrived(out.gain, bins.taper, out.odds)[rows] & (expected_l[rows] > 1.05 * bins.runner_l[rows])]
    for c in chunks:
        _by_the_book(out, np.intersect1d(c, lost), bins, expected_l, expected_sd)
    out.flow_noise[rows] = np.sqrt(noise.proportional[rows])
    out.correlation_factor[rows] = noise.factor[rows]
    return out


def _finer(bins: Bins, total: Array) -> tuple[Array, Array]:
    """Volumes around the likely ones, (shots, FINE), and the least deviance met on the way, (shots,)."""
    coarse = evaluate(bins, total[:, None] * COARSE, EVERY).deviance
    least = np.min(coarse, axis=(1, 2))
    near = np.min(coarse, axis=2) - least[:, None] < FAR
    last = len(COARSE) - 1
    low = COARSE[np.maximum(np.argmax(near, axis=1) - 1, 0)]
    high = COARSE[np.minimum(last - np.argmax(near[:, ::-1], axis=1) + 1, last)]
    return total[:, None] * (low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, FINE)), least


def _finish(out: Fit, c: Ints, bins: Bins, total: Array, wander: Array) -> None:
    volumes, least = _finer(bins, total)
    fine = evaluate(bins, volumes, EVERY)
    beyond = np.min(evaluate(bins, total[:, None] * BEYOND, ROUGHLY).deviance, axis=(1, 2))
    least = np.minimum(least, np.min(fine.deviance, axis=(1, 2)))
    likelihood = np.exp(-0.5 * (fine.deviance - least[:, None, None]))
    density = likelihood * fine.chances
    low, high = shortest_interval(volumes, density.sum(axis=2), 0.95)
    early, late = doubted_ends(fine, likelihood)
    low, high = np.fmin(low, early), np.fmax(high, late)
    weight = density / density.sum(axis=(1, 2), keepdims=True)
    by_kind = weight.sum(axis=1)
    by_spread = np.stack([by_kind[:, fine.spread == j].sum(axis=1) for j in range(len(SPREADS))], axis=1)
    # the plainer explanation unless the data speak against it; the interval keeps both
    straight = fine.spread == 0
    even = grid_quantiles(volumes, density[:, :, straight].sum(axis=2) + 1e-300, [0.5])[:, 0]
    uneven_weight = weight[:, :, ~straight].sum(axis=2) + 1e-300
    uneven = np.sum(volumes * uneven_weight, axis=1) / uneven_weight.sum(axis=1)
    lean = np.clip((1.0 - by_spread[:, 0] - LEANS_FROM) / (1.0 - LEANS_FROM), 0.0, 1.0)
    middle = np.clip(even + lean * (uneven - even), low, high)
    low = np.minimum(low, _first_lane(bins, total, middle))
    spreading = np.where(bins.taper > SPREADING_TAPER, SPREADING_SD, 0.0)
    unseen = SAMPLING_SD + PATTERN_SD * (1.0 - by_spread[:, 0]) + spreading
    beside = 1.96 * np.hypot(wander, unseen * (middle - bins.runner_l))
    out.arrival_l[c] = middle
    out.low_l[c] = middle - np.hypot(middle - low, beside)
    out.high_l[c] = middle + np.hypot(high - middle, beside)
    least_l, most_l = shortest_interval(volumes, (likelihood * fine.doubtful).sum(axis=2), 0.95)
    out.widest_low_l[c] = middle - np.hypot(middle - np.minimum(low, least_l), beside)
    out.widest_high_l[c] = middle + np.hypot(np.maximum(high, most_l) - middle, beside)
    out.gain[c] = beyond - least
    out.chance_straight[c] = by_spread[:, 0]
    smear = np.array([family_of(bins, j).smear for j in range(len(SPREADS))])
    out.smear_l[c] = by_spread @ smear * (middle - bins.runner_l)
    _terms(out, c, bins, fine, weight)


def _first_lane(bins: Bins, total: Array, middle: Array) -> Array:
    """How early resin may have arrived where lanes can't be told from a straight front, (shots,); NaN-free."""
    part = middle - bins.runner_l
    parallel = (bins.taper > PARALLEL_FROM) & (bins.taper <= SPREADING_TAPER)
    untold = parallel & (total - middle < UNTOLD_BELOW * part)
    return np.where(untold, middle - EARLIER * part, middle)


def _terms(out: Fit, c: Ints, bins: Bins, grid: Grid, weight: Array) -> None:
    """Write the mean terms with their spread, and the likeliest curve.

    weight: (shots, volumes, kinds), what each curve of the grid counts, 1 in all for a shot.
    """
    mean = np.einsum("svj,svjt->st", weight, grid.terms)
    between = np.einsum("svj,svjt->st", weight, (grid.terms - mean[:, None, None, :]) ** 2)
    within = np.einsum("svj,svjt->st", weight, grid.variance)
    sd = np.sqrt(np.maximum(between + within, 0.0))
    # which lanes they are changes the permeability that the curve stands for
    of_spread = np.array([family_of(bins, j).factor_sd for j in range(len(SPREADS))])
    patterns = weight.sum(axis=1) @ of_spread[grid.spread]
    out.inverse_permeability[c] = mean[:, BED]
    out.inverse_permeability_sd[c] = np.hypot(sd[:, BED], patterns * mean[:, BED])
    out.line_resistance[c], out.line_resistance_sd[c] = mean[:, LINE], sd[:, LINE]
    out.fitted_dp_pa[c], out.fill[c] = curve_of(bins, grid)


def _by_the_book(out: Fit, c: Ints, bins: Bins, expected_l: Array, expected_sd: Array) -> None:
    """Terms of shots without a clear arrival: every volume counts by what the book expects and by how it fits.

    The book alone would not do: where the mould takes more than the book says, a curve that bends at the book's volume
    fits the rising resistance only with a permeability far off. Heavy tails let the curve overrule the book.
    """
    if not len(c):
        return
    part = bins.part(c)
    total = np.max(np.where(part.n > 0, part.vol_l, 0.0), axis=1)
    volumes = np.sort(
        np.concatenate([expected_l[c, None] + expected_sd[c, None] * BOOK, total[:, None] * BEYOND], axis=1), axis=1
    )
    volumes = np.maximum(volumes, 1.02 * part.runner_l[:, None])
    grid = evaluate(part, volumes, PLAIN)
    width = np.gradient(volumes, axis=1)
    away = (volumes - expected_l[c, None]) / expected_sd[c, None]
    prior = (1.0 + away**2 / 4.0) ** -2.5 * np.maximum(width, 0.0)
    least = np.min(grid.deviance, axis=(1, 2), keepdims=True)
    weight = np.exp(-0.5 * (grid.deviance - least)) * prior[:, :, None] * grid.chances
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    _terms(out, c, part, grid, weight)
