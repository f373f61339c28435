"""Readers: the kit's checks, our own readers and the worked example under them, and each check can fail."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from tests.conformance.guide import steps

from catchpot.ingest.reader import FrameLayout, Layout, Reader, ShotFrame, ShotMeta, Source
from catchpot.testing import check_reader
from catchpot.workshop import Workshop, init_workshop, open_workshop
from catchpot_logs.parquet import ParquetReader
from catchpot_logs.plain import PlainReader

# The worked example, as the guide has it.
_GUIDE: dict[str, Any] = {}
exec(compile(steps("Add a reader, in five steps").code, "demo_logger.py", "exec"), _GUIDE)
HEAD, MARK, ROW = (_GUIDE[n] for n in ("HEAD", "MARK", "ROW"))
NAMES = ("t_s", "flow_l_min", "line_pressure_bar", "cavity_pressure_mbar")


@pytest.fixture
def workshop(tmp_path: Path) -> Workshop:
    """An empty workshop."""
    init_workshop(tmp_path)
    return open_workshop(tmp_path)


def samples(seed: int) -> list[tuple[float, ...]]:
    return [(0.5 * i, 1.0 if 20 < i < 90 else 0.0, 0.3 + 0.001 * ((i * seed) % 7), 550.0 + i % 5) for i in range(120)]


def demo(seed: int) -> bytes:
    rows = samples(seed)
    head: bytes = HEAD.pack(MARK, b"hatch-3", 1_772_000_000 + 5000 * seed, len(rows))
    return head + b"".join(ROW.pack(*r) for r in rows)


def plain(seed: int) -> bytes:
    text = "# mould = hatch-3\n# started_at = 2026-03-02T08:15:00+00:00\n" + ",".join(NAMES) + "\n"
    return (text + "".join(",".join(f"{v:g}" for v in r) + "\n" for r in samples(seed))).encode()


def parquet(seed: int) -> bytes:
    out = io.BytesIO()
    pl.DataFrame(samples(seed), schema=list(NAMES), orient="row").write_parquet(out)
    return out.getvalue()


def files(make: Callable[[int], bytes], ending: str) -> dict[str, bytes]:
    return {f"logs/{make.__name__}-{i}{ending}": make(i) for i in range(1, 4)}


def test_the_worked_example_passes(workshop: Workshop) -> None:
    check_reader(
        _GUIDE["DemoReader"](), files(demo, ".dat"), files(plain, ".csv") | files(parquet, ".parquet"), workshop
    )


def test_our_own_pass(workshop: Workshop) -> None:
    check_reader(ParquetReader(), files(parquet, ".parquet"), files(plain, ".csv") | files(demo, ".dat"), workshop)
    check_reader(PlainReader(), files(plain, ".csv"), files(parquet, ".parquet"), workshop)


class DemoReader:
    """The reader of the guide, for others to differ from."""

    def __init__(self) -> None:
        self.guide: Reader = _GUIDE["DemoReader"]()
        self.name, self.order, self.binary = self.guide.name, 500, True

    def claims(self, source: Source, workshop: Workshop) -> bool:
        return self.guide.claims(source, workshop)

    def settings(self, source: Source, workshop: Workshop) -> str:
        return self.guide.settings(source, workshop)

    def describe(self, source: Source, workshop: Workshop) -> Layout:
        return self.guide.describe(source, workshop)


class Greedy(DemoReader):
    """Claims all there is."""

    def claims(self, source: Source, workshop: Workshop) -> bool:
        return True


class Shy(DemoReader):
    """Claims nothing."""

    def claims(self, source: Source, workshop: Workshop) -> bool:
        return False


class Failing(DemoReader):
    """Raises when asked."""

    def claims(self, source: Source, workshop: Workshop) -> bool:
        raise ValueError("no idea")


class Guessing(DemoReader):
    """Fills up what a file lacks."""

    def describe(self, source: Source, workshop: Workshop) -> Layout:
        body = source.data[HEAD.size :]
        rows = list(ROW.iter_unpack(body[: len(body) // ROW.size * ROW.size]))
        rows += [(1000.0 + i, 0.0, 0.0, 550.0) for i in range(120 - len(rows))]
        return FrameLayout([ShotFrame(ShotMeta(source.stem), pl.DataFrame(rows, schema=list(NAMES), orient="row"))])


class Forgetful(DemoReader):
    """Gives something else each time."""

    asked = 0

    def describe(self, source: Source, workshop: Workshop) -> Layout:
        Forgetful.asked += 1
        layout = super().describe(source, workshop)
        assert isinstance(layout, FrameLayout)
        frame = layout.shots[0].frame.with_columns(flow_l_min=pl.lit(float(Forgetful.asked % 7)))
        return FrameLayout([ShotFrame(layout.shots[0].meta, frame)])


class Raising(DemoReader):
    """Raises on a damaged file instead of refusing it."""

    def describe(self, source: Source, workshop: Workshop) -> Layout:
        assert len(source.data) == len(demo(1))
        return super().describe(source, workshop)


FAULTS = {
    Greedy: "is another's file, and it claims it",
    Shy: "is its own file, and it does not claim it",
    Failing: "failed when asked about",
    Guessing: "it gives rows that the whole file does not have",
    Forgetful: "gives something else when it is read",
    Raising: "it raised instead of refusing",
}


@pytest.mark.parametrize("reader", FAULTS, ids=lambda r: r.__name__)
def test_each_check_can_fail(workshop: Workshop, reader: type[DemoReader]) -> None:
    with pytest.raises(AssertionError, match=FAULTS[reader]):
        check_reader(reader(), files(demo, ".dat"), files(plain, ".csv"), workshop)


def test_a_reader_without_its_members_is_named(workshop: Workshop) -> None:
    with pytest.raises(AssertionError, match="it has no claims\nit has no describe\nit has no settings"):
        check_reader(type("Nothing", (), {"name": "x"})(), {}, {}, workshop)
