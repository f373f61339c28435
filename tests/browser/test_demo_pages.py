"""Every page of the demonstration's report in a browser: quiet, within the window, clean to axe, true to the tables."""

from __future__ import annotations

import html
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import unquote

import pytest
from tests.browser.conftest import tab_walk

if TYPE_CHECKING:
    import polars as pl
    from playwright.sync_api import Browser, Page

    from catchpot.api import Session

pytestmark = pytest.mark.browser
HERE = Path(__file__).parent
ROOT = HERE.parents[1]
DRAW_ALL = (HERE / "draw_all.js").read_text(encoding="utf-8")
CUT = (HERE / "cut.js").read_text(encoding="utf-8")
# Live figures have taken the window's new width.
RESIZED = """(wide) => Array.from(document.querySelectorAll('.alive .main-svg'))
  .every((s) => !s.checkVisibility() || s.getBoundingClientRect().right <= wide + 1)"""
# In the dark only colours differ: one page of each kind is looked at.
AXE = """async (only) => (await axe.run(document,
  {preload: false, resultTypes: ['violations'], ...(only ? {runOnly: only} : {})})).violations"""
WORDS_INDEX, WORDS_MOULD = 900, 1_500
BYTES_INDEX, BYTES_MOULD = 250_000, 400_000


@dataclass
class Demo:
    """The demonstration: its report, a tab that all tests share, and what the pages said in it."""

    home: Path
    tab: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    @property
    def report(self) -> Path:
        """The report's folder."""
        return self.home / "reports"

    @property
    def names(self) -> list[str]:
        """All its pages."""
        return sorted(p.relative_to(self.report).as_posix() for p in self.report.rglob("*.html"))

    def open(self, name: str, width: int = 1280, height: int = 900) -> Page:
        """A page, opened in the shared tab."""
        file, mark, rest = next(((f, m, r) for m in "?#" for f, x, r in [name.partition(m)] if x), (name, "", ""))
        self.tab.set_viewport_size({"width": width, "height": height})
        self.tab.goto((self.report / file).as_uri() + mark + rest)
        return self.tab

    @property
    def session(self) -> Session:
        """Its stored tables."""
        from catchpot.api import open_session

        return open_session(self.home)


