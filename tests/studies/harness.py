"""Studies: coverage and error over many seeds, written as tables beside the code.

Write `tests/studies/study_SOMETHING.py`:

    from collections.abc import Sequence
    import polars as pl
    from catchpot.testing import made_up as mu
    from tests.studies.harness import interval_table, study

    @study("arrival-straight", seeds=200, slice_seeds=4)
    def arrival_straight(seeds: Sequence[int]) -> pl.DataFrame:
        '''Arrival volume on straight fronts: error, coverage, width.'''
        ...one frame for all seeds; rows are cases, columns are what was measured...

Run it from the repository's root: `python -m tests.studies arrival-straight` (or `poe study arrival-straight`),
`--seeds 20` for a short one, `--list` for all. The result goes to `tests/studies/results/NAME.csv` with the version and
the seeds in front of every row and nothing that depends on the clock.

In CI a test runs a slice: `from tests.studies.harness import slice_of`, then `slice_of("arrival-straight")` gives the
frame over the first `slice_seeds` seeds and the test asserts loosely on it.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

HERE = Path(__file__).parent
RESULTS = HERE / "results"
StudyFunction = Callable[[Sequence[int]], pl.DataFrame]


@dataclass(frozen=True)
class Study:
    """A registered study: seeds for the committed table, slice_seeds for CI."""

    name: str
    seeds: int
    slice_seeds: int
    run: StudyFunction

    @property
    def about(self) -> str:
        """First line of the function's docstring."""
        return (self.run.__doc__ or "").strip().splitlines()[0] if self.run.__doc__ else ""


REGISTERED: dict[str, Study] = {}


def analysed(folder: Path, what: str) -> None:
    """Ingest and analyse a workshop by the command line, as people do. what: named where that fails."""
    for command in ("ingest", "analyse"):
        done = subprocess.run(
            [sys.executable, "-m", "catchpot.cli", "--home", str(folder), command],
            check=False, capture_output=True, text=True, env={**os.environ, "OMP_NUM_THREADS": "1"},
        )  # fmt: skip
        if done.returncode:
            raise RuntimeError(f"{command} of {what} ended with {done.returncode}: {done.stderr}")


def study(name: str, *, seeds: int, slice_seeds: int = 2) -> Callable[[StudyFunction], StudyFunction]:
    """Register a study by name; two of one name from different files are an error."""

    def register(function: StudyFunction) -> StudyFunction:
        known = REGISTERED.get(name)
        if known and known.run.__module__ != function.__module__:
            raise ValueError(f"study {name!r} is registered by {known.run.__module__} and {function.__module__}")
        REGISTERED[name] = Study(name, seeds, slice_seeds, function)
        return function

    return register


def all_studies() -> dict[str, Study]:
    """Import every `study_*.py` beside this file and return what they registered, by name."""
    for file in sorted(HERE.glob("study_*.py")):
        importlib.import_module(f"tests.studies.{file.stem}")
    return dict(sorted(REGISTERED.items()))


def find(name: str) -> Study:
    """The study of that name; KeyError that lists the names there are."""
    studies = all_studies()
    if name not in studies:
        raise KeyError(f"no study {name!r}; there are: {', '.join(studies) or 'none'}")
    return studies[name]


def slice_of(name: str) -> pl.DataFrame:
    """The study over its first few seeds, for CI."""
    found = find(name)
    return found.run(range(found.slice_seeds))


def run_study(name: str, seeds: int | None = None, first: int = 0, folder: Path = RESULTS) -> Path:
    """Run a study and write its table; returns the file."""
    found = find(name)
    count = seeds or found.seeds
    frame = found.run(range(first, first + count))
    version = importlib.metadata.version("catchpot")
    head = [pl.lit(version).alias("version"), pl.lit(first).alias("first_seed"), pl.lit(count).alias("seeds")]
    rounded = frame.select(*head, pl.all()).with_columns(pl.selectors.float().round_sig_figs(4))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.csv"
    path.write_text(rounded.write_csv(), encoding="utf-8")
    return path


def interval_table(
    frame: pl.DataFrame, by: Sequence[str], *, value: str, low: str, high: str, truth: str
) -> pl.DataFrame:
    """Error and coverage of an estimate, case by case.

    frame: one row a try, value null where refused. Returned per case: n; refused_pct; bias_pct, median_error_pct,
    p95_error_pct (absolute error over truth, of those given); covered_pct (interval holds the truth, of those given);
    width_pct (median width over truth).

    >>> t = pl.DataFrame({"c": "a", "v": [1.0, None], "l": [0.9, None], "h": [1.1, None], "t": [1.05, 1.0]})
    >>> interval_table(t, ["c"], value="v", low="l", high="h", truth="t")["covered_pct"].to_list()
    [100.0]
    """
    error = (pl.col(value) - pl.col(truth)) / pl.col(truth) * 100
    held = (pl.col(low) <= pl.col(truth)) & (pl.col(truth) <= pl.col(high))
    return (
        frame.group_by(by, maintain_order=True)
        .agg(
            pl.len().alias("n"),
            (pl.col(value).is_null().mean() * 100).alias("refused_pct"),
            error.median().alias("bias_pct"),
            error.abs().median().alias("median_error_pct"),
            error.abs().quantile(0.95).alias("p95_error_pct"),
            (held.mean() * 100).alias("covered_pct"),
            ((pl.col(high) - pl.col(low)) / pl.col(truth) * 100).median().alias("width_pct"),
        )
        .sort(by, maintain_order=True)
    )
