"""Likelihood of an arrival volume: where the resistance stops growing, because resin has arrived at the vent.

Model, per volume bin:  dp = Q mu_line r  +  (1/K) Q mu_bed G(x)  [+ Q mu_bed c hose]  + what is known + noise,
x = (V - runner) / (Va - runner), G from the lane families of `physics.lanes`, so that the mould is full, or the first
of its lanes is, at Va. For every Va and spread of the lanes on a grid the rest is linear; what remains of the sum of
squares, with the price of the terms that carry a prior, is the likelihood. Such terms are an error common to all
pressures, an error of the runner's volume, the shapes in which lane patterns differ, and on demand an error of the
fibres' pull or of what the cover yields, which both end at arrival, or a vent hose that is not in the book, which
begins to count there.
Where strokes are counted, both sides are summed up over time first: a stroke's time stamp is wrong by part of a sample,
which its neighbour makes good, so that the sums have independent errors where the flows have not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.cover import swallowed
from catchpot.physics.darcy import position_share
from catchpot.physics.lanes import NODES_PER_ARRIVAL, SHAPES, Family
from catchpot.stats.regress import gram, solve_branches

Array = NDArray[np.float64]

LINE, BED, HOSE, OFFSET, RUNNER, PULL, COVER, SHAPE = 0, 1, 2, 3, 4, 5, 6, 7
START = SHAPE + SHAPES
TERMS = START + 1
FREE = (LINE, BED)
HOSE_SD_PER_M3_L = 5e10
"""Resistance that a litre of filled vent hose may add, free of viscosity: that of a bore of 10 mm (Hagen-Poiseuille).

