"""Every page on every size of screen, light and dark: fits, says nothing wrong, can be read by everybody."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

SHEET = "/api/jobs/N/sheet.html"
REPORTS = ["/traces/N/report", "/jobs/N/report", "/jobs/N/piston_map", "/jobs/N/drive"]
PAGES = [
    "/",
    "/wall",
    "/jobs",
    "/jobs/N",
    "/traces",
    "/traces/N",
    "/fitting",
    "/instruments",
    "/help",
    "/pair",
    SHEET,
    *REPORTS,
]
WITHOUT_BENCH = ("/pair", "/sheet.html")
"""Pages that tell nothing of the bench, and are whole when they have come."""
AT_ONCE = ("/", "/wall", "/help")
"""Pages that are whole when the bench is live; the others say so when they have loaded what they show."""
SIZES = [(360, 780), (820, 1180), (1920, 1080)]
SERIOUS = {"serious", "critical"}
LOOKED_AT = {"exclude": [[".plot svg"]]}
"""A drawing is one image with a name; the hundreds of marks in it are in colours that the page around it has too."""
CONTRAST = {"runOnly": {"type": "rule", "values": ["color-contrast"]}}
"""All that axe can find anew in another light; the rest of the page is the same."""


def _settled(page: Page, url: str) -> None:
    page.goto(url)
    expect(page.locator("#bench-state")).to_contain_text("Bench live")


def _whole(page: Page, url: str) -> None:
    """Wait until a page has loaded what it shows."""
    if url.endswith(WITHOUT_BENCH):
        page.goto(url)
        return
    _settled(page, url)
    if not url.endswith(AT_ONCE):
        page.wait_for_selector("body[data-ready]")


@pytest.fixture(scope="module")
def asked(_one_screen) -> list[str]:
    """Every address that the shared tab has asked for."""
    _, page = _one_screen
    addresses: list[str] = []
    page.on("request", lambda request: addresses.append(request.url))
    return addresses


def _address(path: str, request: pytest.FixtureRequest) -> str:
    """Put the number of a real job or of real traces into a path that wants one."""
    if path == "/traces/N/report":
        return f"/traces/{request.getfixturevalue('stored')['inlet_1']}/report"
    if path in {"/jobs/N", "/jobs/N/report", "/jobs/N/piston_map", "/jobs/N/drive", SHEET}:
        return path.replace("N", str(request.getfixturevalue("job_by_hand")))
    if path == "/traces/N":
        stored = request.getfixturevalue("stored")
        return f"/traces/{stored['inlet_1']}?with={stored['inlet_2']}"
    return path


@pytest.fixture(scope="module", params=PAGES)
def opened(request, asked, _one_screen, still_demo) -> str:
    """One page in the shared tab, looked at by every test that takes it."""
    _, page = _one_screen
    _whole(page, still_demo.url + _address(request.param, request))
    return request.param


CUT_OFF = """() => [...document.querySelectorAll("main *, nav *")]
  .filter(node => node.clientWidth > 2 && node.scrollWidth > node.clientWidth + 1)
  .filter(node => getComputedStyle(node).overflowX !== "visible" && !node.closest("thead, .last-lines, .plot"))
  .map(node => `${node.tagName} ${node.id} ${node.className}: ${node.scrollWidth} in ${node.clientWidth}`)"""
"""What can be seen whole only by moving it sideways, but for drawings, which are drawn anew a moment later."""


def test_a_page_fits_every_screen(opened, shared_tab, framed, picture) -> None:
    name = opened.strip("/").replace("/N", "_one").replace("/", "_") or "bench"
    lights = ["light", "dark"]
    for width, height in SIZES:
        shared_tab.set_viewport_size({"width": width, "height": height})
        for light in lights:
            shared_tab.emulate_media(color_scheme=light)
            framed(shared_tab)
            assert shared_tab.evaluate("document.documentElement.scrollWidth") <= width, (
                f"{opened} scrolls sideways at {width}"
            )
            if width == SIZES[0][0] or opened == SHEET:  # the desk's widest tables have a box to be moved in
                assert shared_tab.evaluate(CUT_OFF) == [], f"{opened} at {width}"
            picture(shared_tab, f"{name}_{width}_{light}", full=opened != "/wall")
        lights.reverse()  # the next size begins in the light that this one ended in: nothing is drawn twice


def _serious(found: dict) -> list[str]:
    return [
        f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:120]}"
        for one in found["violations"]
        if one["impact"] in SERIOUS
    ]


def test_axe_finds_nothing_serious(opened, shared_tab, framed) -> None:
    found = Axe().run(shared_tab, context=LOOKED_AT).response
    assert _serious(found) == []
    assert len(found["passes"]) > 15
    shared_tab.emulate_media(color_scheme="dark")
    framed(shared_tab)
    found = Axe().run(shared_tab, context=LOOKED_AT, options=CONTRAST).response
    assert _serious(found) == []
    assert len(found["passes"]) == 1


SMALL = """() => [...document.querySelectorAll("button, select, input:not([type=checkbox]), nav a, .big-button, summary")]
  .filter(node => node.offsetParent && !node.closest("dialog:not([open])") && !node.classList.contains("skip"))
  .map(node => [node.getBoundingClientRect(), node])
  .filter(([box]) => box.height > 0 && (box.height < 44 || box.width < 44))
  .map(([box, node]) => `${node.outerHTML.slice(0, 80)} ${box.width}x${box.height}`)"""


def test_everything_to_press_is_thumb_sized(opened, shared_tab, framed) -> None:
    shared_tab.set_viewport_size({"width": 360, "height": 780})
    framed(shared_tab)
    assert shared_tab.evaluate(SMALL) == []


FOCUS = """() => {
  const node = document.activeElement;
  return [node.tagName, node.outerHTML.slice(0, 60), getComputedStyle(node).outlineStyle];
}"""


def test_a_page_is_walked_by_keyboard_with_its_focus_seen(opened, shared_tab) -> None:
    shared_tab.evaluate("document.activeElement.blur()")
    seen = []
    for _ in range(12):
        shared_tab.keyboard.press("Tab")
        tag, node, outline = shared_tab.evaluate(FOCUS)
        if tag != "BODY":
            seen.append(node)
            assert outline != "none", node
    assert len(set(seen)) >= (2 if opened.endswith(WITHOUT_BENCH) else 6)


def test_a_page_has_landmarks_and_one_heading_of_the_first_order(opened, shared_tab) -> None:
    for landmark in ("main", "h1", *(() if opened.endswith(WITHOUT_BENCH) else ("header nav",))):
        assert shared_tab.locator(landmark).count() == 1, landmark
    assert shared_tab.evaluate("document.title").endswith("HL-0417" if opened == SHEET else "Lobewright")


def test_nothing_was_fetched_from_outside_the_shop(opened, asked, still_demo) -> None:
    assert any(url.startswith(f"{still_demo.url}/static/") for url in asked)
    assert [url for url in asked if not url.startswith((still_demo.url, "data:", "blob:"))] == []


def test_the_first_key_leads_past_the_title_block(still_demo, shared_tab) -> None:
    page = shared_tab
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
    expect(page.locator("#act")).to_be_enabled()
    page.keyboard.press("b")
    expect(page.locator("#act")).to_contain_text("Finish")
    page.get_by_role("button", name="Throw this one away").click()
    expect(page.locator("#act")).to_contain_text("Start")


def test_what_cannot_be_done_is_one_sentence(still_demo, open_tab) -> None:
    page = open_tab()
    _settled(page, still_demo.url)
    page.route(
        "**/api/measurements",
        lambda route: route.fulfill(
            status=409, json={"code": "gauge_in_use", "message": "Gauge dial_a is measuring already."}
        ),
    )
    expect(page.locator("#act")).to_be_enabled()  # painted a frame after the link is said to be live
    page.keyboard.press("Space")
    expect(page.locator("#trouble")).to_have_text("Gauge dial a is measuring already.")