@pytest.fixture(scope="module")
def demo(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """The demonstration that `catchpot demo` left in the project's folder, brought up to date; made where there is none
    and browser tests are required."""
    command = Path(sys.executable).parent / "catchpot"
    home = tmp_path_factory.mktemp("demo") / "catchpot-demo"
    left = ROOT / "catchpot-demo"
    if (left / "shots.duckdb").is_file():
        shutil.copytree(left, home, ignore=shutil.ignore_patterns("reports"))
        subprocess.run([command, "--home", home, "run"], check=True, stdout=subprocess.DEVNULL)
    elif os.environ.get("CATCHPOT_BROWSER") == "required":
        subprocess.run([command, "demo", home], check=True, stdout=subprocess.DEVNULL)
    else:
        pytest.skip("no demonstration lies in the project's folder: run `catchpot demo` first; CI does")
    context = browser.new_context()
    made = Demo(home, context.new_page())
    made.tab.on("console", lambda message: made.said.append(message.text))
    made.tab.on("pageerror", lambda error: made.said.append(str(error)))
    made.tab.on("request", lambda request: made.asked.append(request.url))
    yield made
    context.close()


def _axe() -> str:
    path = os.environ.get("CATCHPOT_AXE")
    return Path(path).read_text(encoding="utf-8") if path else ""


def test_every_page_is_quiet_asks_for_its_own_files_only_and_is_clean_light_dark_wide_and_narrow(demo: Demo) -> None:
    """Without CATCHPOT_AXE (npm package axe-core; CI names it) everything but axe is looked at."""
    axe = _axe()
    inside = demo.report.resolve().as_uri() + "/"
    shot = demo.session.table("shot").filter(mould="tub-2").sort("started_at")["shot"].to_list()
    assert len(demo.names) == 26
    seen_dark: set[str] = set()
    for name in [*demo.names, f"shots/tub-2.html?shot={shot[-1]}&with={shot[9]}", "months/2026-06.html?mould=hatch-3"]:
        demo.said.clear()
        demo.asked.clear()
        page = demo.open(name)
        if "?shot" in name:
            page.wait_for_selector("#shot-view[data-shown]")
        scripted = page.locator("script[src]").count() > 0
        if scripted:  # a sheet to print stands by itself and has none
            page.evaluate(DRAW_ALL)
        for width in (1280, 640, 390):  # 640 is 1280 at a zoom of 200 %
            page.set_viewport_size({"width": width, "height": 844})
            page.wait_for_function(RESIZED, arg=width)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (name, width)
            if width != 640:
                assert page.evaluate(CUT) == [], (name, width)
        kind = next((k for k in ("moulds/", "months/", "shots/", "sheets/") if name.startswith(k)), name)
        dark = kind not in seen_dark and (kind != "shots/" or "?" in name)
        schemes: list[Literal["light", "dark"]] = ["light", "dark"] if dark else ["light"]
        for scheme in schemes if axe else ():
            page.emulate_media(color_scheme=scheme)
            page.evaluate(axe)
            found = page.evaluate(AXE, ["color-contrast"] if scheme == "dark" else None)
            seen_dark |= {kind} if scheme == "dark" else set()
            assert [(v["id"], v["nodes"][0]["html"]) for v in found] == [], (name, scheme)
        page.emulate_media(color_scheme="light")
        assert demo.said == [], name
        assert all(url.startswith((inside, "data:", "blob:")) for url in demo.asked), name


def test_every_link_leads_somewhere(demo: Demo) -> None:
    ids: dict[Path, set[str]] = {}
    links = 0
    for name in demo.names:
        here = demo.report / name
        text = re.sub(r"<script\b.*?</script>", "", here.read_text(encoding="utf-8"), flags=re.S)
        for raw in re.findall(r'(?:href|src)="([^"]*)"', text):
            file, _, anchor = html.unescape(raw).partition("#")
            file = unquote(file.partition("?")[0])
            there = (here.parent / file).resolve() if file else here.resolve()
            assert there.is_file(), (name, raw)
            if anchor and there.suffix == ".html":
                if there not in ids:
                    ids[there] = {html.unescape(i) for i in re.findall(r'\bid="([^"]*)"', there.read_text("utf-8"))}
                assert unquote(anchor) in ids[there], (name, raw)
            links += 1
    assert links > 500


def test_a_page_is_light_and_its_first_sight_is_short(demo: Demo) -> None:
    for name in ["index.html", *(n for n in demo.names if n.startswith("moulds/"))]:
        size = (demo.report / name).stat().st_size
        words = len(demo.open(name).inner_text("body").split())
        most = (WORDS_INDEX, BYTES_INDEX) if name == "index.html" else (WORDS_MOULD, BYTES_MOULD)
        assert words < most[0] and size < most[1], (name, words, size)


def _of(frame: pl.DataFrame, **which: Any) -> dict[str, Any]:
    return frame.filter(**which).row(0, named=True)


def _number(text: str) -> float:
    found = re.search(r"[+−-]?\d+(?:\.\d+)?", text)
    assert found is not None, text
    return float(found[0].replace("−", "-"))


def test_numbers_on_pages_are_those_of_the_tables(demo: Demo) -> None:
    ahead, fill = demo.session.table("next_shot"), demo.session.table("fill")
    shot = demo.session.table("shot").sort("started_at")
    rows = demo.open("index.html").locator("#moulds tbody tr")
    board = {
        cells[0].strip(): cells
        for cells in rows.evaluate_all("(rows) => rows.map((r) => Array.from(r.cells, (c) => c.innerText))")
    }
    heads = demo.tab.locator("#moulds thead th").evaluate_all("(h) => h.map((e) => e.innerText.replace(/\\s+/g, ' '))")
    at = {head.strip(" ↕↑↓"): i for i, head in enumerate(heads)}
    for mould, cells in board.items():
        row = _of(ahead, mould=mould)
        given = cells[at["Next shot"]]
        assert {"go": "GO", "care": "CARE", "no-go": "NO-GO"}[row["go"]] in given.upper()
        if row["volume_l"] is not None:
            assert _number(given.split("\n")[-2 if "sheet" in given else -1]) == pytest.approx(
                row["volume_l"], abs=6e-4
            )
            sheet = (demo.report / "sheets" / f"{mould}.html").read_text(encoding="utf-8")
            assert f'<p class="volume">{row["volume_l"]:.3f}\xa0l</p>' in sheet
        else:
            assert "no volume" in given
        own = fill.join(shot.select("shot", "mould", "started_at"), on="shot").filter(mould=mould).sort("started_at")
        last = own.drop_nulls("arrival_relative").row(-1, named=True)
        assert _number(cells[at["Arrival volume, against usual"]]) == pytest.approx(
            100 * (last["arrival_relative"] - 1), abs=0.051
        )
    for mould in board:
        lines = demo.open(f"shots/{mould}.html").locator("#shots tbody tr")
        seen = {c[0]: c for c in lines.evaluate_all("(r) => r.map((t) => Array.from(t.cells, (c) => c.innerText))")}
        of = {r["shot"]: r for r in fill.iter_rows(named=True)}
        assert len(seen) == shot.filter(mould=mould).height
        for name, cells in seen.items():
            for cell, column, near in ((cells[2], "injected_volume_l", 6e-4), (cells[3], "arrival_volume_l", 6e-3)):
                value = of.get(name, {}).get(column)
                assert (cell in ("–", "not known")) == (value is None), (name, column)
                assert value is None or _number(cell) == pytest.approx(value, abs=near)
    months = demo.session.table("capability")
    row = months.filter(verdict="capable").row(-1, named=True)
    part = demo.open(f"months/{row['month']}.html?mould={row['mould']}").locator(f"[data-part='{row['mould']}']")
    assert f"{row['cpk']:.2f}" in part.inner_text()


def test_a_morning_from_the_board_to_two_shots_over_one_another(demo: Demo) -> None:
    demo.said.clear()
    page = demo.open("index.html")
    page.locator("#sift-state").select_option("act")
    assert page.locator("#moulds tbody tr:not([hidden])").count() == 2
    assert "state=act" in page.url
    page.get_by_role("link", name="tub-2", exact=True).click()
    plot = page.locator(".plot").filter(has=page.locator("svg")).nth(1)
    plot.scroll_into_view_if_needed()
    plot.hover()
    page.wait_for_selector(".main-svg")
    where = """() => {
      const live = document.querySelector('.alive'), full = live._fullLayout, trace = live.data[0];
      const n = trace.customdata.indexOf('tub-2-0006');
      window.scrollBy({top: live.getBoundingClientRect().y - 200, behavior: 'instant'});
      const box = live.getBoundingClientRect();
      return [box.x + full.xaxis._offset + full.xaxis.d2p(trace.x[n]), box.y + full.yaxis._offset
        + full.yaxis.d2p(trace.y[n])];
    }"""
    said = ""
    for _ in range(20):  # the page may still be settling
        x, y = page.evaluate(where)
        page.mouse.move(x + 40, y + 20)
        page.mouse.move(x, y, steps=4)
        page.wait_for_timeout(150)
        said = " ".join(page.locator(".hovertext").all_text_contents())
        if "tub-2-0006" in said:
            break
    assert "tub-2-0006" in said and "95 %:" in said and "resin ve-a" in said
    page.mouse.click(x, y)
    page.wait_for_url("**/shots/tub-2.html?shot=tub-2-0006")
    page.locator("#with").select_option("tub-2-0055")
    page.wait_for_selector("#shot-view[data-shown='tub-2-0006 tub-2-0055']")
    assert page.locator("#shot-numbers thead th").all_inner_texts()[2:] == ["tub-2-0006", "tub-2-0055"]
    assert "with=tub-2-0055" in page.url
    assert demo.said == []


def test_keyboard_reaches_all_of_a_month_and_of_a_shot(demo: Demo) -> None:
    for name in ("months/2026-06.html?mould=hatch-3", "shots/tub-2.html?shot=tub-2-0048"):
        page = demo.open(name)
        if "?shot" in name:
            page.wait_for_selector("#shot-view[data-shown]")
        wanted, reached = tab_walk(page)
        assert reached == set(range(wanted)), name


def test_on_paper_a_sheet_is_one_page_and_no_figure_is_cut(demo: Demo) -> None:
    for name in demo.names:
        if name.startswith("sheets/") and name != "sheets/week.html":
            assert len(re.findall(rb"/Type /Page\b", demo.open(name).pdf(prefer_css_page_size=True))) == 1, name
    page = demo.open("shots/tub-2.html?shot=tub-2-0048")
    page.wait_for_selector("#curve .main-svg")
    page.emulate_media(color_scheme="dark")  # a figure that is live only is drawn anew for the paper, in light colours
    page.wait_for_function(
        "() => getComputedStyle(document.querySelector('#curve .xtick text')).fill === 'rgb(228, 232, 235)'"
    )
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert page.locator("#channels .main-svg").first.is_visible()
    seen = page.locator("#curve .main-svg").first.evaluate(
        "(s) => [s.clientWidth, getComputedStyle(s.querySelector('.xtick text')).fill]"
    )
    assert seen == [660, "rgb(28, 33, 38)"]
    page.emulate_media(media="screen", color_scheme="light")
    # A4 at 96 dots to the inch, less the margins: what stands on no page whole would be cut.
    tall, wide = (297 - 30) / 25.4 * 96, (210 - 30) / 25.4 * 96
    for name in ("moulds/tub-2.html", "moulds/hatch-3.html", "months/2026-06.html?mould=hatch-3"):
        page = demo.open(name, width=int(wide))
        page.emulate_media(media="print")
        sizes = page.locator("figure .plot").evaluate_all(
            "(all) => all.filter((p) => p.checkVisibility()).map((p) => p.getBoundingClientRect().height)"
        )
        assert sizes and max(sizes) < tall, (name, sizes)
        assert page.evaluate("document.documentElement.scrollWidth") <= wide + 1
        page.emulate_media(media="screen")
