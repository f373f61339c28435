"""The served pages in a real browser: quiet, live, notes by a person's hands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser


class Server(Protocol):
    """See conftest."""

    home: Path
    port: int


pytestmark = pytest.mark.browser


def test_board_mould_shot_and_a_note(browser: Browser, copy: Path, serving: Callable[..., Server]) -> None:
    server = serving(copy, "--notes")
    at = f"http://127.0.0.1:{server.port}"
    context = browser.new_context()
    page = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))

    page.goto(f"{at}/")
    page.get_by_role("link", name="hatch-2", exact=True).click()
    plot = page.locator(".plot").first
    plot.scroll_into_view_if_needed()
    plot.hover()
    page.wait_for_selector(".main-svg", timeout=15_000)
    page.get_by_role("link", name="All shots").click()
    page.locator("#shots a").first.click()
    page.wait_for_selector("#shot-view[data-shown]", timeout=15_000)
    assert page.locator("#channels .main-svg, #channels svg").count() > 0

    page.get_by_role("link", name="Write a note").click()
    assert page.locator("#event select[name=subject]").input_value() == "hatch-2"
    page.locator("#event select[name=kind]").select_option("seal_replaced")
    page.locator("#event input[name=detail]").fill("inner")
    page.locator("#event button").press("Enter")
    page.wait_for_selector("#told")
    assert "inner seal replaced" in page.locator("#told").inner_text()
    assert (copy / "events.csv").read_text(encoding="utf-8").rstrip().endswith("hatch-2,seal_replaced,inner")
    page.locator("#undo button").click()
    page.wait_for_function("() => document.getElementById('told').textContent.includes('Taken back')")

    assert said == []
    assert all(url.startswith((at, "data:", "blob:")) for url in asked)
    context.close()


def test_a_page_elsewhere_cannot_write_a_note_from_within_the_browser(
    browser: Browser, copy: Path, serving: Callable[..., Server]
) -> None:
    server = serving(copy, "--notes")
    before = (copy / "events.csv").read_bytes()
    context = browser.new_context()
    page = context.new_page()
    page.route("http://elsewhere.example/**", lambda route: route.fulfill(
        content_type="text/html",
        body=f"""<form method="post" action="http://127.0.0.1:{server.port}/note">
          <input name="what" value="event"><input name="subject" value="hatch-2"><input name="kind" value="note">
          <input name="detail" value="x"><button>go</button></form>""",
    ))  # fmt: skip
    page.goto("http://elsewhere.example/")
    with page.expect_response(f"http://127.0.0.1:{server.port}/note") as answer:
        page.click("button")
    assert answer.value.status == 403
    assert (copy / "events.csv").read_bytes() == before
    context.close()
