"""The demo in a real browser: the centre appears and moves while the crank turns, and its trace can be opened."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

CENTRE = "document.querySelector('.figure-label')?.textContent.includes('settling')"
WATCH = """() => {
  window.centres = [];
  document.addEventListener("painted", () => {
    const label = document.querySelector(".figure-label").textContent;
    const told = document.querySelector("#number").textContent;
    const last = window.centres[window.centres.length - 1];
    if (label.includes("settling") && told !== last) window.centres.push(told);
  });
}"""


def test_the_centre_appears_moves_and_its_trace_opens(demo, open_tab, until, picture) -> None:
    desk, phone = open_tab(1440, 900), open_tab(390, 844, dark=True)
    for page in (desk, phone):
        page.goto(demo.url)
    desk.evaluate(WATCH)
    until(desk, CENTRE)
    until(desk, "window.centres.length >= 2")  # a slow machine shows few, each one unlike the last
    until(phone, CENTRE)
    picture(desk, "bench_desk", kept=True)
    picture(phone, "bench_phone", kept=True, full=True)

    demo.finished("piston")
    desk.goto(f"{demo.url}/traces")
    desk.get_by_role("link", name="True TDC, piston 1").first.click()
    _trace_is_whole(desk)
    phone.goto(desk.url)
    _trace_is_whole(phone)


def _trace_is_whole(page: Page) -> None:
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("#title")).to_have_text("True TDC, piston 1")
    assert re.fullmatch(r"\d+\.\d+", page.inner_text("#number"))
    assert page.locator("#plot .main-svg").count() > 0
    for table in ("#pairs", "#passes", "#budget"):
        assert page.locator(f"{table} tbody tr").count() > 0
