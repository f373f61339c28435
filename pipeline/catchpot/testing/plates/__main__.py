"""`python -m catchpot.testing.plates OUT --seed 1 --moulds 8 --shots 40`: write a workshop of made-up plates."""

from __future__ import annotations

import argparse
from pathlib import Path

from catchpot.testing.plates.write import write_plates


def main() -> None:
    """Read the command line and write the workshop."""
    parser = argparse.ArgumentParser(prog="python -m catchpot.testing.plates", description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--moulds", type=int, default=8)
    parser.add_argument("--shots", type=int, default=40)
    parser.add_argument("--variants", type=int, default=6, help="cloths marched a mould")
    parser.add_argument("--faults", type=float, default=0.0, help="chance that a shot has a fault")
    given = parser.parse_args()
    write_plates(
        given.out, given.seed, given.moulds, given.shots, variants=given.variants, fault_chance=given.faults, say=print
    )


if __name__ == "__main__":
    main()
