"""Makes `catchpot_fill/place_weights.csv`: what the shape of a mould's own curve says of the place of arrival.

    python -m tests.studies.teach_place OUT.csv

Moulds in two dimensions and straight channels are drawn, filled and logged (`catchpot.testing`), their shots laid on
their own curves as the analysis does it, and the numbers of `catchpot_fill.signs` taken after some of the shots; beside
each, the same shots cut short before or just behind the arrival, so that no habit of stopping is learnt. A layer of
tanh beside a straight line, with a softmax over the places and "not within the curve", is then fitted by maximum
likelihood with a quadratic penalty (L-BFGS; J. Nocedal and S. J. Wright, Numerical Optimization, 2nd ed. 2006, ch. 7).
The committed file was made from the moulds in `PLATES` and `CHANNEL_SEEDS` (the cuts were drawn otherwise then, so that
a new file differs in its digits); `study_plates` and `study_arrival` use other seeds.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from tests.studies.plates_world import moulds

from catchpot.stats.curve_fit import STEP, Repetition
from catchpot.stats.own_curve import OwnCurve
from catchpot.testing import made_up as mu
from catchpot.testing.jobs import compute, core_tables
from catchpot_fill.cells import merged
from catchpot_fill.injection_analysis import InjectionAnalysis
from catchpot_fill.prepare import column
from catchpot_fill.signs import NAMES, MouldFacts, signs
from catchpot_fill.witnesses import book_volume_l, rows

Floats = NDArray[np.float64]
PLATES = ((range(31, 39), 8, 3), (range(51, 56), 8, 3), (range(11, 13), 24, 6))
"""Seeds of fifty moulds each, shots of a mould, cloths of a mould."""
CHANNEL_SEEDS, CHANNEL_SHOTS = (5, 6), 8
UNITS, PENALTY = 16, 8e-4
AFTER = (1, 2, 3, 5, 8, 12, 18, 24)
"""Numbers of shots after which the curve is looked at."""
SMEAR = 0.7 * STEP
SHORT, BEHIND = (0.82, 0.995), (1.0, 1.06)
"""Shares of the arrival volume at which copies of the shots are cut."""
OFF = replace(mu.Nuisances.off(), permeability_sd=0.05, areal_weight_sd=0.01)
CHANNELS: tuple[tuple[mu.Nuisances, dict[str, object]], ...] = (
    (OFF, {}), (OFF, {"sampling_hz": 1.0}), (replace(OFF, sensor_noise=2.5), {"sampling_hz": 10.0}),
    (replace(OFF, lane_sd=0.17, lanes=8), {}), (replace(OFF, lane_sd=0.1, lanes=8), {}),
    (replace(OFF, hoses=True), {"vent_hose_m": 2.0}), (replace(OFF, strokes=True), {"stroke_ml": 25.0}),
    (replace(OFF, cover=True), {"cover_l_bar": 0.05}), (replace(OFF, capillary_mbar=10.0, capillary_sd_mbar=3.0), {}),
    (mu.Nuisances(), {"vent_hose_m": 1.0, "runner_volume_l": 0.1, "runner_booked_l": 0.105, "vent_height_m": 0.5}),
    (OFF, {"stop": "operator", "operator_share": 0.98}),
)  # fmt: skip


@dataclass(frozen=True)
class Lesson:
    """Numbers at the places of a curve, and where on it resin arrived; known_to: where the curve ends."""

    place: Floats
    numbers: Floats
    known_to: float
    arrival: float


def lessons(injection: pl.DataFrame, book: pl.DataFrame, arrival_l: Floats, cut: float | None = None) -> list[Lesson]:
    """Lessons of one mould's shots. arrival_l: metered volume at the first resin, or where it would have come.

    cut: share of the arrival volume at which the shots are cut short; None for as they are.
    """
    resistance, noise = rows(injection["resistance_per_m3"]), rows(injection["resistance_sd_per_m3"])
    injected, readings = column(injection, "injected_volume_l"), column(injection, "readings")
    own = OwnCurve()
    stretch: list[float] = []
    used: list[int] = []
    made: list[Lesson] = []
    reference, size = float("nan"), 1.0
    for i in range(len(injected)):
        if np.isfinite(resistance[i]).sum() < 20 or not np.isfinite(noise[i]).any():
            continue
        if not used:
            reference, size = float(injected[i]), float(np.nanmedian(resistance[i]))
        edges, mean, sd = merged(resistance[i], noise[i], float(readings[i]))
        kept = len(mean)
        if cut is not None:
            kept = max(min(int(np.searchsorted(edges, cut * arrival_l[i] / injected[i])) - 1, len(mean)), 20)
        edges, mean, sd = edges[: kept + 1], mean[:kept], sd[:kept]
        if np.isfinite(mean).sum() < 15:
            continue
        shot = Repetition(edges * injected[i] / reference, mean / size, sd / size)
        placed = own.place(shot)
        own.learn(shot, placed)
        used.append(i)
        stretch.append(placed.log_stretch)
        if own.count in AFTER:
            unit = np.exp(stretch) * reference
            end = injected[used] * (1.0 if cut is None else np.minimum(cut * arrival_l[used] / injected[used], 1.0))
            facts = MouldFacts(float(book_volume_l(book)[i]) / reference, str(book["fill"][i] or ""),
                               float(np.nan_to_num(column(book, "vent_hose_volume_l"))[i]) / reference)  # fmt: skip
            seen = signs(own, float(np.quantile((end / unit)[-20:], 0.7)), facts)
            made.append(Lesson(seen.place, seen.numbers, seen.known_to, float(np.median(arrival_l[used] / unit))))
    return made


def _both(injection: pl.DataFrame, book: pl.DataFrame, arrival_l: Floats, rng: np.random.Generator) -> list[Lesson]:
    cut = float(rng.uniform(*(SHORT if rng.random() < 0.5 else BEHIND)))
    return lessons(injection, book, arrival_l) + lessons(injection, book, arrival_l, cut)


def of_plates(seeds: Sequence[int], shots: int, cloths: int) -> Iterator[Lesson]:
    """Lessons of moulds in two dimensions, fifty a seed."""
    for seed in seeds:
        for k, m in enumerate(moulds(seed, 50, shots, variants=cloths)):
            book = m.book.for_shots(m.tables["shot"].select("shot", "mould", "started_at", "resin_batch"))
            given = m.truth.select("shot").join(m.tables["injection"], on="shot", how="left", maintain_order="left")
            yield from _both(given, book, m.truth["arrival_l"].to_numpy(), np.random.default_rng([seed, k]))


def of_channels(seed: int, shots: int) -> Iterator[Lesson]:
    """Lessons of straight channels with each nuisance, two moulds of each of five geometries."""
    rng = np.random.default_rng(seed)
    for number, (nuisances, settings) in enumerate(CHANNELS):
        made_of = tuple(
            replace(m, name=f"{m.name}.{c}", overflow_share=float(rng.uniform(0.015, 0.12)))
            for m in mu.five_moulds(shots, **settings) for c in range(2)
        )  # fmt: skip
        made = mu.simulate(mu.Scenario(moulds=made_of, nuisances=nuisances), 100 * seed + number)
        tables, book = core_tables(made), made.book()
        injection = compute(InjectionAnalysis(), tables, book).tables["injection"]
        for (name,), truth in made.truth_shot.filter(pl.col("kind") == "shot").group_by("mould", maintain_order=True):
            whole = (truth["pore_volume_l"] + truth["volume_before_l"]) * truth["meter_gain"]
            arrival = truth["arrival_volume_l"].fill_null(whole).to_numpy().astype(float)
            shot = tables["shot"].filter(pl.col("mould") == name)
            given = truth.select("shot").join(injection, on="shot", how="left", maintain_order="left")
            of_shots = book.for_shots(
                given.select("shot").join(shot.select("shot", "mould", "started_at", "resin_batch"), on="shot")
            )
            yield from _both(given, of_shots, arrival, rng)


@dataclass(frozen=True)
class Taught:
    """Weights; shapes as `catchpot_fill.place` reads them."""

    mean: Floats
    scale: Floats
    hidden: Floats
    bias: Floats
    out: Floats
    straight: Floats
    none: float
    none_by: Floats


def teach(given: Sequence[Lesson], units: int, penalty: float, seed: int, turns: int = 250) -> Taught:
    """Weights of the greatest penalised likelihood of the arrivals; every lesson counts the same."""
    from scipy.optimize import minimize

    numbers = np.concatenate([g.numbers for g in given])
    mean, scale = numbers.mean(axis=0), numbers.std(axis=0) + 1e-6
    f = (numbers - mean) / scale
    sizes = np.array([len(g.place) for g in given])
    start, of = np.concatenate([[0], np.cumsum(sizes)[:-1]]), np.repeat(np.arange(len(given)), sizes)
    near = np.concatenate(
        [np.exp(-0.5 * ((g.place - g.arrival) / SMEAR) ** 2) * (g.arrival <= g.known_to) for g in given]
    )
    total = np.add.reduceat(near, start)
    never = total < 1e-3
    near = np.where(never[of], 0.0, near / np.maximum(total, 1e-3)[of])
    whole = np.add.reduceat(f, start) / sizes[:, None]
    n = f.shape[1]
    cuts = np.cumsum([n * units, units, units, n, 1])

    def loss(x: Floats) -> tuple[float, Floats]:
        hidden, bias, out, straight, none, none_by = np.split(x, cuts)
        hidden = hidden.reshape(n, units)
        unit = np.tanh(f @ hidden + bias)
        score, absent = unit @ out + f @ straight, none[0] + whole @ none_by
        top = np.maximum(np.maximum.reduceat(score, start), absent)
        e, e_none = np.exp(score - top[of]), np.exp(absent - top)
        z = np.add.reduceat(e, start) + e_none
        p, p_none = e / z[of], e_none / z
        said = np.maximum(np.add.reduceat(p * near, start) + never * p_none, 1e-12)
        slope = (p - p * near / said[of]) / len(given)
        slope_none = (p_none - never * p_none / said) / len(given)
        back = np.outer(slope, out) * (1.0 - unit**2)
        weights = (hidden, out, straight, none_by)
        gradient = np.concatenate([
            (f.T @ back + 2 * penalty * hidden).ravel(), back.sum(axis=0), unit.T @ slope + 2 * penalty * out,
            f.T @ slope + 2 * penalty * straight, [slope_none.sum()], whole.T @ slope_none + 2 * penalty * none_by,
        ])  # fmt: skip
        return float(-np.log(said).mean() + penalty * sum(float(np.sum(w**2)) for w in weights)), gradient

    rng = np.random.default_rng(seed)
    first = np.concatenate([
        rng.normal(0.0, 0.6 / np.sqrt(n), n * units), np.zeros(units), rng.normal(0.0, 0.3, units), np.zeros(2 * n + 1),
    ])  # fmt: skip
    found = minimize(loss, first, jac=True, method="L-BFGS-B", options={"maxiter": turns})
    hidden, bias, out, straight, none, none_by = np.split(found.x, cuts)
    return Taught(mean, scale, hidden.reshape(n, units), bias, out, straight, float(none[0]), none_by)


def write(nets: Sequence[Taught], path: Path) -> None:
    """Write the weights as `catchpot_fill.place` reads them."""
    units = [f"unit_{i}" for i in range(nets[0].hidden.shape[1])]

    def text(values: Floats) -> list[str]:
        return [f"{v:.5g}" for v in values]

    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["net", "sign", "mean", "scale", "straight", "none", *units])
        for number, t in enumerate(nets):
            for i, name in enumerate(NAMES):
                row = np.array([t.mean[i], t.scale[i], t.straight[i], t.none_by[i], *t.hidden[i]])
                out.writerow([number, name, *text(row)])
            out.writerow([number, "bias", "", "", "", "", *text(t.bias)])
            out.writerow([number, "out", "", "", "", "", *text(t.out)])
            out.writerow([number, "none", "", "", f"{t.none:.5g}", "", *[""] * len(units)])


def main() -> None:
    """Make the weights anew."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    given = parser.parse_args()
    taught = [lesson for seeds, shots, cloths in PLATES for lesson in of_plates(seeds, shots, cloths)]
    taught += [lesson for seed in CHANNEL_SEEDS for lesson in of_channels(seed, CHANNEL_SHOTS)]
    write([teach(taught, UNITS, PENALTY, 0)], given.out)


if __name__ == "__main__":
    main()
