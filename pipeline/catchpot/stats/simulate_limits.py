"""Makes `changepoint_limits.csv`: python -m catchpot.stats.simulate_limits (some minutes).

Steady series are searched exactly as real ones; the penalty for a share is the point that this share of them passes,
the larger one of shots that are independent, alike by 0.3 and alike by 0.6.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.changepoint import LIMITS_FILE
from catchpot.stats.segments import Least, largest_gain
from catchpot.stats.steady import MONTH
from catchpot.stats.wild_shots import clip_lone_shots

Floats = NDArray[np.float64]
SEED = 20264
ALIKE = (0.0, 0.3, 0.6)
SHARES = (0.1, 0.05, 0.025, 0.01, 0.005, 0.0025)
HISTORY_SHOTS, HISTORIES = (20, 30, 40, 60, 120), (600, 600, 600, 4000, 300)
MONTH_SHOTS, MONTHS = (12, 15, 20, 25, 30, 40, 50, 75, 100), 600


def steady_series(rng: np.random.Generator, shots: int, alike: float) -> Floats:
    """One steady series: normal shots, each alike to the one before by a correlation."""
    new = rng.standard_normal(shots)
    out = np.empty(shots)
    out[0] = new[0]
    for i in range(1, shots):
        out[i] = alike * out[i - 1] + np.sqrt(1 - alike**2) * new[i]
    return out


def penalties(shots: int, series: int, least: Least, alike: tuple[float, ...] = ALIKE, seed: int = SEED) -> list[float]:
    """The penalty for each of SHARES."""
    worst = np.zeros(len(SHARES))
    for rho in alike:
        rng = np.random.default_rng([seed, shots, round(100 * rho)])
        gain = [largest_gain(clip_lone_shots(steady_series(rng, shots, rho)), least) for _ in range(series)]
        worst = np.maximum(worst, np.quantile(gain, [1 - s for s in SHARES]))
    return [float(v) for v in worst]


def main() -> None:
    """Write the table."""
    lines = [
        f"# made by python -m catchpot.stats.simulate_limits, seed {SEED}: steady series alike by {ALIKE}",
        "# kind, shots, then the penalty of a change for each share of steady series that is called",
        ",".join(["kind", "shots", *(f"{s:g}" for s in SHARES)]),
    ]
    for shots, series in zip(HISTORY_SHOTS, HISTORIES, strict=True):
        lines.append(",".join(["history", str(shots), *(f"{v:.2f}" for v in penalties(shots, series, Least()))]))
    lines += [
        ",".join(["month", str(shots), *(f"{v:.2f}" for v in penalties(shots, MONTHS, MONTH))]) for shots in MONTH_SHOTS
    ]
    LIMITS_FILE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
