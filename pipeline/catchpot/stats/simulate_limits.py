"""Makes `changepoint_limits.csv` and `month_limits.csv`: python -m catchpot.stats.simulate_limits (about five minutes).

Steady histories of independent normal shots are watched exactly as real ones; the limit for m measures is the point
that a share 1 - (1 - 0.045)^(1/m) of single histories of 60 shots passes anywhere. The third column is what that limit
costs later: shots of steady running between two false calls over the whole set, from histories of 300 shots.
The second table holds, for a month of so many shots, the log odds that a given share of steady months passes anywhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.changepoint import LIMITS_FILE
from catchpot.stats.evidence import Scan, change_evidence, clip_lone_shots
from catchpot.stats.steady import MONTH, MONTH_LIMITS_FILE

SEED = 20264
SIZES = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 30)
SHOTS, SHARE = 60, 0.045
HISTORIES, LONG_HISTORIES, LONG = 100_000, 3_000, 300
BATCH = 250


def largest_odds(rng: np.random.Generator, histories: int, shots: int, scan: Scan) -> NDArray[np.float64]:
    """Running maximum of the log odds of steady histories, shape (histories, shots)."""
    parts = [
        np.maximum.accumulate(
            change_evidence(clip_lone_shots(rng.standard_normal((BATCH, shots))), None, scan).log_odds, axis=1
        ).astype(np.float32)
        for _ in range(histories // BATCH)
    ]
    return np.concatenate(parts).astype(float)


def limits_by_simulation(
    seed: int = SEED,
    sizes: tuple[int, ...] = SIZES,
    histories: int = HISTORIES,
    long_histories: int = LONG_HISTORIES,
    scan: Scan | None = None,
) -> list[tuple[int, float, float]]:
    """Rows of (measures, limit, shots between two false calls)."""
    scan = scan or Scan()
    rng = np.random.default_rng(seed)
    highest = largest_odds(rng, histories, SHOTS, scan)[:, -1]
    running = largest_odds(rng, long_histories, LONG, scan)
    rows = []
    for m in sizes:
        limit = round(float(np.quantile(highest, (1 - SHARE) ** (1 / m))), 2)
        rung = running > limit
        calls = rung.any(axis=1)
        exposure = float(np.sum(np.where(calls, rung.argmax(axis=1) + 1, LONG)))
        rows.append((m, limit, exposure / max(int(calls.sum()), 1) / m))
    return rows


MONTH_SHOTS = (12, 15, 20, 25, 30, 40, 50, 75, 100)
MONTH_SHARES = (0.005, 0.01, 0.025, 0.05, 0.1)


def month_limits_by_simulation(seed: int = SEED, months: int = 4_000) -> list[tuple[float, ...]]:
    """Rows of (shots, a limit for each of MONTH_SHARES)."""
    rng = np.random.default_rng(seed + 1)
    rows: list[tuple[float, ...]] = []
    for n in MONTH_SHOTS:
        highest = largest_odds(rng, months, n, MONTH)[:, -1]
        rows.append((float(n), *(float(np.quantile(highest, 1 - share)) for share in MONTH_SHARES)))
    return rows


def main() -> None:
    """Write the tables."""
    months = [f"# made by python -m catchpot.stats.simulate_limits, seed {SEED + 1}: 4000 steady months each"]
    months += [
        "# first row: share of steady months that pass the limit; then shots of the month and the limit for each share",
        ",".join(["0", *(f"{s:g}" for s in MONTH_SHARES)]),
    ]
    months += [",".join([f"{r[0]:.0f}", *(f"{v:.2f}" for v in r[1:])]) for r in month_limits_by_simulation()]
    MONTH_LIMITS_FILE.write_text("\n".join(months) + "\n", encoding="utf-8")
    _write_set_limits()


def _write_set_limits() -> None:
    made = f"# made by python -m catchpot.stats.simulate_limits, seed {SEED}:"
    how = f" {HISTORIES} steady histories of {SHOTS} shots, {LONG_HISTORIES} of {LONG}"
    columns = "# measures watched at once, limit of the log odds, shots of steady running between two false calls"
    lines = [made + how, columns]
    lines += [f"{m},{limit:.2f},{between:.0f}" for m, limit, between in limits_by_simulation()]
    LIMITS_FILE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
