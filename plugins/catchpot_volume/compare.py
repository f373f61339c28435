"""Two periods of a mould compared: one joint estimate of all causes. The maths is in `stats.causes`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from catchpot.physics.volume import CAUSES, WITNESSES, couplings, litres
from catchpot.stats.causes import Posterior, difference, estimate, misfit_of
from catchpot.stats.stretch import lasting_sd
from catchpot_volume.gather import Floats, column, expansion, part_book, witnesses
from catchpot_volume.meters import Check, Span, common_step, known_step, shared_readings
from catchpot_volume.odds import LAYING, LINE, NAMES, READING, Pressures, priors
from catchpot_volume.periods import FOUND, Periods, best_volume, date_sd

VOLUME, POT = WITNESSES.index("volume"), WITNESSES.index("pot_volume")
PERMEABILITY, BALANCE = WITNESSES.index("permeability"), WITNESSES.index("balance")
RESISTANCE = WITNESSES.index("line_resistance")
READ = [VOLUME, PERMEABILITY]
"""A place of arrival read too far along the curve makes the volume too large and, as it stands for a longer way at the
same resistance, the permeability too small by as much (of a straight channel)."""
MASS, THICKNESS = WITNESSES.index("part_mass"), WITNESSES.index("thickness")
UNWEIGHED = 0.008
"""S.d. of the share of the resin that nobody weighs, from period to period (common practice, no source)."""
CORNERS = 0.5
"""What of a change of the overflow the part's corners take or leave, as share of it (s.d.; of what is metered after the
arrival 0.4 +- 0.3 stays in the part, in two-dimensional moulds)."""
EXPONENTS = (0.7, 1.0, 1.3)
"""Factors on Kozeny's exponent that are tried side by side: packs differ."""
KNOWN_BATCH = 0.03
ACTIVATION = 0.006
"""S.d. a kelvin of the log viscosity's course with temperature (common practice, no source)."""
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class Comparison:
    """What two periods differ in. posterior over NAMES; None where the book can't say what causes would do.

    change, injected, overflow: l, with 95 % interval. before_l, after_l: mean arrival volumes. per_unit: l for a unit
    of each of NAMES. temperature: l, or None where it was not logged. moulds: other moulds that speak for the meter.
    clamp_mbar: change of the clamp pressure. others_step: log step
    that those moulds share.
    """

    volume_from: str
    shots: tuple[int, int]
    before_l: float
    after_l: float
    injected_l: tuple[float, float]
    change: Triple
    injected: Triple
    overflow: Triple
    temperature: Triple | None
    posterior: Posterior | None
    per_unit: Floats
    moulds: int
    seen: frozenset[str]
    clamp_mbar: float | None = None
    others_step: float | None = None
    reason: str = ""


