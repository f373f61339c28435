"""`python -m tests.studies.report_weights WORKSHOP`: what a report weighs and how long it takes, as a table.

The moulds of a workshop that was run (the demo, say) are copied under other names, with all that was computed of them,
until there are enough, and the report is written from these tables: anew, once more, and once more without one shot of
one mould. Samples are not copied, so shots' data files hold phases and curves but no channels.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import polars as pl

SIZES = (5, 30, 100)
ONE = ("closed", "quarantine", "meter")
"""Tables that are the workshop's own and not copied."""
NAMED = ("mould", "shot", "unit", "matter", "anchor", "part")


def copied(frame: pl.DataFrame, n: int) -> pl.DataFrame:
    """Rows under the n-th set of names."""
    names = [c for c in NAMED if c in frame.columns and frame.schema[c] == pl.String]
    return frame.with_columns(pl.col(c) + f"-{n}" for c in names) if n else frame


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    from catchpot.plugins import load
    from catchpot.report.edition import About
    from catchpot.report.render import ReportOutcome, write_pages
    from catchpot.store import Store
    from catchpot.testing.check_frames import Frames
    from catchpot.workshop import open_with_last_good

    parser = argparse.ArgumentParser(prog="python -m tests.studies.report_weights", description=__doc__)
    parser.add_argument("workshop", type=Path, help="a workshop that was run")
    workshop = open_with_last_good(parser.parse_args(arguments).workshop)
    registry = load(workshop)
    declared = registry.tables()
    with Store(workshop.store_path, list(declared.values())).reading() as r:
        frames = {name: r.table(name) for name in r.tables() if name != "sample"}
        ledger = r.ledger()
    over = [t.name for a in registry.analyses if a.part == "workshop" for t in a.yields]
    print("| moulds | files | in all | index | mould's page | month's page | anew | nothing new | one shot |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for size in SIZES:
        copies = -(-size // len(workshop.book.moulds))
        many = {k: f if k in ONE else pl.concat([copied(f, n) for n in range(copies)]) for k, f in frames.items()}
        past = pl.concat([copied(ledger, n) for n in range(copies)])
        moulds = {f"{m}-{n}" if n else m: e for n in range(copies) for m, e in workshop.book.moulds.items()}
        book = workshop.book.model_copy(update={"moulds": moulds})
        newest = many["shot"].sort("started_at")["shot"][-1]
        fewer = {**many, "shot": many["shot"].filter(pl.col("shot") != newest)}
        with tempfile.TemporaryDirectory() as place:
            out = Path(place)

            def written(source: Frames, out: Path = out, book: object = book) -> tuple[float, ReportOutcome]:
                began = time.perf_counter()
                done = write_pages(
                    source,
                    registry.sections,
                    out,
                    About("Copies", "UTC", book, declared, over_moulds=over, code="x"),  # type: ignore[arg-type]  # a copy of a book
                )
                return time.perf_counter() - began, done

            anew, _ = written(Frames(many, declared, past))
            again, _ = written(Frames(many, declared, past))
            one, _ = written(Frames(fewer, declared, past.filter(pl.col("part") != newest)))
            files = [p for p in out.rglob("*") if p.is_file()]

            def heaviest(pattern: str, out: Path = out) -> str:
                return f"{max(p.stat().st_size for p in out.rglob(pattern)) / 1e3:.0f} kB"

            cells = [
                len(moulds), len(files), f"{sum(p.stat().st_size for p in files) / 1e6:.0f} MB",
                heaviest("index.html"), heaviest("moulds/*.html"), heaviest("months/**/*.html"),
                *(f"{seconds:.1f} s" for seconds in (anew, again, one)),
            ]  # fmt: skip
            print(f"| {' | '.join(map(str, cells))} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
