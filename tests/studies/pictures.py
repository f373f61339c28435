"""`python -m tests.studies.pictures WORKSHOP`: the README pictures, from the report of a workshop that was run."""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path

PLACE = Path(__file__).parents[2] / "reports" / "example"
PICTURES = (
    ("board.png", "index.html", 1280, 760),
    ("board-narrow.png", "index.html", 390, 844),
    ("mould-page.png", "moulds/tub-2.html", 1000, 1500),
    ("shot-page.png", "shots/tub-2.html?shot={last}", 1000, 1250),
    ("month-page.png", "months/{month}.html?mould=hatch-3", 1000, 1000),
    ("sheet.png", "sheets/dish-4.html", 800, 1080),
)


def main(arguments: list[str] | None = None) -> int:
    """Write the pictures; 1 where there is no browser."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(prog="python -m tests.studies.pictures", description=__doc__)
    parser.add_argument("workshop", type=Path, help="a workshop that was run")
    report = parser.parse_args(arguments).workshop.resolve() / "reports"
    found = shutil.which("chromium") or shutil.which("google-chrome")
    if found is None:
        print("no browser is installed", file=sys.stderr)
        return 1
    month = sorted(p.stem for p in (report / "months").glob("*.html"))[-2]
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
        for name, page, width, height in PICTURES:
            tab = browser.new_page(viewport={"width": width, "height": height})
            tab.goto((report / "shots" / "tub-2.html").as_uri())
            last = tab.locator("#shots tbody th a").first.text_content() or ""
            file, _, query = page.format(month=month, last=last).partition("?")
            tab.goto((report / file).as_uri() + (f"?{query}" if query else ""))
            tab.wait_for_timeout(1500)
            tab.screenshot(path=PLACE / name)
            tab.close()
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
