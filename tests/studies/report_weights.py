"""`python -m tests.studies.report_weights WORKSHOP`: what a report weighs and how long it takes, as a table.

The moulds of a workshop that was run (the demo, say) are copied under other names, with all that was computed of them,
until there are enough, and the report is written from these tables: anew, once more, and once more without one shot of
one mould; with --samples the logs' samples are copied too, so that shots' data files weigh what they would. Times are
those of the processor. Where a browser is there, the time to the first picture of the board and of the heaviest mould's
page is told. `--long FOLDER` first writes and runs a workshop for it: the demo's moulds with a hundred shots each in
three years.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path

import polars as pl

SIZES = (5, 30, 60, 100)
ONE = ("closed", "quarantine", "meter")
"""Tables that are the workshop's own and not copied."""
NAMED = ("mould", "shot", "unit", "matter", "anchor", "part")


def copied(frame: pl.DataFrame, n: int) -> pl.DataFrame:
    """Rows under the n-th set of names; what concerns the whole workshop (no mould) stands once."""
    if n and "mould" in frame.columns and "kind" in frame.columns and "shot" not in frame.columns:
        frame = frame.drop_nulls("mould")
    names = [c for c in NAMED if c in frame.columns and frame.schema[c] == pl.String]
    return frame.with_columns(pl.col(c) + f"-{n}" for c in names) if n else frame


def long_workshop(folder: Path) -> None:
    """The demo's moulds with a hundred shots each over three years, analysed and reported."""
    from dataclasses import replace

    from catchpot.cli import main as command
    from catchpot.testing.demo import demo_scenario
    from catchpot.testing.write import write_workshop

    plan = demo_scenario()
    moulds = tuple(replace(m, shots=100, shots_per_week=100 / 156, first_day=0) for m in plan.moulds)
    write_workshop(folder, replace(plan, moulds=moulds, start=plan.start.replace(year=2023)), 2026)
    command(["--home", str(folder), "run"])


def first_pictures(pages: list[Path]) -> str:
    """Seconds from asking for a page to its first picture, each in a fresh tab; empty without a browser."""
    found = shutil.which("chromium") or shutil.which("google-chrome")
    if found is None:
        return ""
    from playwright.sync_api import sync_playwright

    told = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
        for page in pages:
            tab = browser.new_page()
            tab.goto(page.as_uri())
            tab.wait_for_function("performance.getEntriesByName('first-contentful-paint').length")
            ms = tab.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
            told.append(f"{ms / 1000:.2f}")
            tab.close()
        browser.close()
    return f"{', '.join(told)} s"


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
    parser.add_argument("--samples", action="store_true", help="copy the logs' samples too")
    parser.add_argument("--long", action="store_true", help="write and run the workshop first, of 36 months")
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES, help="moulds")
    asked = parser.parse_args(arguments)
    if asked.long:
        long_workshop(asked.workshop)
    workshop = open_with_last_good(asked.workshop)
    registry = load(workshop)
    declared = registry.tables()
    with Store(workshop.store_path, list(declared.values())).reading() as r:
        frames = {name: r.table(name) for name in r.tables() if asked.samples or name != "sample"}
        ledger = r.ledger()
    over = [t.name for a in registry.analyses if a.part == "workshop" for t in a.yields]
    print("| moulds | files | in all | index | mould's page | month's page | shots' data | anew | nothing new "
          "| one shot | first picture: board, mould |")  # fmt: skip
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for size in asked.sizes:
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
                began = time.process_time()
                done = write_pages(
                    source,
                    registry.sections,
                    out,
                    About("Copies", "UTC", book, declared, over_moulds=over, code="x"),  # type: ignore[arg-type]  # a copy of a book
                )
                return time.process_time() - began, done

            anew, _ = written(Frames(many, declared, past))
            again, _ = written(Frames(many, declared, past))
            one, _ = written(Frames(fewer, declared, past.filter(pl.col("part") != newest)))
            files = [p for p in out.rglob("*") if p.is_file()]

            def heaviest(pattern: str, out: Path = out) -> str:
                return f"{max(p.stat().st_size for p in out.rglob(pattern)) / 1e3:.0f} kB"

            data = sum(p.stat().st_size for p in out.rglob("shots/data/*.js"))
            heavy = max(out.rglob("moulds/*.html"), key=lambda p: p.stat().st_size)
            cells = [
                len(moulds), len(files), f"{sum(p.stat().st_size for p in files) / 1e6:.0f} MB",
                heaviest("index.html"), heaviest("moulds/*.html"), heaviest("months/**/*.html"),
                f"{data / 1e6:.0f} MB", *(f"{seconds:.1f} s" for seconds in (anew, again, one)),
                first_pictures([out / "index.html", heavy]),
            ]  # fmt: skip
            print(f"| {' | '.join(map(str, cells))} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
