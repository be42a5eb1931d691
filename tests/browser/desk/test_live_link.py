"""A lost link is told, never hidden; a screen that slept or a server that fell comes back by itself."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, WebSocketRoute, expect

pytestmark = pytest.mark.browser
LONG_MS = 60_000


class Wire:
    """The live link of a page, to be cut and mended."""

    def __init__(self, page: Page) -> None:
        self.cut = False
        self.opened = 0
        page.route_web_socket("**/live", self._passed_on)

    def _passed_on(self, page_end: WebSocketRoute) -> None:
        self.opened += 1
        server_end = page_end.connect_to_server()
        server_end.on_message(lambda message: None if self.cut else page_end.send(message))


def _live(page: Page) -> None:
    expect(page.locator("#bench-state")).to_contain_text("Bench live")


def test_a_silent_link_is_told_with_the_age_of_what_is_shown(still_demo, open_tab, until, picture) -> None:
    page = open_tab(390, 844)
    wire = Wire(page)
    page.goto(still_demo.url)
    _live(page)
    wire.cut = True
    expect(page.locator("#bench-state")).to_contain_text("Link lost")
    expect(page.locator("#figure")).to_have_class(re.compile(r"\bstale\b"))
    expect(page.locator("#figure")).to_contain_text("s old")
    expect(page.locator("#sentence")).to_contain_text("no link to the bench")
    expect(page.locator("#act")).to_be_disabled()
    assert page.locator(".reading.stale").count() == page.locator(".reading").count() > 0
    picture(page, "link_lost_phone", full=True)
    age = page.inner_text(".stale-note")
    until(page, "old => document.querySelector('.stale-note').innerText !== old", age)
    wire.cut = False
    _live(page)
    expect(page.locator("#figure")).not_to_have_class(re.compile(r"\bstale\b"))
    expect(page.locator(".reading.stale")).to_have_count(0)


def test_silence_is_told_before_two_seconds_of_it(still_demo, open_tab, until) -> None:
    """By the page's own clock between the last word heard and the word that the link is lost.

    A machine too busy to run the page's timers is late by as much as those timers are, measured beside it.
    """
    page = open_tab()
    wire = Wire(page)
    page.goto(still_demo.url)
    _live(page)
    page.evaluate("""() => {
      let before = performance.now();
      window.late = 0;
      setInterval(() => {
        window.late = Math.max(window.late, (performance.now() - before) / 1000 - 0.05);
        before = performance.now();
      }, 50);
      const box = document.querySelector("#bench-state");
      new MutationObserver(() => { if (box.dataset.state === "lost") window.told ??= box.innerText; }).observe(box, { attributes: true, childList: true, subtree: true });
    }""")
    wire.cut = True
    until(page, "window.told")
    age = float(page.evaluate("window.told.match(/([0-9.]+) s/)[1]"))
    assert age <= 2.0 + page.evaluate("window.late")


def test_a_page_survives_a_restart_of_the_server(own_demo, open_tab, until) -> None:
    """The page is not loaded again: what was typed into it is still there, and the numbers are fresh."""
    bench, wall = open_tab(), open_tab()
    bench.goto(own_demo.url)
    wall.goto(f"{own_demo.url}/wall")
    for page in (bench, wall):
        _live(page)
        page.evaluate("window.same = true")
    bench.locator('input[value="exhaust"]').check(force=True)
    own_demo.stop()
    for page in (bench, wall):
        expect(page.locator("#bench-state")).to_contain_text("Link lost")
        expect(page.locator("#figure")).to_have_class(re.compile(r"\bstale\b"))
    own_demo.start()
    own_demo.wait()
    for page in (bench, wall):
        expect(page.locator("#bench-state")).to_contain_text("Bench live", timeout=LONG_MS)
        expect(page.locator("#figure")).not_to_have_class(re.compile(r"\bstale\b"))
        assert page.evaluate("window.same")
    # The wall shows no readings.
    until(bench, "document.querySelectorAll('.reading:not(.stale)').length > 0")
    assert bench.locator('input[value="exhaust"]').is_checked()
    expect(bench.locator("#act")).to_be_enabled()
    bench.keyboard.press("Space")
    expect(bench.locator("#act")).to_contain_text("Finish")
    expect(wall.locator("#step")).to_contain_text("exhaust")


def test_a_curve_that_was_missed_is_there_when_the_screen_is_back(still_demo, open_tab, until) -> None:
    page, other = open_tab(), open_tab()
    wire = Wire(page)
    for one in (page, other):
        one.goto(still_demo.url)
        _live(one)
    expect(other.locator("#act")).to_contain_text("Start")  # what the space bar does is known from here on
    expect(other.locator("#act")).to_be_enabled()
    other.keyboard.press("Space")
    expect(other.locator("#act")).to_contain_text("Finish")
    expect(page.locator("#act")).to_contain_text("Finish")
    wire.cut = True
    expect(page.locator("#bench-state")).to_contain_text("Link lost")
    until(other, "parseInt(document.querySelector('#curve-note').innerText) > 12")
    wire.cut = False
    _live(page)
    until(page, "parseInt(document.querySelector('#curve-note').innerText) > 12")
    other.get_by_role("button", name="Throw this one away").click()
    expect(other.locator("#act")).to_contain_text("Start")
    expect(page.locator("#act")).to_contain_text("Start")


def test_a_pulled_cable_strikes_that_instrument_alone(still_demo, open_tab, picture) -> None:
    page = open_tab(820, 1180)
    page.goto(still_demo.url)
    _live(page)
    still_demo.simulator("/cable", {"channel": "dial_a", "plugged": False})
    try:
        expect(page.locator('[data-channel="dial_a"]')).to_have_class("reading stale")
        expect(page.locator('[data-channel="crank"]')).to_have_class("reading")
        expect(page.locator("#bench-state")).to_contain_text("dial a")
        picture(page, "cable_pulled")
    finally:
        still_demo.simulator("/cable", {"channel": "dial_a", "plugged": True})
    _live(page)


def test_what_a_device_sends_is_never_taken_for_html(still_demo, open_tab, until) -> None:
    page = open_tab()
    page.route("**/api/bench", lambda route: route.continue_())

    def poison(page_end: WebSocketRoute) -> None:
        server_end = page_end.connect_to_server()
        server_end.on_message(
            lambda message: page_end.send(
                str(message).replace('"sentence":"', '"sentence":"<img src=x onerror=alert(1)>')
            )
        )

    page.route_web_socket("**/live", poison)
    for path in ("/", "/wall", "/instruments"):
        page.goto(still_demo.url + path)
        until(page, "document.body.innerText.includes('<img src=x')")
        assert page.locator('img[src="x"]').count() == 0
