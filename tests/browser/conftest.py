"""A report for a headless chromium to open."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Literal

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

Scheme = Literal["light", "dark"]


def _made_up() -> ModuleType:
    """The made-up store of the report's own tests; test folders are no packages, so it is loaded by its path."""
    path = Path(__file__).parents[1] / "report" / "conftest.py"
    spec = importlib.util.spec_from_file_location("made_up_store_of_the_report_tests", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up by name
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a report: moulds with and without logs, findings old and new, refusals, a file set aside."""
    from catchpot.report.edition import About
    from catchpot.report.render import write_pages
    from catchpot.workshop import MouldBook
    from catchpot_fill.section import FillSection

    made_up = _made_up()
    out = tmp_path_factory.mktemp("report")
    book = MouldBook.model_validate({"moulds": {"hatch-3": {"line_pressure_limit_bar": 0.5}, "idle-9": {}}})
    write_pages(
        made_up.made_store({"hatch-3": 64, "locker-1": 20, "bench-2": 9}), [FillSection()], out,
        About("Example workshop", "Europe/Lisbon", book, made_up.DECLARED, version="0"),
    )  # fmt: skip
    return out


def tab_walk(page: Page) -> tuple[int, set[int]]:
    """How many places of a page the keyboard should reach, and the numbers of those it does, each with an outline."""
    page.evaluate("""() => {
      let n = 0;
      for (const e of document.querySelectorAll('a, button, input, select, summary, [tabindex="0"]')) {
        if (e.checkVisibility()) e.dataset.stop = n++;
      }
    }""")
    wanted = page.locator("[data-stop]").count()
    reached = set()
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
        stop = page.evaluate("document.activeElement.dataset.stop")
        if stop is not None:
            reached.add(int(stop))
            style = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert style != "none", page.evaluate("document.activeElement.outerHTML.slice(0, 200)")
    return wanted, reached


@dataclass
class Visitor:
    """Opens pages of the report; said: what they complained of, asked: what they requested."""

    browser: Browser
    report: Path
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    contexts: list[BrowserContext] = field(default_factory=list)

    def __call__(
        self, name: str, *, scheme: Scheme = "light", width: int = 1100, height: int = 800, init: str = ""
    ) -> Page:
        """A fresh page, opened at `name` (which may end in #anchor); init: a script that runs before the page's own."""
        context = self.browser.new_context(color_scheme=scheme, viewport={"width": width, "height": height})
        self.contexts.append(context)
        page = context.new_page()
        if init:
            page.add_init_script(init)
        page.on("console", lambda message: self.said.append(message.text))
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))
        file, mark, rest = next(((f, m, r) for m in "?#" for f, x, r in [name.partition(m)] if x), (name, "", ""))
        page.goto((self.report / file).as_uri() + mark + rest)
        return page


@pytest.fixture
def visit(browser: Browser, report: Path) -> Iterator[Visitor]:
    """Opens a page of the report."""
    visitor = Visitor(browser, report)
    yield visitor
    for context in visitor.contexts:
        context.close()