def compare(
    frame: pl.DataFrame,
    periods: Periods,
    events: Sequence[dict[str, Any]],
    others: pl.DataFrame,
    checks: Sequence[Check],
) -> Comparison:
    """Compare two periods of one mould.

    frame: `gather.joined`. events: those that lie between the periods. others: rows of meter_witness of the injector's
    other moulds. checks: what bucket and scales found on the injector.
    """
    rows = np.r_[periods.before, periods.after]
    part, after = frame[rows], np.r_[np.zeros(len(periods.before), bool), np.ones(len(periods.after), bool)]
    log_v, volume_from = best_volume(part)
    guessed = date_sd(log_v, after) if periods.why == FOUND else 0.0
    known = np.isfinite(log_v)
    volume, injected = np.exp(log_v), column(part, "injected_volume_l")
    warm = expansion(part)
    raw = volume * np.exp(np.where(np.isfinite(warm) & (volume_from == "the filling curve"), warm, 0.0))
    b, a = known & ~after, known & after
    before, now = float(raw[b].mean()), float(raw[a].mean())
    table = np.column_stack([raw, injected, injected - raw])
    table[~known] = np.nan
    _, spread, _ = difference(table, after)
    means = table[a].mean(axis=0) - table[b].mean(axis=0)
    curve = volume_from == "the filling curve"
    lasting = lasting_sd(column(part, "arrival_relative_shared_sd")[known]) if curve else 0.0
    extra = (np.hypot(guessed, lasting) * before) ** 2 * np.array([1.0, 0.0, 1.0])
    half = _reach(int(known.sum()) - 2) * np.sqrt(np.diag(spread) + extra)
    spans: list[Triple] = [(float(m), float(m - h), float(m + h)) for m, h in zip(means, half, strict=True)]
    temperature = _temperature(warm, after, before)
    book = part_book(frame, int(periods.before[-1]), before)
    common: dict[str, Any] = {
        "volume_from": volume_from, "shots": (int(b.sum()), int(a.sum())),
        "before_l": before, "after_l": now,
        "injected_l": (float(injected[b].mean()), float(injected[a].mean())), "change": spans[0],
        "injected": spans[1], "overflow": spans[2], "temperature": temperature,
    }  # fmt: skip
    if book is None:
        return Comparison(
            **common, posterior=None, per_unit=np.zeros(len(NAMES)), moulds=0, seen=frozenset(),
            reason="the mould book lacks the part's area, thickness, fibre or the resin's density, so the litres of a"
            " cause can't be worked out",
        )  # fmt: skip
    at = part["started_at"]
    span = (at[int(np.flatnonzero(~after)[0])], at[int(np.flatnonzero(~after)[-1])],
            at[int(np.flatnonzero(after)[0])], at[int(np.flatnonzero(after)[-1])])  # fmt: skip
    unsure = (guessed if curve else 0.0, lasting, spans[2][0])
    posterior, moulds, seen = _posterior(part, after, unsure, book, events, (others, checks, span), spans[0][0] > 0)
    clamp = _moved(column(part, "clamp_pressure_mbar"), after)
    shared, _ = common_step(others, span)
    return Comparison(
        **common, posterior=posterior, per_unit=np.r_[litres(book), 0.0, 0.0, 0.0], moulds=moulds, seen=frozenset(seen),
        clamp_mbar=clamp[0] if clamp else None, others_step=shared[0] if shared else None,
    )  # fmt: skip


def _reach(free: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(max(free, 2), 0.975))


def _temperature(warm: Floats, after: Any, before_l: float) -> Triple | None:
    change, spread, fewest = difference(warm[:, None], after)
    if fewest[0] < 3 or not np.isfinite(change[0]):
        return None
    value, half = before_l * float(change[0]), 1.96 * before_l * float(np.sqrt(spread[0, 0]))
    return value, value - half, value + half


def _moved(values: Floats, after: Any) -> tuple[float, float] | None:
    change, spread, fewest = difference(values[:, None], after)
    if fewest[0] < 4:
        return None
    return float(change[0]), float(np.sqrt(spread[0, 0]))


