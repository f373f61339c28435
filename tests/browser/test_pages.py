"""The report in a browser: quiet, offline, drawn, usable by keyboard, printable, dark, narrow."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Protocol

import pytest
from tests.browser.conftest import tab_walk

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


class Visit(Protocol):
    """The fixture that opens a page."""

    said: list[str]
    asked: list[str]

    def __call__(
        self, name: str, *, scheme: str = "light", width: int = 1100, height: int = 800, init: str = ""
    ) -> Page: ...


pytestmark = pytest.mark.browser


def _made_up() -> ModuleType:
    """The made-up store that the report was written from (loaded by the fixtures' file)."""
    return sys.modules["made_up_store_of_the_report_tests"]


MOULD = "moulds/hatch-3.html"
SHOTS = "shots/hatch-3.html"

DRAW_ALL = (Path(__file__).parent / "draw_all.js").read_text(encoding="utf-8")
CONTRAST = """() => {
  const parts = (c) => c.match(/[\\d.]+/g).slice(0, 3).map(Number);
  const light = (c) => {
    const [r, g, b] = parts(c).map((v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const paper = getComputedStyle(document.documentElement).backgroundColor;
  const against = (c) => {
    const [a, b] = [light(c), light(paper)].sort((x, y) => x - y);
    return (b + 0.05) / (a + 0.05);
  };
  const weak = [];
  const all = 'main p, main td, main th, main a, main summary, footer p, .plot svg text';
  for (const e of document.querySelectorAll(all)) {
    const style = getComputedStyle(e);
    const colour = e.namespaceURI.endsWith('svg') ? style.fill : style.color;
    if (e.textContent.trim() && against(colour) < 4.5) weak.push([e.textContent.slice(0, 40), colour, paper]);
  }
  return weak;
}"""


@pytest.fixture
def names(report: Path) -> list[str]:
    """All pages of the report."""
    return sorted(str(p.relative_to(report)) for p in report.rglob("*.html"))


def test_pages_are_quiet_and_ask_for_nothing_but_their_own_files(visit: Visit, names: list[str], report: Path) -> None:
    assert len(names) == 13
    inside = report.resolve().as_uri() + "/"
    for name in names:
        page = visit(name)
        page.evaluate(DRAW_ALL)
        page.mouse.move(500, 500)
        assert visit.said == [], name
        assert all(url.startswith(inside) for url in visit.asked), visit.asked
        visit.asked.clear()


def test_figures_are_there_before_any_script_and_touch_brings_them_to_life(browser: Browser, report: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((report / MOULD).as_uri())
    assert page.locator("#fill-resistance svg.fig[height]:not(.sample)").count() == 1
    assert "share of the usual arrival volume [%]" in (
        page.locator("#fill-resistance svg.fig[height]:not(.sample)").text_content() or ""
    )
    box = page.locator("#fill-resistance .plot path.p").first.bounding_box()
    assert box is not None and box["width"] > 300
    context.close()


def test_the_library_comes_with_the_first_touch_and_not_before(visit: Visit) -> None:
    page = visit(MOULD, height=600)
    _open_details(page)
    page.wait_for_selector("#fill-history .tools")
    assert not [url for url in visit.asked if "plotly" in url]
    page.locator("#fill-history-plot").hover()
    page.wait_for_selector("#fill-history .main-svg", timeout=10_000)
    assert page.locator("#fill-history .points .point").count() > 100
    assert [url for url in visit.asked if "plotly" in url]
    assert page.locator("#fill-resistance .main-svg").count() == 0


def test_the_live_figure_lies_where_the_drawn_one_lay(visit: Visit) -> None:
    page = visit(MOULD)
    _open_details(page)
    where = """(live) => {
      const plot = document.getElementById('fill-history-plot');
      const frame = plot.getBoundingClientRect();
      const lines = live ? plot.querySelectorAll('.xy .gridlayer path, .gridlayer path')
        : plot.querySelectorAll('svg.fig > line.s-rule');
      return Array.from(lines, (l) => Math.round(l.getBoundingClientRect().y - frame.y)).sort((a, b) => a - b);
    }"""
    page.wait_for_selector("#fill-history .tools")
    drawn = set(page.evaluate(where, False))
    page.locator("#fill-history-plot").hover()
    page.wait_for_selector("#fill-history .main-svg")
    live = set(page.evaluate(where, True))
    assert len(drawn) > 5
    for y in drawn:
        assert min(abs(y - other) for other in live) <= 2, (y, sorted(live))


def test_figures_have_words_and_numbers_beside_them(visit: Visit) -> None:
    page = visit(MOULD)
    page.evaluate(DRAW_ALL)
    assert page.locator(".plot .modebar").count() == 0
    assert page.locator("a[href*='plot']").count() == 0
    page.evaluate("document.querySelectorAll('figure details').forEach((d) => { d.open = false; })")
    for figure in page.locator("figure").all():
        label = figure.locator(".plot").get_attribute("aria-label") or ""
        assert len(label) > 60
        details = figure.locator("> details")
        assert not details.locator("table").is_visible()
        details.locator("summary").press("Enter")
        assert details.locator("table").is_visible()
        assert details.locator("tbody tr").count() > 10


def test_keyboard_reaches_everything(visit: Visit) -> None:
    for name in ("index.html", MOULD):
        page = visit(name)
        wanted, reached = tab_walk(page)
        assert wanted > 5
        assert reached == set(range(wanted)), name


def test_moulds_sort_by_keyboard_and_the_address_remembers(visit: Visit) -> None:
    page = visit("index.html")
    rows = "#moulds tbody tr:not([hidden]) th"
    assert page.locator(rows).all_text_contents() == ["hatch-3", "bench-2", "locker-1", "idle-9"]
    button = page.get_by_role("button", name="Last shot")
    button.focus()
    page.keyboard.press("Enter")
    # What is not known stays last, both ways.
    assert page.locator(rows).all_text_contents() == ["bench-2", "locker-1", "hatch-3", "idle-9"]
    assert page.locator("th[aria-sort=ascending]").inner_text().startswith("Last")
    page.keyboard.press("Enter")
    assert page.locator(rows).all_text_contents() == ["hatch-3", "locker-1", "bench-2", "idle-9"]
    page.get_by_label("Find").fill("-2")
    assert page.locator(rows).all_text_contents() == ["bench-2"]
    assert page.locator("#sift-count").inner_text() == "showing 1 of 4 moulds"
    assert "find=-2" in page.url and "sort=Last" in page.url
    page.reload()
    assert page.locator(rows).all_text_contents() == ["bench-2"]
    page.get_by_label("Find").fill("")
    assert page.locator(rows).all_text_contents() == ["hatch-3", "locker-1", "bench-2", "idle-9"]
    page.locator("#sift-state").select_option("not assessed")
    assert page.locator(rows).all_text_contents() == ["idle-9"]


def test_links_to_findings_unfold_what_hides_them(visit: Visit) -> None:
    page = visit(f"{MOULD}#faults-race-hatch-3-002")
    finding = page.locator("[id='faults-race-hatch-3-002']")
    assert finding.is_visible()
    page.wait_for_function(
        "() => { const b = document.getElementById('faults-race-hatch-3-002').getBoundingClientRect();"
        " return b.top >= -1 && b.bottom <= innerHeight; }"
    )
    page.locator("#to-do a[href='#drift-volume_drift-hatch-3-2026-03-22']").click()
    assert page.locator("[id='drift-volume_drift-hatch-3-2026-03-22']").is_visible()


def test_print_shows_the_drawn_figures_in_light_colours_within_the_paper(visit: Visit) -> None:
    page = visit(MOULD, scheme="dark", height=400)
    _open_details(page)
    page.locator("#fill-history-plot").hover()
    page.wait_for_selector("#fill-history .main-svg")
    sheet = page.pdf(prefer_css_page_size=True)
    assert sheet.startswith(b"%PDF")
    page.emulate_media(media="print")
    printed = page.evaluate("""() => Array.from(document.querySelectorAll('svg.fig[height]:not(.sample)'), (svg) => ({
      shown: getComputedStyle(svg).visibility, ink: getComputedStyle(svg.querySelector('text')).fill,
      right: svg.getBoundingClientRect().right, width: document.documentElement.clientWidth}))""")
    assert len(printed) == 2
    for figure in printed:
        assert figure["shown"] == "visible"
        assert figure["ink"] == "rgb(28, 33, 38)"
        assert figure["right"] <= figure["width"]
    assert not page.locator(".alive").first.is_visible()


@pytest.mark.parametrize(("scheme", "paper"), [("light", "rgb(255, 255, 255)"), ("dark", "rgb(21, 25, 29)")])
def test_words_stand_out_from_the_paper(visit: Visit, scheme: str, paper: str) -> None:
    for name in ("index.html", MOULD, "tables.html"):
        page = visit(name, scheme=scheme)
        page.evaluate(DRAW_ALL)
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == paper
        assert page.evaluate(CONTRAST) == []


def test_colours_change_with_the_readers_system(visit: Visit) -> None:
    page = visit(MOULD)
    _open_details(page)
    page.wait_for_selector("#fill-history .tools")
    page.locator("#fill-history-plot").hover()
    page.wait_for_selector("#fill-history .main-svg")
    ink = "getComputedStyle(document.querySelector('#fill-history .xtick text')).fill"
    assert page.evaluate(ink) == "rgb(28, 33, 38)"
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(f"() => {ink} === 'rgb(228, 232, 235)'")


def _live(page: Page, figure: str) -> None:
    page.locator(f"#{figure}-plot").scroll_into_view_if_needed()
    page.locator(f"#{figure}-plot").hover()
    page.wait_for_selector(f"#{figure} .main-svg")


# Where the library drew the n-th point of a figure's first trace, on the screen.
POINT = """([id, n]) => {
  const box = document.querySelectorAll('#' + id + ' .scatterlayer .trace')[0].querySelectorAll('.point')[n]
    .getBoundingClientRect();
  return [box.x + box.width / 2, box.y + box.height / 2];
}"""


def _open_details(page: Page) -> None:
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")


def test_hover_tells_shot_value_and_interval_and_a_click_opens_the_shot(visit: Visit) -> None:
    page = visit(MOULD)
    _open_details(page)
    _live(page, "fill-history")
    x, y = page.evaluate(POINT, ["fill-history", 3])
    page.mouse.move(x, y)
    page.wait_for_selector("#fill-history .hovertext")
    said = " ".join(page.locator("#fill-history .hovertext").all_text_contents())
    assert "hatch-3-004" in said and "(95 %:" in said and "2026" in said
    page.mouse.click(x, y)
    page.wait_for_url("**/shots/hatch-3.html?shot=hatch-3-004")
    assert page.locator("#one-title").text_content() == "hatch-3-004"


def test_a_span_brushed_on_one_strip_is_followed_and_kept_in_the_address(visit: Visit) -> None:
    page = visit(MOULD, width=1200, height=900)
    _open_details(page)
    _live(page, "fill-history")
    box = page.locator("#fill-history .nsewdrag").first.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 20)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 24, steps=8)
    page.mouse.up()
    page.wait_for_function("() => location.search.includes('from=2026')")
    span = "document.querySelector('#fill-history .alive')._fullLayout.xaxis.range.map((v) => String(v).slice(0, 10))"
    brushed = page.evaluate(span)
    again = visit(MOULD + "?" + page.url.partition("?")[2])
    _open_details(again)
    again.locator("#fill-history-plot").scroll_into_view_if_needed()
    again.wait_for_selector("#fill-history .main-svg")
    assert again.evaluate(span) == brushed  # a link to exactly this view
    again.locator("#fill-history .tools").get_by_role("button", name="all dates").click()
    again.wait_for_function("() => !location.search.includes('from=')")


