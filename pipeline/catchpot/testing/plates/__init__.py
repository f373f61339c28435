"""Made-up moulds in two dimensions: control-volume Darcy over irregular triangles; shares no formula with the analyses.

`draw_plate` and `march_plate` give curves at unit viscosity; `plate_shots` gives logs and truth in memory;
`write_plates` writes a whole workshop.
"""

from catchpot.testing.plates.bed import Cloth, draw_cloth
from catchpot.testing.plates.fill import Marched
from catchpot.testing.plates.plate import Plate, draw_plate, march_plate

__all__ = ["Cloth", "Marched", "Plate", "draw_cloth", "draw_plate", "march_plate"]
