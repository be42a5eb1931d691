"""The bench by keyboard alone while it lives: every press leaves the focus where it is seen, and reaches what comes next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

FOCUS = """() => {
  const node = document.activeElement;
  return [node.id || node.innerText, getComputedStyle(node).outlineStyle !== "none"];
}"""
FURTHER_THAN_ANY_PAGE = 60


def tab_to(page: Page, name: str) -> None:
    """Press Tab until that is focused, what is focused being seen all the way."""
    for _ in range(FURTHER_THAN_ANY_PAGE):
        page.keyboard.press("Tab")
        focused, seen = page.evaluate(FOCUS)
        if page.evaluate("document.activeElement === document.body"):
            continue  # past the page's end, in the browser's own frame
        assert seen, focused
        if name in focused:
            return
    pytest.fail(f"{name} cannot be reached by Tab")


def focused(page: Page) -> str:
    return str(page.evaluate(FOCUS)[0])


def test_no_press_loses_the_focus_while_the_bench_page_renews_itself(
    own_demo: Any, open_tab: Callable[..., Page]
) -> None:
    page = open_tab(390, 844)
    page.goto(own_demo.url)
    expect(page.locator("#bench-state")).to_contain_text("Bench live")
    expect(page.locator("#hands-free")).to_be_checked()
    tab_to(page, "hands-free")
    page.keyboard.press("Space")
    expect(page.locator("#hands-free")).not_to_be_checked()
    assert focused(page) == "hands-free"

    tab_to(page, "act")
    expect(page.locator("#act")).to_be_enabled()  # it bears no press until the one before was answered
    page.keyboard.press("Enter")
    expect(page.locator("#act")).to_contain_text("Finish")
    rock = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 30.0, "times": 1, "speed_deg_s": 60}
    assert own_demo.simulator("/hand", {"moves": [rock], "wait_s": 60})["done"]
    expect(page.locator("#curve-note")).not_to_contain_text("0 readings")
    assert focused(page) == "act", "what was pressed has been renewed, and is still focused"

    tab_to(page, "Throw this one away")
    page.keyboard.press("Enter")
    expect(page.locator("#act")).to_contain_text("Start")
    expect(page.locator("#away button")).to_have_count(0)
    assert focused(page) == "main", "before all that can be pressed, on nothing that a held key would press"
    tab_to(page, "act")


def test_the_fitting_page_is_worked_by_keyboard_alone(own_demo: Any, open_tab: Callable[..., Page]) -> None:
    page = open_tab(390, 844)
    page.goto(f"{own_demo.url}/fitting")
    page.wait_for_selector("body[data-ready]")
    tab_to(page, "runout-part")
    page.keyboard.type("Crankshaft, No. 3")
    tab_to(page, "Begin the runout")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Stop waiting")).to_be_visible()
    assert focused(page) == "Begin the runout"
    tab_to(page, "Stop waiting")
    page.keyboard.press("Space")
    expect(page.get_by_role("button", name="Stop waiting")).to_have_count(0)
    assert focused(page) == "main"

    tab_to(page, "crowns")
    page.keyboard.type("1 = 0.31 / 0.25")
    tab_to(page, "Tell the deck")
    page.keyboard.press("Enter")
    expect(page.locator("#deck-told")).to_contain_text("Cylinder 1, below")
    tab_to(page, "Name it")
    page.keyboard.press("Enter")
    page.keyboard.type("Block 7")
    page.keyboard.press("Enter")
    expect(page.locator("#kept-list")).to_contain_text("Block 7")
    assert focused(page) == "kept-list"
    tab_to(page, "Throw away")
    page.keyboard.press("Enter")
    expect(page.locator("#kept-list")).to_contain_text("None yet.")
    assert focused(page) == "kept-list"
