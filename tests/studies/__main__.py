"""`python -m tests.studies NAME [--seeds N]`: run a registered study and write its table."""

from __future__ import annotations

import argparse
import sys

import polars as pl
from tests.studies.harness import all_studies, run_study


def main(arguments: list[str] | None = None) -> int:
    """Run the named studies (or `all`); 2 for a name that is not there."""
    parser = argparse.ArgumentParser(prog="python -m tests.studies", description=__doc__)
    parser.add_argument("names", nargs="*", help="studies to run, or all")
    parser.add_argument("--seeds", type=int, default=None, help="how many seeds instead of the study's own number")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--list", action="store_true", help="list the studies")
    given = parser.parse_args(arguments)
    studies = all_studies()
    if given.list or not given.names:
        for s in studies.values():
            print(f"{s.name:32} {s.seeds:5} seeds  {s.about}")
        return 0
    names = list(studies) if given.names == ["all"] else given.names
    unknown = [n for n in names if n not in studies]
    if unknown:
        print(f"no study {', '.join(unknown)}; there are: {', '.join(studies)}", file=sys.stderr)
        return 2
    for name in names:
        path = run_study(name, given.seeds, given.first)
        print(path)
        with pl.Config(tbl_rows=200, tbl_cols=40, tbl_width_chars=220):
            print(pl.read_csv(path))
    return 0


if __name__ == "__main__":
    sys.exit(main())
