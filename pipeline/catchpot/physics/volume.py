"""What each cause does to the volume a mould takes, and to everything else that is measured beside it.

A part takes `area x (thickness - areal weight / fibre density)` of resin, less what a core keeps out; runner and hose
come on top, and the meter counts all of it with its own gain. Small changes of these move the witnesses in proportion:
the couplings below are the derivatives, one column a cause, one row a witness. Permeability follows the fibre share as
Kozeny and Carman have it, `K ~ porosity^3 / fibre share^2` (J. Kozeny 1927; P. C. Carman 1937); real packs follow with
exponents of their own, so callers try more than one (`exponent_scale`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from catchpot.physics.resin import THERMAL_EXPANSION_PER_K

Array = NDArray[np.float64]

CAUSES = (
    "cavity_thickness", "fabric_pack", "gel_coat", "core", "runner_or_hose", "flow_meter", "resin_past_seal",
)  # fmt: skip
"""Causes with a size of their own. Units: share of the thickness, share of the areal weight, mm, l, l, log of the gain,
l."""

WITNESSES = (
    "volume", "pot_volume", "permeability", "part_mass", "balance", "fabric_mass", "gel_coat_mass", "thickness",
    "line_resistance",
)  # fmt: skip
"""What is watched. volume: log of the arrival volume as metered. pot_volume: log of injected less what the catch pot
held. permeability: log of the stored K (area scaled to arrival). part_mass, fabric_mass, gel_coat_mass: kg. balance:
log of injected over the resin found in part and catch pot. thickness: mm, of the part as measured. line_resistance: log
of that of hose and mix head, free of viscosity: pressure drop over metered flow."""

GEL_COAT_KG_L = 1.25
"""Density of a cured gel coat (common practice, no source: 1.2 to 1.35)."""


@dataclass(frozen=True)
class PartBook:
    """A mould's book in litres, millimetres and kilograms. volume_l: what it takes now, runner included."""

    area_m2: float
    thickness_mm: float
    areal_weight_kg_m2: float
    fibre_kg_l: float
    resin_kg_l: float
    core_volume_l: float
    core_uptake: float
    runner_l: float
    volume_l: float

    @property
    def fibre_l(self) -> float:
        """Volume of the fibres, l."""
        return self.area_m2 * self.areal_weight_kg_m2 / self.fibre_kg_l

    @property
    def cavity_l(self) -> float:
        """Volume of the empty cavity, l (1 m2 x 1 mm is 1 l)."""
        return self.area_m2 * self.thickness_mm

    @property
    def bed_l(self) -> float:
        """Resin a part takes by its book, l, core reckoned with.

        >>> round(PartBook(2.0, 4.0, 1.35, 2.55, 1.1, 0.0, 0.0, 0.0, 7.0).bed_l, 6)
        6.941176
        """
        return self.cavity_l - self.fibre_l - self.core_volume_l * (1.0 - self.core_uptake)

    @property
    def fibre_share(self) -> float:
        """Fibres over cavity."""
        return self.fibre_l / self.cavity_l


def kozeny_exponent(fibre_share: ArrayLike) -> Array:
    """-d ln K / d ln(fibre share) under Kozeny and Carman: 2 + 3 v / (1 - v).

    >>> float(kozeny_exponent(0.25))
    3.0
    """
    v = np.asarray(fibre_share, dtype=float)
    return np.asarray(2.0 + 3.0 * v / (1.0 - v))


