"""Ratios of the benchmarks, beside the committed ones: `poe bench --compare` fails what got worse by a quarter."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

TABLE = Path(__file__).with_name("ratios.csv")
WORSE = 1.25
COLUMNS = ("name", "over", "ratio")


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("benchmarks")
    group.addoption("--compare", action="store_true", help="fail where a ratio is a quarter above the committed one")
    group.addoption("--renew", action="store_true", help="write the ratios of this run into the committed table")


def committed() -> dict[str, tuple[str, float]]:
    """name -> what it is over, and the ratio."""
    if not TABLE.exists():
        return {}
    with TABLE.open(newline="", encoding="utf-8") as file:
        return {r["name"]: (r["over"], float(r["ratio"])) for r in csv.DictReader(file)}


@pytest.fixture
def ratio(
    request: pytest.FixtureRequest, capsys: pytest.CaptureFixture[str]
) -> Iterator[Callable[[str, str, float], None]]:
    """ratio(name, over, value): tell a ratio, and hold it against the committed one where that is asked for."""
    told: dict[str, tuple[str, float]] = {}

    def tell(name: str, over: str, value: float) -> None:
        told[name] = (over, value)

    yield tell
    before = committed()
    worse = []
    with capsys.disabled():
        for name, (over, value) in told.items():
            known = before[name][1] if name in before else None
            print(f"\n{name} over {over}: {value:.3g}" + (f", committed {known:.3g}" if known is not None else ""))
            if known is not None and value > WORSE * known:
                worse.append(f"{name}: {value:.3g}, {known:.3g} before")
    if request.config.getoption("--renew"):
        rows = sorted({**before, **told}.items())
        with TABLE.open("w", newline="", encoding="utf-8") as file:
            out = csv.writer(file, lineterminator="\n")
            out.writerow(COLUMNS)
            out.writerows((name, over, f"{value:.3g}") for name, (over, value) in rows)
    if request.config.getoption("--compare") and worse:
        pytest.fail("worse by more than a quarter: " + "; ".join(worse))
