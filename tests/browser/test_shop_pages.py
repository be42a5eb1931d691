"""A shop of two benches in a real browser: found, followed into each bench, laid over one another, and nothing to press."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from kept_shop import add_job
from playwright.sync_api import Page, expect
from postgres import Server
from running_pages import RunningPages
from waiting import until

from api.forwarding import Forwarder, LiveWord, Teller, prepare

pytestmark = pytest.mark.browser
SERIOUS = {"serious", "critical"}
CHANGES = [
    "Put it away",
    "Change it",
    "Hand it over",
    "Take it over",
    "Begin the job",
    "Delete this job",
    "Take it in",
    "Bring it in and measure it",
    "Keep it",
]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningPages]:
    folder, server = tmp_path_factory.mktemp("shop"), Server()
    try:
        prepare(server.new_database("shop"), ["east", "west"])
        for name in ("east", "west"):
            add_job(folder / name)
            url = server.url("shop", f"lobewright_{name}")
            forwarder = Forwarder(folder / name, url, name)
            while forwarder.step():
                pass
            forwarder.close()
        tell_once(server, folder)
        running = RunningPages(server.url("shop", "lobewright_reader"), folder)
        until(lambda: running.get("/api/shop/benches")["jobs"] == 2, "both benches are copied")
        yield running
        running.stop()
    finally:
        server.close()


def tell_once(server: Server, folder: Path) -> None:
    """Let east say something of itself, and nothing more."""
    from api.forwarding.forwarder import read_progress

    identity = read_progress(folder / "east").identity
    teller = Teller(lambda: identity, server.url("shop", "lobewright_east"), "east")
    teller.say(
        LiveWord(
            reads="live",
            sentence="<b>Turn</b> dial_a forward.",
            number=107.5,
            unit="deg",
            from_tdc=True,
            interval=0.12,
            label="inlet 1",
            readings={"crank": 12.0, "dial_a": 2.5},
            address="http://192.168.7.20:8720",
        )
    )
    assert teller.step()
    teller.close()


def lobe_of(shop: RunningPages, bench: str) -> int:
    listed = shop.get(f"/of/{bench}/api/measurements?state=finished")["measurements"]
    return next(one["id"] for one in listed if one["touches"].startswith("inlet"))


def opened(page: Page, url: str) -> list[str]:
    """Open a page, whole; gives what it asked for in vain."""
    failed: list[str] = []
    page.on("response", lambda answer: failed.append(answer.url) if answer.status >= 400 else None)
    page.goto(url)
    page.wait_for_selector("body[data-ready]")
    return failed


def test_jobs_of_all_benches_are_found_and_opened(shop, open_tab) -> None:
    page = open_tab()
    failed = opened(page, shop.url)
    expect(page.locator("#list > li")).to_have_count(2)
    page.fill("#words", "west")
    expect(page.locator("#list > li")).to_have_count(1)
    page.fill("#words", "no such job anywhere")
    expect(page.locator("#list")).to_have_text("No job fits.")
    page.fill("#words", "")
    expect(page.locator("#list > li")).to_have_count(2)
    page.locator("#list > li a[href*='engine=']").first.click()
    expect(page.locator("#of-engine")).to_contain_text("wherever it was measured")
    expect(page.locator("#list > li")).to_have_count(2)
    page.locator("#list a[href^='/of/west/jobs/']").click()
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("#bench-state")).to_have_text("Copy of west")
    page.get_by_role("link", name="its trace").first.click()
    page.wait_for_selector("body[data-ready]")
    assert "/of/west/traces/" in page.url
    page.get_by_role("link", name="Shop").click()
    expect(page.locator("#list > li")).to_have_count(2)
    assert failed == []


def test_a_bench_shows_its_number_until_it_is_not_heard(shop, open_tab) -> None:
    page = open_tab()
    opened(page, shop.url)
    east, west = page.locator("#benches > li").all()
    expect(east).to_contain_text("107.50° ATDC")
    expect(east.get_by_role("link", name="Its own page")).to_have_attribute(
        "href", "http://192.168.7.20:8720"
    )
    expect(west).to_contain_text("Never heard")
    expect(east).to_contain_text("Not heard for", timeout=60_000)
    expect(east).not_to_contain_text("Turn")  # nobody is told to do what was said long ago
    assert "line-through" in east.locator(".bench-number").evaluate(
        "node => getComputedStyle(node).textDecoration"
    )


def test_a_lobe_of_another_bench_is_laid_over(shop, open_tab) -> None:
    page = open_tab()
    other = f"west:{lobe_of(shop, 'west')}"
    failed = opened(page, f"{shop.url}/of/east/traces/{lobe_of(shop, 'east')}")
    page.select_option("#other", other)
    page.click("#add")
    expect(page.locator("#laid")).to_contain_text("west no.")
    expect(page.locator("#over-plot")).to_be_visible()
    # The same file at both benches: the very same curve.
    expect(page.locator("#difference-note")).to_contain_text("stands 0.00° ±")
    assert page.url.endswith(f"?with={other}")
    page.reload()
    expect(page.locator("#laid")).to_contain_text("west no.")
    assert failed == []


WIDE = """() => [...document.querySelectorAll("main *")]
  .filter(node => !node.closest(".table-box, .plot") && node.getBoundingClientRect().right > innerWidth + 1)
  .map(node => node.outerHTML.slice(0, 100))"""
PAGES = [
    "/",
    "/of/east/jobs",
    "/of/east/jobs/1",
    "/of/east/traces",
    "/of/east/traces/1",
    "/of/east/fitting",
    "/help",
]


@pytest.mark.parametrize("path", PAGES)
def test_every_page_fits_reads_and_offers_nothing_that_changes(shop, open_tab, framed, path) -> None:
    page = open_tab(390, 844)
    failed: list[str] = []
    page.on("response", lambda answer: failed.append(answer.url) if answer.status >= 400 else None)
    page.goto(shop.url + path)
    if path not in {"/help", "/of/east/fitting"}:
        page.wait_for_selector("body[data-ready]")
    for width, height in ((390, 844), (1440, 900)):
        page.set_viewport_size({"width": width, "height": height})
        framed(page)
        assert page.evaluate(WIDE) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert failed == []
    for words in CHANGES:
        assert [one for one in page.get_by_text(words, exact=True).all() if one.is_visible()] == [], words
    found = Axe().run(page, context={"exclude": [[".plot svg"]]}).response
    assert [one["id"] for one in found["violations"] if one["impact"] in SERIOUS] == []