def test_an_entry_of_the_key_hides_what_it_names_by_keyboard_and_the_address_remembers(visit: Visit) -> None:
    page = visit(MOULD)
    button = page.locator("#fill-resistance .key button").filter(has_text="own curve")
    button.focus()
    page.keyboard.press("Enter")
    hidden = "(document.querySelector('#fill-resistance .alive') || {data: []}).data.filter((t) => t.visible === false)"
    page.wait_for_function(f"() => {hidden}.length === 1")
    assert page.evaluate(f"{hidden}[0].name") == "the mould's own curve"
    assert "off=fill-resistance" in page.url
    again = visit(MOULD + "?" + page.url.partition("?")[2])
    again.wait_for_function(f"() => {hidden}.length === 1")
    assert again.locator("#fill-resistance .key button[aria-pressed=false]").count() == 1


def test_a_figure_is_saved_as_picture_and_as_numbers(visit: Visit, tmp_path: Path) -> None:
    page = visit(MOULD)
    _open_details(page)
    for words, begins in (("save SVG", b"<svg"), ("save PNG", b"\x89PNG"), ("save CSV", b"\xef\xbb\xbftrace,shot,x,y")):
        with page.expect_download() as told:
            page.locator("#fill-history .tools").get_by_role("button", name=words).click()
        told.value.save_as(tmp_path / "saved")
        assert (tmp_path / "saved").read_bytes().startswith(begins), words
    assert "hatch-3-004" in (tmp_path / "saved").read_text(encoding="utf-8-sig")


