"""Made-up moulds in two dimensions: control-volume Darcy over irregular triangles; shares no formula with the analyses.

`draw_plate` and `march_plate` give curves at unit viscosity; `plate_shots` gives logs and truth in memory,
`plate_tables` the core's tables of them;
`write_plates` writes a workshop, as does `python -m catchpot.testing.plates OUT`.
"""

from catchpot.testing.plates.bed import Cloth, draw_cloth
from catchpot.testing.plates.fill import Marched
from catchpot.testing.plates.plate import Plate, draw_plate, march_plate
from catchpot.testing.plates.practice import Disturbances, Practice, draw_practice
from catchpot.testing.plates.shots import PlateShots, plate_shots
from catchpot.testing.plates.tables import plate_book, plate_tables
from catchpot.testing.plates.write import write_plates

__all__ = [
    "Cloth",
    "Disturbances",
    "Marched",
    "Plate",
    "PlateShots",
    "Practice",
    "draw_cloth",
    "draw_plate",
    "draw_practice",
    "march_plate",
    "plate_book",
    "plate_shots",
    "plate_tables",
    "write_plates",
]
