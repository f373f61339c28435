"""A curve that healthy fits badly and no kind fits well."""

from __future__ import annotations

import numpy as np

from catchpot.report import words
from catchpot.stats.healthy_curve import FREEDOM, GRID
from catchpot_faults.found import Found
from catchpot_faults.hypothesis import EFFECTIVE, Evidence, Floats, Look

SCALES = np.log(1e4)
"""Width of the prior of its own scale: departures up to a hundred times the usual, each factor as likely."""


def any_scale(look: Look) -> tuple[Floats, Floats]:
    """Log ratio of departures of any size against the usual one, at the likeliest scale; and that scale, (shots,)."""
    n = np.minimum(np.maximum(look.cells, 1.0), EFFECTIVE)
    squares = look.squares * n / np.maximum(look.cells, 1.0)
    scale = np.maximum(squares / n, 1.0)
    ratio = 0.5 * (FREEDOM + n) * np.log((FREEDOM + squares) / (FREEDOM + squares / scale))
    return np.asarray(ratio - 0.5 * n * np.log(scale) - np.log(SCALES) - look.handicap), scale


FOLD_STARTS, FOLD_WIDTHS = np.arange(0.08, 0.9, 0.06), (0.15, 0.25)
"""Where a fold, a lap or an insert across the way begins to resist, and over which stretch the front crosses it."""
FOLD_ADDS = np.geomspace(0.12, 2.0, 6)
"""What it adds, as a share of the whole resistance there."""
FOLD_SHARE = 0.4
"""Share of unusual shapes that are one of these."""


def folds(mean: Floats, end: float) -> Floats:
    """Log of a resistance that grows over a stretch of the way and stays, (K, CELLS)."""
    here = np.interp(FOLD_STARTS * end, GRID, mean)
    since = (GRID - FOLD_STARTS[:, None] * end)[:, None, :]
    ramp = np.clip(since / (np.array(FOLD_WIDTHS)[:, None] * end), 0.0, 1.0)
    share = np.exp(here[:, None, None] - mean) * ramp
    return np.asarray(np.log1p(FOLD_ADDS[:, None] * share.reshape(-1, 1, len(GRID)))).reshape(-1, len(GRID))


class UnusualShape:
    """Departures of the usual kind, of any size; or a cloth that resists more on one stretch."""

    name = "unusual_shape"
    channels = frozenset({"curve"})
    spoils: frozenset[str] = frozenset()
    one_in = 1000.0
    settles = "Whoever ran the shot may know what was different; keep the part until it is known."

    def evidence(self, look: Look) -> Evidence:
        """The likeliest scale against the usual one, less the freedom to choose it."""
        if look.healthy is None:
            return Evidence({"curve": np.zeros(len(look.rows))})
        ratio, scale = any_scale(look)
        end = float(GRID[np.flatnonzero(look.healthy.cells)[-1]])
        folded, _, _ = look.curve(folds(look.healthy.mean, end))
        both = np.logaddexp(np.log(1.0 - FOLD_SHARE) + ratio, np.log(FOLD_SHARE) + folded)
        return Evidence({"curve": both}, {"times": np.sqrt(scale), "fold": (folded > ratio).astype(float)})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """How far off, and on which stretch most."""
        assert look.healthy is not None
        unit_l = float(look.unit_l[i])
        off = np.where(look.known[i] & look.healthy.cells, look.left[i], np.nan)
        off = off - np.nanmedian(off)
        odd = np.abs(off) / look.healthy.scatter
        worst = int(np.nanargmax(odd))
        near = np.flatnonzero(odd > 0.5 * odd[worst])
        begin, end = float(GRID[near[0]]) * unit_l, float(GRID[near[-1]]) * unit_l
        side = "above" if off[worst] > 0 else "below"
        fold = evidence.parameter["fold"][i] > 0
        like = (
            "It looks as if the cloth resisted more on one stretch, as a fold, a lap or an insert would make it."
            if fold else "No known kind of fault fits it well."
        )  # fmt: skip
        return Found(
            self.name,
            "watch",
            f"The curve is unlike the {look.healthy.shots} healthy ones before it: its shape lies "
            f"{evidence.parameter['times'][i]:.1f} times as far off as usual, most at"
            f" {words.fixed(GRID[worst] * unit_l, 'l', 2)}, "
            f"{100 * abs(np.expm1(off[worst])):.0f} % {side} what was expected. {like}",
            "Look at the marked stretch together with whoever ran the shot; it has no name yet.",
            begin,
            end,
        )


__all__ = ["UnusualShape", "any_scale"]
