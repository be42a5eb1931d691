"""The control page in a real browser: it draws and moves the engine, and keeps the truth behind a button."""

import math
import time

import pytest
from playwright.sync_api import expect, sync_playwright

pytestmark = pytest.mark.browser
CHROMIUM = "/usr/bin/chromium"
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--no-first-run"]  # fmt: skip


@pytest.fixture(params=[390, 1440])
def page(request, run_bench):
    bench = run_bench()
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        page = browser.new_page(viewport={"width": request.param, "height": 900})
        page.troubles = []
        page.on("pageerror", lambda error: page.troubles.append(str(error)))
        page.on("console", lambda said: page.troubles.append(said.text) if said.type == "error" else None)
        page.bench = bench
        page.goto(bench.url)
        expect(page.locator("#link")).to_have_text("live", timeout=30_000)
        yield page
        browser.close()


def crank(page):
    return page.bench.get("/state")[1]["crank"]["unwrapped_deg"]


def test_the_page_moves_the_bench_and_shows_what_it_does(page):
    expect(page.locator("h1")).to_have_text("Tarn 1.8 twin-cam")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    start = crank(page)
    disc = page.locator("#drawing .disc")
    disc.scroll_into_view_if_needed()
    box = disc.bounding_box()
    x, y, reach = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, box["width"] * 0.4
    page.mouse.move(x, y - reach)
    page.mouse.down()
    for deg in range(0, 91, 5):
        page.mouse.move(x + reach * math.sin(math.radians(deg)), y - reach * math.cos(math.radians(deg)))
    page.mouse.up()
    expect(page.locator("#doing")).to_have_text("holding", timeout=20_000)
    assert crank(page) - start == pytest.approx(90.0, abs=1.0)

    disc.focus()
    before = crank(page)
    page.keyboard.press("PageUp")
    deadline = time.monotonic() + 20.0
    while abs(crank(page) - before - 10.0) > 0.01 and time.monotonic() < deadline:
        page.wait_for_timeout(100)
    assert crank(page) - before == pytest.approx(10.0, abs=0.01)

    page.get_by_label("What dial_a touches").select_option("inlet_1")
    page.locator("#cams .item").first.get_by_text("Slacken the bolts").click()
    expect(page.locator("#cams .item").first).to_contain_text("bolts slack")
    page.get_by_label("Turn the inlet cam earlier by 1 crank degrees").click()
    expect(page.locator("#cams .item").first).to_contain_text("1.00° earlier", timeout=20_000)
    page.locator("#cables .item").nth(1).get_by_text("Pull out").click()
    expect(page.locator("#cables .item").nth(1)).to_contain_text("pulled out")
    seen = page.bench.get("/state")[1]
    assert seen["gauges"]["dial_a"]["onto"] == "inlet_1"
    assert seen["cables"]["dial_a"]["plugged"] is False

    assert page.locator("#truth").is_hidden()
    page.get_by_role("button", name="Reveal").click()
    expect(page.locator("#truth")).to_contain_text("True TDC is where the counter reads 154.500°")
    expect(page.locator("#truth")).to_contain_text("inlet cam 2.40° late")
    page.get_by_role("button", name="Two turns").click()
    expect(page.locator("#doing")).to_have_text("turns", timeout=20_000)
    page.get_by_role("button", name="Stop").click()
    expect(page.locator("#doing")).to_have_text("holding", timeout=20_000)
    assert page.troubles == []


def test_the_page_says_when_the_bench_is_gone(page):
    page.bench.end()
    expect(page.locator("#link")).to_have_text("no answer", timeout=20_000)