Without a price for it, a hose that adds nothing could be taken for one that goes on just as the bed did before it.
"""


@dataclass(frozen=True)
class Bins:
    """Shots on volume bins; every array (shots, bins) but where said. SI, volumes in litres.

    n: samples (0: empty bin, or nothing usable in it), less where outlying. vol_l: metered volume. line, bed: mean of
    flow x viscosity in the line and in the bed. dp: mean driving pressure. variance: of one sample's noise in dp.
    (shots,): runner_l and runner_sd_l, volume before the bed and how well it is known (0: well enough); hose_l, of the
    vent hose; head_pa, weight of the resin column up to the vent; capillary_pa, pull of the fibres until arrival, and
    pull_sd_pa, how well that is known; yield_l_pa, what the cover takes up per pressure over the whole part, and
    yield_sd_l_pa, how well that is known, yield_s, in which time;
    scale, L / (w0 h); taper, width ratio; offset_pa, prior s.d. of an error common to all pressures; guess, a rough
    1/K, which sets how far shapes and runner may bend the curve. spell_s, half_l: (shots, bins), how long each bin
    lasted and half of what flowed in it where sums over time are fitted (n and variance are then the sums'), else 0.
    at_s, flow_l_s, push_pa: time since the first bin, flow, and driving pressure, smoothed.
    """

    n: Array
    vol_l: Array
    line: Array
    bed: Array
    dp: Array
    variance: Array
    runner_l: Array
    runner_sd_l: Array
    hose_l: Array
    head_pa: Array
    capillary_pa: Array
    pull_sd_pa: Array
    yield_l_pa: Array
    yield_sd_l_pa: Array
    yield_s: Array
    at_s: Array
    flow_l_s: Array
    push_pa: Array
    scale: Array
    taper: Array
    offset_pa: Array
    guess: Array
    spell_s: Array
    half_l: Array

    def part(self, index: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Bins:
        """Some of the shots."""
        return Bins(**{k: v[index] for k, v in vars(self).items()})


@dataclass(frozen=True)
class Profile:
    """On a grid (shots, volumes): minus twice the log likelihood, all TERMS and their variances."""

    deviance: Array
    terms: Array
    variance: Array


@dataclass(frozen=True)
class _Design:
    """Columns by number: `varying` (shots, volumes, v, bins) with the arrival volume, `common` (shots, c, bins) not.

    known: pressure that is no term, or None where there is none.
    """

    varying: Array
    varying_numbers: list[int]
    common: Array
    known: Array | None


def _design(bins: Bins, volumes_l: Array, family: Family, extra: frozenset[int] = frozenset()) -> _Design:
    runner = bins.runner_l[:, None]
    room = np.maximum(volumes_l - runner, 1e-9)[:, :, None]
    share = (bins.vol_l - runner)[:, None, :] / room
    node = _node(share, family)
    ends = None
    if np.any(bins.spell_s > 0):
        half = bins.half_l[:, None, :] / room
        ends = _node(share - half, family), _node(share + half, family)
    bed = (bins.bed * bins.scale[:, None])[:, None, :]
    rows = {BED: 0, **({RUNNER: 1} if np.any(bins.runner_sd_l > 0) else {})}
    rows |= {SHAPE + i: 2 + i for i in range(family.table.shape[0] - 2)}
    booked = bool(np.any(bins.hose_l > 0))
    yields = bool(np.any(bins.yield_l_pa > 0))
    numbers = [*rows, *(n for n in (HOSE, PULL, COVER) if n in extra or (n == HOSE and booked))]
    cover: Array | float = 0.0
    if yields or COVER in extra:
        cover = swallowed(share, room, np.take(family.table[0], node), bins.taper, bins.push_pa, bins.at_s,
                          bins.flow_l_s, bins.yield_s)  # fmt: skip
    varying = np.empty((*share.shape[:2], len(numbers), share.shape[2]))
    for i, number in enumerate(numbers):
        column = varying[:, :, i]
        if number == HOSE:
            longest = bins.hose_l[:, None, None] if booked else np.inf
            np.clip(bins.vol_l[:, None, :] - volumes_l[:, :, None], 0.0, longest, out=column)
            column *= bins.bed[:, None, :]
        elif number == PULL:
            np.take(family.dry, node, out=column)
            column *= -1.0
        elif number == COVER:
            np.multiply(bed, cover, out=column)
        else:
            column[...] = _looked_up(family, rows[number], node, ends)
            if number == BED and yields:
                column += bins.yield_l_pa[:, None, None] * cover
            column *= bed / room if number == RUNNER else bed
    known: Array | None = None
    if np.any(bins.head_pa != 0):
        along = position_share(np.clip(share, 0.0, 1.0), bins.taper[:, None, None])
        known = bins.head_pa[:, None, None] * along
    if np.any(bins.capillary_pa != 0):
        known = (0.0 if known is None else known) - bins.capillary_pa[:, None, None] * np.take(family.dry, node)
    common = np.stack([bins.line, np.ones_like(bins.line), bins.dp], axis=1)
    return _Design(varying, numbers, common, known)


def _node(share: Array, family: Family) -> NDArray[np.intp]:
    return np.rint(np.clip(share * NODES_PER_ARRIVAL, 0.0, family.table.shape[1] - 1.0)).astype(np.intp)


def _looked_up(family: Family, row: int, node: NDArray[np.intp],
               ends: tuple[NDArray[np.intp], NDArray[np.intp]] | None) -> Array:  # fmt: skip
    """A row of the family's table at the nodes, or its mean from one node to another."""
    at = np.take(family.table[row], node)
    if ends is None:
        return at
    first, last = ends
    sums = family.sums[row]
    return np.where(last > first, (np.take(sums, last) - np.take(sums, first)) / np.maximum(last - first, 1), at)


def _summed(design: _Design, spell_s: Array) -> _Design:
    """The design over sums in time, with a column for the first stroke's time stamp before the response."""
    spell = spell_s[:, None, :]
    common = np.cumsum(design.common * spell, axis=2)
    common = np.concatenate([common[:, :2], np.ones_like(spell), common[:, 2:]], axis=1)
    known = None if design.known is None else np.cumsum(design.known * spell, axis=-1)
    return _Design(np.cumsum(design.varying * spell[:, None], axis=3), design.varying_numbers, common, known)


def _pull_sd_pa(bins: Bins) -> Array:
    return np.maximum(bins.pull_sd_pa, 1.0)


def _yield_sd(bins: Bins) -> Array:
    """S.d. of the cover's term, which is what it yields times the inverse of the permeability."""
    return np.asarray(np.maximum(bins.yield_sd_l_pa, 1e-9) * bins.guess)


def _precision(bins: Bins, number: int) -> Array:
    if number == OFFSET:
        return 1.0 / bins.offset_pa**2
    if number == RUNNER:
        return np.asarray(1.0 / (bins.guess * np.maximum(bins.runner_sd_l, 1e-6)) ** 2)
    if number == HOSE:
        return np.full(len(bins.n), 1.0 / HOSE_SD_PER_M3_L**2)
    if number == PULL:
        return 1.0 / _pull_sd_pa(bins) ** 2
    if number == COVER:
        return 1.0 / _yield_sd(bins) ** 2
    if number == START:
        return np.asarray(1.0 / np.maximum(np.mean(np.abs(bins.dp), axis=1), 1.0) ** 2)
    return 1.0 / bins.guess**2


def profiles(bins: Bins, volumes_l: Array, family: Family, doubts: Sequence[int | None]) -> list[Profile]:
    """Fit the linear terms at every arrival volume (shots, volumes), for one channel and one family of lanes.

    doubts: what the book may be wrong in, one profile each: None (the book is right), PULL, COVER, or HOSE (a vent hose
    that is not in the book).
    """
    extra = frozenset(d for d in doubts if d is not None)
    design = _design(bins, volumes_l, family, extra)
    common_numbers = [LINE, OFFSET]
    if np.any(bins.spell_s > 0):
        design = _summed(design, bins.spell_s)
        common_numbers.append(START)
    weights = np.where(bins.n > 0, bins.n / bins.variance, 0.0)
    varying, common, numbers = design.varying, design.common, list(design.varying_numbers)
    if design.known is None:
        everything = [*numbers, *common_numbers]
        response = len(everything)
    else:
        response_row = common[:, None, -1:] - design.known[:, :, None]
        varying, common = np.concatenate([varying, response_row], axis=2), common[:, :-1]
        everything = [*numbers, -1, *common_numbers]
        response = len(numbers)
    sums = gram(varying, common, weights)
    booked = bool(np.any(bins.hose_l > 0))
    bare = [() if d is None else (d,) for d in doubts]
    hosed = [(*b, HOSE) for b in bare] if booked else []
    fits = _solve(bins, sums, everything, response, [*bare, *hosed])
    for i, doubt in enumerate([*doubts, *(doubts if booked else ())]):
        # fibres pull, they don't push, a cover yields to pressure, and a hose adds resistance
        if doubt == PULL:
            fits[i] = _no_less(fits[i], PULL, -bins.capillary_pa[:, None], _pull_sd_pa(bins)[:, None])
        elif doubt == COVER:
            least = -bins.yield_l_pa * bins.guess
            fits[i] = _no_less(fits[i], COVER, least[:, None], _yield_sd(bins)[:, None])
        elif doubt == HOSE:
            fits[i] = _no_less(fits[i], HOSE, 0.0, HOSE_SD_PER_M3_L)
    if not booked:
        return fits
    out = []
    for without, hose in zip(fits[: len(doubts)], fits[len(doubts) :], strict=True):
        # resin in the hose can only add resistance, and must be worth its price
        adds = (hose.terms[..., HOSE] > 0) & (bins.hose_l[:, None] > 0) & (hose.deviance < without.deviance)
        out.append(
            Profile(
                np.where(adds, hose.deviance, without.deviance),
                np.where(adds[..., None], hose.terms, without.terms),
                np.where(adds[..., None], hose.variance, without.variance),
            )
        )
    return out


def _no_less(fit: Profile, number: int, least: Array | float, prior_sd: Array | float) -> Profile:
    """The same with that part of a term's Gaussian prior about nought only that lies above `least`."""
    from scipy.special import log_ndtr

    root = np.sqrt(np.maximum(fit.variance[..., number], 1e-300))
    inside = log_ndtr((fit.terms[..., number] - least) / root) - log_ndtr(-np.asarray(least) / prior_sd)
    return replace(fit, deviance=fit.deviance - 2.0 * inside)


def _solve(bins: Bins, sums: Array, columns: list[int], response: int,
           branches: Sequence[tuple[int, ...]]) -> list[Profile]:  # fmt: skip
    """Solve with the columns in the order of their numbers (-1: left out), so that those with a prior come last."""
    numbers = sorted(n for n in columns if n >= 0)
    order = [*(columns.index(n) for n in numbers), response]
    free = sum(n in FREE for n in numbers)
    precision = np.stack([_precision(bins, n) for n in numbers[free:]], axis=-1)[:, None, :]
    prior = np.concatenate([np.zeros((len(bins.n), 1, free)), precision], axis=-1)
    places = [tuple(numbers.index(n) for n in branch) for branch in branches]
    out = []
    for fit, branch in zip(solve_branches(sums[..., order, :][..., order], prior, places), places, strict=True):
        absent = [i for i in range(free, len(numbers)) if any(i in p for p in places) and i not in branch]
        each = fit.log_pivots[..., free:] - np.log(precision)
        each[..., [i - free for i in absent]] = 0.0
        terms, variance = np.zeros((2, *fit.left.shape, TERMS))
        terms[..., numbers], variance[..., numbers] = fit.coefficients, fit.variance
        out.append(Profile(fit.left + np.sum(each, axis=-1), terms, variance))
    return out


def fitted_pressure(bins: Bins, volumes_l: Array, family: Family, terms: Array) -> Array:
    """Driving pressure (shots, bins) of the model at one arrival volume a shot (shots,) and terms (shots, TERMS)."""
    design = _design(bins, volumes_l[:, None], family, frozenset({PULL, HOSE, COVER}))
    pressure = np.einsum("stb,st->sb", design.varying[:, 0], terms[:, design.varying_numbers])
    pressure += bins.line * terms[:, LINE, None] + terms[:, OFFSET, None]
    if design.known is not None:
        pressure = pressure + np.broadcast_to(design.known, (*design.varying.shape[:2], bins.n.shape[1]))[:, 0]
    return np.asarray(pressure, dtype=float)