def litres(book: PartBook) -> Array:
    """Metered arrival volume, l, for one unit of each of CAUSES; shape (causes,).

    Resin arrives before the last corner is full, and the meter has its gain: what happens in the part counts by the
    ratio of what the mould takes to what its book says, as far as 0.85 to 1.15.

    2 m2 by 4 mm, three layers of 450 g/m2: 0.1 mm of gel coat takes 0.2 l away, 5 % of glass 0.053 l.

    >>> x = litres(PartBook(2.0, 4.0, 1.35, 2.55, 1.1, 0.0, 0.0, 0.0, 6.941176))
    >>> round(float(0.1 * x[2]), 3), round(float(0.05 * x[1]), 3)
    (-0.2, -0.053)
    """
    seen = float(np.clip((book.volume_l - book.runner_l) / book.bed_l, 0.85, 1.15))
    return np.concatenate([seen * _in_part(book), [1.0, book.volume_l, 1.0]])


def _in_part(book: PartBook) -> Array:
    """Resin in the part, real litres, for one unit of each of the first four causes."""
    return np.array([book.cavity_l, -book.fibre_l, -book.area_m2, -(1.0 - book.core_uptake)])


def couplings(book: PartBook, exponent_scale: float = 1.0) -> Array:
    """Change of each witness for one unit of each cause; shape (WITNESSES, CAUSES).

    exponent_scale: factor on Kozeny's exponent. Stored K carries the real thickness over the book's and the meter's
    gain; resin lost past a seal is counted by the meter and reads like a high meter. The line's resistance carries the
    inverse of the gain and knows nothing of the part. A core's own mass is left out.
    Weighing knows no meter: only `balance`, metered over weighed, shows its gain.
    """
    n = float(kozeny_exponent(book.fibre_share)) * exponent_scale
    v, rho, h = book.volume_l, book.resin_kg_l, book.thickness_mm
    glass_kg, gel_kg_mm = book.area_m2 * book.areal_weight_kg_m2, book.area_m2 * GEL_COAT_KG_L
    resin = litres(book)
    of_volume = resin / v
    in_part = np.r_[_in_part(book), 0.0, 0.0, 0.0] * rho
    unweighed = rho * v
    return np.array(
        [
            of_volume,
            of_volume,
            [n + 1.0, -n, -(n + 1.0) / h, 0.0, 0.0, 1.0, 1.0 / v],
            in_part + np.array([0.0, glass_kg, gel_kg_mm, 0.0, 0.0, 0.0, 0.0]),
            [0.0, -glass_kg / unweighed, -gel_kg_mm / unweighed, 0.0, 1.0 / v, 1.0, 1.0 / v],
            [0.0, glass_kg, 0.0, 0.0, 0.0, 0.0, 0.0],
            [0.0, 0.0, gel_kg_mm, 0.0, 0.0, 0.0, 0.0],
            [h, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
            [0.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0],
        ]
    )


def expansion_share(mould_c: ArrayLike, resin_c: ArrayLike) -> Array:
    """Share by which the metered volume falls because resin grows between the meter and the warmer mould.

    >>> round(float(expansion_share(25.0, 20.0)), 6)
    -0.004
    """
    return np.asarray(-THERMAL_EXPANSION_PER_K * (np.asarray(mould_c, dtype=float) - np.asarray(resin_c, dtype=float)))


def book_volume(
    book: PartBook, thickness_sd_mm: float, areal_weight_sd_share: float, runner_sd_share: float
) -> tuple[float, float]:
    """What a mould should take by its book alone, and the s.d. of that, l; runner included, meter taken as right.

    A core's uptake is taken as known to a fifth of the core (common practice, no source: such cores take about half
    their volume); a meter that nobody checked is taken as right within 2 %.
    """
    volume = book.bed_l + book.runner_l
    parts = (
        book.area_m2 * thickness_sd_mm, book.fibre_l * areal_weight_sd_share, book.runner_l * runner_sd_share,
        0.1 * book.core_volume_l, 0.01 * volume,
    )  # fmt: skip
    return volume, float(np.sqrt(np.sum(np.square(parts))))


__all__ = [
    "CAUSES", "GEL_COAT_KG_L", "WITNESSES", "PartBook", "book_volume", "couplings", "expansion_share",
    "kozeny_exponent", "litres",
]  # fmt: skip
