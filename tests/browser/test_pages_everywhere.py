"""Every page on every size of screen, light and dark: fits, says nothing wrong, can be read by everybody."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

PAGES = ["/", "/wall", "/jobs", "/traces", "/instruments", "/help"]
SIZES = [(360, 780), (820, 1180), (1920, 1080)]
KEPT = {("/wall", 1920, True)}
SERIOUS = {"serious", "critical"}


def _settled(page: Page, url: str) -> None:
    page.goto(url)
    expect(page.locator("#bench-state")).to_contain_text("Bench live")


@pytest.fixture(
    scope="module",
    params=[(path, dark) for path in PAGES for dark in (False, True)],
    ids=lambda one: f"{one[0]}-{'dark' if one[1] else 'light'}",
)
def visit(request, still_demo, open_for_long):
    """One page in one light, looked at by every test that takes it."""
    path, dark = request.param
    page = open_for_long(dark=dark)
    _settled(page, still_demo.url + path)
    yield page, path, dark
    page.goto("about:blank")


def _at(page: Page, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    page.wait_for_timeout(60)


def test_a_page_fits_every_screen(visit, picture) -> None:
    page, path, dark = visit
    for width, height in SIZES:
        _at(page, width, height)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, (
            f"{path} scrolls sideways at {width}"
        )
        name = f"{path.strip('/') or 'bench'}_{width}_{'dark' if dark else 'light'}"
        picture(page, name, kept=(path, width, dark) in KEPT, full=path != "/wall")


def test_axe_finds_nothing_serious(visit) -> None:
    page, _, _ = visit
    _at(page, 1440, 900)
    found = Axe().run(page).response
    told = [
        f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:120]}"
        for one in found["violations"]
        if one["impact"] in SERIOUS
    ]
    assert told == []
    assert len(found["passes"]) > 15


SMALL = """() => [...document.querySelectorAll("button, select, input:not([type=checkbox]), nav a, .big-button, summary")]
  .filter(node => node.offsetParent && !node.closest("dialog:not([open])") && !node.classList.contains("skip"))
  .map(node => [node.getBoundingClientRect(), node])
  .filter(([box]) => box.height > 0 && (box.height < 44 || box.width < 44))
  .map(([box, node]) => `${node.outerHTML.slice(0, 80)} ${box.width}x${box.height}`)"""


def test_everything_to_press_is_thumb_sized(visit) -> None:
    page, _, _ = visit
    _at(page, 360, 780)
    assert page.evaluate(SMALL) == []


FOCUS = """() => {
  const node = document.activeElement;
  return [node.tagName, node.outerHTML.slice(0, 60), getComputedStyle(node).outlineStyle];
}"""


def test_a_page_is_walked_by_keyboard_with_its_focus_seen(visit) -> None:
    page, _, _ = visit
    _at(page, 1440, 900)
    page.evaluate("document.activeElement.blur()")
    seen = []
    for _ in range(12):
        page.keyboard.press("Tab")
        tag, node, outline = page.evaluate(FOCUS)
        if tag != "BODY":
            seen.append(node)
            assert outline != "none", node
    assert len(set(seen)) >= 6


def test_a_page_has_landmarks_and_one_heading_of_the_first_order(visit) -> None:
    page, _, _ = visit
    assert (
        page.locator("main").count() == page.locator("h1").count() == page.locator("header nav").count() == 1
    )
    assert page.evaluate("document.title").endswith("Lobewright")


def test_the_first_key_leads_past_the_title_block(still_demo, open_tab) -> None:
    page = open_tab()
    _settled(page, still_demo.url)
    page.keyboard.press("Tab")
    assert page.inner_text(":focus") == "Skip to the work"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


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
    page.route(
        "**/api/measurements",
        lambda route: route.fulfill(
            status=409, json={"code": "gauge_in_use", "message": "Gauge dial_a is measuring already."}
        ),
    )
    page.keyboard.press("Space")
    expect(page.locator("#trouble")).to_have_text("Gauge dial_a is measuring already.")