def _posterior(
    part: pl.DataFrame, after: Any, unsure: tuple[float, float, float], book: Any, events: Sequence[dict[str, Any]],
    meters: tuple[pl.DataFrame, Sequence[Check], Span], volume_up: bool,
) -> tuple[Posterior, int, list[str]]:  # fmt: skip
    """unsure: s.d. of the change of the log volume by the boundary's place, and by what the curve's readings share; and
    the change of the overflow, l."""
    table = witnesses(part)
    change, covariance, fewest = difference(table, after)
    usable = np.flatnonzero(np.isfinite(change) & (fewest >= 3))
    laws = [np.column_stack([couplings(book, e), np.zeros((len(WITNESSES), 3))]) for e in EXPONENTS]
    for law in laws:
        law[PERMEABILITY, LAYING] = law[RESISTANCE, LINE] = 1.0
        law[READ, READING] = 1.0, -1.0
    nuisance = np.zeros((len(WITNESSES), len(WITNESSES)))
    # a thicker resin than reckoned with: less permeability, more resistance of the line
    both = np.ix_((PERMEABILITY, RESISTANCE), (PERMEABILITY, RESISTANCE))
    nuisance[both] = _viscosity_variance(part, after) * np.array([[1.0, -1.0], [-1.0, 1.0]])
    guessed, lasting, over_l = unsure
    nuisance[np.ix_(READ, READ)] += lasting**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    nuisance[VOLUME, VOLUME] += guessed**2
    nuisance[POT, POT] = 0.003**2
    # flash, drips and dry corners that nobody weighs come and go
    nuisance[BALANCE, BALANCE] = UNWEIGHED**2
    nuisance[MASS, MASS] = (0.3 * UNWEIGHED * book.bed_l * book.resin_kg_l) ** 2
    nuisance[THICKNESS, THICKNESS] = 0.01**2
    # with less past the vent some corners stay dry: the part is lighter by what the pot says it took less
    dry = CORNERS * np.hypot(over_l, lasting * book.volume_l) * np.array([1.0 / book.volume_l, book.resin_kg_l])
    nuisance[np.ix_((POT, MASS), (POT, MASS))] += np.outer(dry, dry)
    for w, weighed in ((1, "fabric_mass_kg"), (2, "gel_coat_mass_kg")):
        if np.isfinite(column(part, weighed)).mean() > 0.8:
            for law in laws:  # weighed and taken off, so it no longer moves the balance
                law[BALANCE, w] = 0.0
    seen = [WITNESSES[i] for i in usable]
    d, c, n = change[usable], covariance[np.ix_(usable, usable)], nuisance[np.ix_(usable, usable)]
    laws = [law[usable] for law in laws]
    meter = np.zeros(len(NAMES))
    meter[CAUSES.index("flow_meter")] = 1.0
    others, checks, span = meters
    told = known_step(checks, span)
    readings, moulds = shared_readings(others, span)
    extra = [told] if told is not None else []
    seen += ["bucket and scales"] if told is not None else []
    if readings:  # stands last: it is read in several ways
        extra.append((0.0, 0.0))
        seen.append("other moulds")
    for value, sd in extra:
        d, c, n = np.r_[d, value], np.pad(c, ((0, 1), (0, 1))), np.pad(n, ((0, 1), (0, 1)))
        c[-1, -1] = sd**2
        laws = [np.vstack([law, meter]) for law in laws]
    pressures = Pressures(
        _moved(column(part, "clamp_pressure_mbar"), after),
        _moved(column(part, "cavity_pressure_mbar"), after),
        _moved(column(part, "clamp_per_line_mbar_bar"), after),
        _moved(column(part, "clamp_rise_mbar_min"), after),
        bool(part["clamp_held"].fill_null(False).all()),
    )
    prior, possible = priors(book, events, pressures, volume_up, lasting)
    made = estimate(d, c, laws, n, prior, 3, possible, readings)
    # the mould's own witnesses that contradict each other under every set of causes are trusted less, all of them alike
    own = len(d) - bool(readings)
    misfit, free = misfit_of(made, d[:own], (c + n)[:own, :own], [law[:own] for law in laws])
    if misfit > free + 2.5 * np.sqrt(2.0 * free):
        made = estimate(d, c * misfit / free, laws, n * misfit / free, prior, 3, possible, readings)
    return made, moulds, seen


def _viscosity_variance(part: pl.DataFrame, after: Any) -> float:
    """Variance of the change of log permeability by resin batches of unknown viscosity and by temperature."""
    batch = part["resin_batch"].fill_null("").to_numpy()
    measured = part["book_batch_viscosity_pa_s"].is_not_null().to_numpy()
    tolerance = column(part, "book_viscosity_tolerance_pct")
    unknown = 1.2 * float(np.nanmean(np.where(np.isfinite(tolerance), tolerance, 15.0))) / 196.0
    total = 0.0
    for name in set(batch.tolist()):
        mine = batch == name
        share = float(mine[after].mean() - mine[~after].mean())
        total += (share * (KNOWN_BATCH if measured[mine].any() else unknown)) ** 2
    warm = np.where(
        np.isfinite(column(part, "mould_temp_c")), column(part, "mould_temp_c"), column(part, "resin_temp_c")
    )
    moved = _moved(warm, after)
    if moved is not None:
        total += (ACTIVATION * moved[0]) ** 2
    return total
