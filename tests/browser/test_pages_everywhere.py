"""Every page on every size of screen, light and dark: fits, says nothing wrong, can be read by everybody."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

PAGES = ["/", "/wall", "/jobs", "/traces", "/instruments", "/help"]
SIZES = [(360, 780), (820, 1180), (1920, 1080)]
KEPT = {("/wall", 1920, True), ("/", 360, False), ("/help", 820, False)}
SERIOUS = {"serious", "critical"}


def _settled(page: Page, url: str) -> None:
    page.goto(url)
    if page.locator("#bench-state").count():
        expect(page.locator("#bench-state")).to_contain_text("Bench live")
    page.wait_for_timeout(150)


def _name(path: str) -> str:
    return path.strip("/").replace("/", "_") or "bench"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_a_page_fits_every_screen(still_demo, open_tab, picture, path: str, dark: bool) -> None:
    page = open_tab(dark=dark)
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        _settled(page, still_demo.url + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{path} scrolls sideways at {width}"
        kept = (path, width, dark) in KEPT
        picture(page, f"{_name(path)}_{width}_{'dark' if dark else 'light'}", kept=kept, full=path != "/wall")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_serious(still_demo, open_tab, path: str, dark: bool) -> None:
    page = open_tab(1440, 900, dark=dark)
    _settled(page, still_demo.url + path)
    found = Axe().run(page).response["violations"]
    told = [f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:120]}" for one in found if one["impact"] in SERIOUS]
    assert told == []


@pytest.mark.parametrize("path", PAGES)
def test_everything_to_press_is_thumb_sized(still_demo, open_tab, path: str) -> None:
    page = open_tab(360, 780)
    _settled(page, still_demo.url + path)
    small = page.evaluate("""() => [...document.querySelectorAll("button, select, input:not([type=checkbox]), nav a, .big-button, summary")]
      .filter(node => node.offsetParent && !node.closest("dialog:not([open])") && !node.classList.contains("skip"))
      .map(node => [node.getBoundingClientRect(), node])
      .filter(([box]) => box.height > 0 && (box.height < 44 || box.width < 44)).map(([box, node]) => `${node.outerHTML.slice(0, 80)} ${box.width}x${box.height}`)""")
    assert small == []


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_walked_by_keyboard_with_its_focus_seen(still_demo, open_tab, path: str) -> None:
    page = open_tab(1440, 900)
    _settled(page, still_demo.url + path)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    seen = []
    for _ in range(12):
        page.keyboard.press("Tab")
        told = page.evaluate("[document.activeElement.outerHTML.slice(0, 60), getComputedStyle(document.activeElement).outlineStyle, document.activeElement.tagName]")
        if told[2] != "BODY":
            seen.append(told)
    assert len({one[0] for one in seen}) >= 6
    assert all(style != "none" for _, style, _ in seen)


def test_a_page_has_landmarks_and_one_heading_of_the_first_order(still_demo, open_tab) -> None:
    page = open_tab()
    for path in PAGES:
        _settled(page, still_demo.url + path)
        assert page.locator("main").count() == page.locator("h1").count() == 1
        assert page.locator("header nav").count() == 1
        assert page.evaluate("document.title").endswith("Lobewright")


def test_each_screen_remembers_its_own_units_words_and_light(still_demo, open_tab) -> None:
    page, other = open_tab(), open_tab()
    for one in (page, other):
        _settled(one, still_demo.url)
    page.get_by_role("button", name="This screen").click()
    for value in ("thou", "american", "dark"):
        page.locator(f'#choices input[value="{value}"]').check(force=True)
    page.get_by_role("button", name="Done").click()
    expect(page.locator('[data-channel="dial_a"] small')).to_have_text("thou")
    expect(page.locator("#touch-part")).to_contain_text("intake valve")
    page.reload()
    expect(page.locator('[data-channel="dial_a"] small')).to_have_text("thou")
    expect(page.locator("html")).to_have_attribute("data-light", "dark")
    expect(page.locator("html")).to_have_attribute("lang", "en-US")
    expect(page.locator("#touch-part")).to_contain_text("intake valve")
    expect(other.locator('[data-channel="dial_a"] small')).to_have_text("mm")


def test_a_foot_switch_presses_the_large_button(still_demo, open_tab) -> None:
    page = open_tab()
    _settled(page, still_demo.url)
    page.get_by_role("button", name="This screen").click()
    page.get_by_role("button", name="Set a foot switch").click()
    page.keyboard.press("b")
    expect(page.locator("#choices")).to_contain_text("“b” presses the large button")
    page.get_by_role("button", name="Done").click()
    page.keyboard.press("b")
    expect(page.locator("#act")).to_contain_text("Finish")
    page.get_by_role("button", name="Throw this one away").click()
    expect(page.locator("#act")).to_contain_text("Start")


def test_nothing_is_fetched_from_outside_the_shop(still_demo, open_tab) -> None:
    page = open_tab()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for path in PAGES:
        _settled(page, still_demo.url + path)
    strangers = [url for url in asked if not url.startswith((still_demo.url, "data:", "blob:"))]
    assert strangers == []


def test_what_cannot_be_done_is_one_sentence(still_demo, open_tab) -> None:
    page = open_tab()
    _settled(page, still_demo.url)
    page.route("**/api/measurements", lambda route: route.fulfill(status=409, json={"code": "gauge_in_use", "message": "Gauge dial_a is measuring already."}))
    page.keyboard.press("Space")
    expect(page.locator("#trouble")).to_have_text("Gauge dial_a is measuring already.")


def test_a_trace_that_is_not_there_is_told_in_a_sentence(still_demo, open_tab) -> None:
    page = open_tab()
    answer = page.goto(f"{still_demo.url}/traces/9999")
    assert answer is not None
    assert answer.status == 404
    assert "There is no measurement 9999" in page.inner_text("body")