def test_two_shots_are_laid_over_one_another_and_their_numbers_are_the_tables(visit: Visit) -> None:
    page = visit(SHOTS)
    page.locator("#shots a").first.click()
    page.wait_for_selector("#shot-view[data-shown='hatch-3-064']")
    page.locator("#with").select_option("hatch-3-010")
    page.wait_for_selector("#shot-view[data-shown='hatch-3-064 hatch-3-010']")
    assert "shot=hatch-3-064" in page.url and "with=hatch-3-010" in page.url
    made = _made_up().made_store({"hatch-3": 64, "locker-1": 20, "bench-2": 9}).frames["fill"]
    row = page.locator("#shot-numbers tr").filter(has=page.get_by_role("rowheader", name="overflow"))
    shown = [
        float(v or "nan") for v in row.locator("td[data-value]").evaluate_all("(e) => e.map((c) => c.dataset.value)")
    ]
    of = dict(made.select("shot", "overflow_l").iter_rows())
    assert shown == pytest.approx([of["hatch-3-064"], of["hatch-3-010"]], rel=1e-4)
    again = visit(f"{SHOTS}?shot=hatch-3-010&with=hatch-3-064")
    again.wait_for_selector("#shot-view[data-shown='hatch-3-010 hatch-3-064']")
    assert visit.said == []


def test_on_a_telephone_a_mould_is_a_card_and_its_volume_stands_without_scrolling(visit: Visit) -> None:
    page = visit("index.html", width=390, height=844)
    card = page.locator("#moulds tbody tr").first
    box = card.bounding_box()
    assert box is not None and box["x"] >= 0 and box["x"] + box["width"] <= 390
    assert box["y"] < 500
    page.locator("#sift-sort").select_option("mould")
    rows = "#moulds tbody tr:not([hidden]) th"
    assert page.locator(rows).all_text_contents() == ["bench-2", "hatch-3", "idle-9", "locker-1"]
    assert "sort=mould" in page.url
