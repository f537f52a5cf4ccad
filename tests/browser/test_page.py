"""The page in a real browser: Debian's chromium, driven by Playwright."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = Path("/usr/bin/chromium")
needs_browser = pytest.mark.skipif(not CHROMIUM.exists(), reason="Debian's chromium is not installed")
SCRIPT = Path(__file__).with_name("serve_story.py")


def free_port() -> int:
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


def serving(folder: Path, host: str) -> Iterator[str]:
    """Serve until done; yield the address that the program printed."""
    port = free_port()
    command = [sys.executable, str(SCRIPT), str(folder), host, str(port)]
    # NiceGUI takes its settings from elsewhere when it finds pytest's name in the environment
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST")}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    try:
        assert process.stdout is not None
        address = process.stdout.readline().removeprefix("Open ").strip()
        until = time.monotonic() + 60
        while True:
            try:
                with socket.create_connection(("127.0.0.1", port), timeout=1):
                    break
            except OSError:
                assert time.monotonic() < until, "the page did not come up"
                assert process.poll() is None
                time.sleep(0.1)
        yield address
    finally:
        process.terminate()
        process.wait(10)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("green")
    (folder / "reports").mkdir()
    (folder / "reports" / "round-1.html").write_text("<p>the report of round 1</p>")
    (folder / "secret.html").write_text("not for the page")
    yield from serving(folder, "127.0.0.1")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as p:
        made = p.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield made
        made.close()


def opened(browser: Any, address: str, width: int, height: int, **more: Any) -> tuple[Any, list[str], list[str]]:
    """Return the loaded page, every host that it asked, and every error that it logged."""
    page = browser.new_page(viewport={"width": width, "height": height}, **more)
    asked: list[str] = []
    errors: list[str] = []
    page.on("request", lambda r: asked.append(urlsplit(r.url).hostname or urlsplit(r.url).scheme))
    page.on("websocket", lambda w: asked.append(urlsplit(w.url).hostname or ""))
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)
    page.goto(address)
    page.wait_for_selector("g.weed")
    page.wait_for_selector(".register tbody tr")
    return page, asked, errors


@needs_browser
def test_the_page_shows_the_site_and_asks_nobody_outside(browser: Any, address: str, story: Any) -> None:
    page, asked, errors = opened(browser, address, 1280, 900)
    assert page.title() == "Swardwright"
    assert page.locator("h1").inner_text() == story.site.name
    assert page.locator("g.weed").count() == len(story.register.weeds)
    assert page.locator(".register tbody tr").count() == 25
    assert page.locator(".invented").is_visible()
    assert "not a safety function" in page.locator(".cautions").inner_text()
    assert "swardwright plan" in page.locator(".next").inner_text()
    page.wait_for_timeout(500)
    assert set(asked) == {"127.0.0.1"}
    assert errors == []
    page.close()


@needs_browser
def test_the_register_sorts_by_value_and_a_picked_row_is_shown_on_the_map(
    browser: Any, address: str, story: Any
) -> None:
    page, _, errors = opened(browser, address, 1280, 900)
    head = page.locator(".register th", has_text="radius")
    head.click()
    smallest = min(story.register.weeds, key=lambda w: w.radius_m)
    first = page.locator(".register tbody tr").first
    playwright.expect(first).to_contain_text(smallest.id)
    first.click()
    playwright.expect(page.locator("g.weed.chosen")).to_have_attribute("data-weed", smallest.id)
    playwright.expect(page.locator(".told")).to_contain_text(f"{smallest.id}: {smallest.kind}")
    page.locator(".find input").fill("refused")
    refused = len(story.plan.refused)
    playwright.expect(page.locator(".register tbody tr")).to_have_count(refused)
    assert errors == []
    page.close()


@needs_browser
def test_the_map_zooms_about_the_pointer_pans_and_hides_layers(browser: Any, address: str) -> None:
    page, _, errors = opened(browser, address, 1280, 1400)
    box = page.locator(".plan-box")
    where = "e => e.querySelector('svg').getAttribute('viewBox').split(' ').map(Number)"
    weed = page.locator("g.weed").first
    _, _, w0, _ = before = box.evaluate(where)
    at = weed.evaluate("e => { const m = e.getScreenCTM(); return [m.e, m.f]; }")
    page.mouse.move(*at)
    page.mouse.wheel(0, -800)
    playwright.expect(box.locator("svg")).not_to_have_attribute("viewBox", " ".join(f"{v:g}" for v in before))
    assert box.evaluate(where)[2] < 0.5 * w0
    zoomed = weed.evaluate("e => { const m = e.getScreenCTM(); return [m.e, m.f]; }")
    assert zoomed == pytest.approx(at, abs=4)  # the pointer is told in whole pixels, the zoom multiplies that
    page.mouse.down()
    page.mouse.move(at[0] + 60, at[1] - 40, steps=4)
    page.mouse.up()
    moved = weed.evaluate("e => { const m = e.getScreenCTM(); return [m.e, m.f]; }")
    assert moved == pytest.approx([zoomed[0] + 60, zoomed[1] - 40], abs=2)
    page.get_by_role("button", name="whole site").click()
    assert box.evaluate(where)[2] == pytest.approx(w0)
    page.get_by_role("checkbox", name="ellipses").click()
    playwright.expect(page.locator(".layer-ellipses")).to_be_hidden()
    assert errors == []
    page.close()


@needs_browser
def test_at_phone_width_nothing_scrolls_sideways_and_a_tap_picks_a_weed(browser: Any, address: str) -> None:
    page, _, errors = opened(browser, address, 390, 844, has_touch=True, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    assert page.locator(".plan-box").bounding_box()["width"] <= 390
    weed = page.locator("g.weed").nth(5)
    weed.scroll_into_view_if_needed()
    page.touchscreen.tap(*weed.evaluate("e => { const m = e.getScreenCTM(); return [m.e, m.f]; }"))
    playwright.expect(page.locator(".told")).to_contain_text("present")
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    assert errors == []
    page.close()


def answer(url: str, **headers: str) -> tuple[int, str, str]:
    """Return status, text and cookie of a request that follows no redirection out of the guard."""
    try:
        with urlopen(Request(url, headers=headers), timeout=10) as reply:
            return reply.status, reply.read().decode(), reply.headers.get("set-cookie") or ""
    except HTTPError as error:
        return error.code, error.read().decode(), ""


def test_reports_are_served_and_nothing_beside_them(address: str) -> None:
    assert answer(address + "reports/round-1.html")[:2] == (200, "<p>the report of round 1</p>")
    for name in ("none.html", "..%2Fsecret.html", "%2e%2e/secret.html", "round-1.html%00"):
        status, text, _ = answer(address + "reports/" + name)
        assert status in (400, 404)
        assert "not for the page" not in text


def test_a_foreign_name_that_points_here_is_refused(address: str) -> None:
    assert answer(address, Host="elsewhere.example")[0] == 403
    assert answer(address, Origin="http://elsewhere.example")[0] == 403


def test_off_loopback_the_page_needs_its_token(tmp_path: Path) -> None:
    for address in serving(tmp_path, "0.0.0.0"):
        port = urlsplit(address).port
        here = f"http://127.0.0.1:{port}/"
        token = address.partition("token=")[2]
        assert len(token) >= 32
        assert answer(here)[0] == 403
        assert answer(here + "?token=" + token[:-1])[0] == 403
        assert answer(here, Cookie="swardwright_token=")[0] == 403
        assert answer(here, Cookie=f"swardwright_token={token}")[0] == 200
        assert answer(here, Cookie=f"swardwright_token={token}", Origin="http://elsewhere.example")[0] == 403
        with pytest.raises((HTTPError, URLError)), urlopen(here + "_nicegui_ws/socket.io/?EIO=4&transport=polling"):
            pass
