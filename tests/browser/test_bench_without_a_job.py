"""Without a job: set the gauge on, turn, read the number; the one press is the question that nobody else can answer."""

from __future__ import annotations

import time
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(600)]

OVER_THE_TOP = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 45.0, "times": 2, "speed_deg_s": 80}
LOBE_TURNS = (
    {"do": "turns", "count": 2.0, "speed_deg_s": 130},
    {"do": "turns", "count": 2.2, "speed_deg_s": 80},
    {"do": "turn_by", "by_deg": -20.0, "speed_deg_s": 60},
)
COUNT_PRESSES = """
for (const kind of ["click", "keydown"])
  window.addEventListener(kind, (event) => event.isTrusted && (window.presses = (window.presses ?? 0) + 1), true);
"""
LONGEST_S = 90.0


def set_on(demo: Any, onto: str) -> None:
    demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 0.8}], "wait_s": 60})
    demo.simulator("/gauge", {"gauge": "dial_a", "onto": onto})
    demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 1.2}], "wait_s": 60})


def turn(demo: Any, *moves: dict[str, Any]) -> None:
    demo.simulator("/hand", {"moves": [*moves, {"do": "hold", "seconds": 1.0}], "wait_s": 110})


def ended(demo: Any, how_many: int) -> list[dict[str, Any]]:
    """Hold still until so many numbers of the gauge are kept, newest first."""
    deadline = time.monotonic() + LONGEST_S
    while time.monotonic() < deadline:
        listed = demo.get("/api/measurements")["measurements"]
        kept = [one for one in listed if one["state"] == "finished" and one["gauge"] == "dial_a"]
        if len(kept) >= how_many:
            return kept
        time.sleep(0.3)
    pytest.fail(f"not measured:\n{demo.log()}", pytrace=False)


def whole_at(page: Page, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    sideways = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert sideways <= 0, f"{width} px: {sideways} px hang over"


def test_true_tdc_and_a_lobe_cost_one_press(own_demo, open_tab, picture) -> None:
    demo, page = own_demo, open_tab(1440, 900)
    page.add_init_script(COUNT_PRESSES)
    page.goto(demo.url)
    expect(page.locator("#bench-state")).to_contain_text("Bench live")
    expect(page.locator("#sentence")).to_contain_text("it begins by itself")
    expect(page.locator("#hands-free")).to_be_checked()
    pictures(page, picture, "idle")

    set_on(demo, "piston_1")
    turn(demo, OVER_THE_TOP)
    ended(demo, 1)
    expect(page.locator(".figure-label")).to_have_text("True TDC, piston 1")
    pictures(page, picture, "tdc")
    set_on(demo, "inlet_1")
    turn(demo, LOBE_TURNS[0])
    expect(page.locator("#step")).to_have_text("Gauge on a valve of cylinder 1, begun by itself")
    pictures(page, picture, "turning")
    turn(demo, *LOBE_TURNS[1:])
    lobe = ended(demo, 2)[0]
    assert lobe["touches"] == "valve_1"
    expect(page.locator("#sentence")).to_have_text("Which valve was it?")
    expect(page.locator("#number")).not_to_have_text("–")
    pictures(page, picture, "question")
    assert page.evaluate("window.presses ?? 0") == 0
    page.locator("#act").click()
    expect(page.locator(".figure-label")).to_have_text("Inlet lobe 1")
    pictures(page, picture, "told")
    assert page.evaluate("window.presses") == 1
    assert demo.get(f"/api/measurements/{lobe['id']}")["touches"] == "inlet_1"

    page.get_by_role("button", name="Take the last number back").click()
    expect(page.locator("#why")).to_have_text("Taken back: it went by itself and was not meant.")
    assert demo.get(f"/api/measurements/{lobe['id']}")["state"] == "discarded"


def pictures(page: Page, picture: Any, name: str) -> None:
    """Nothing hangs over the edge, on a phone and at the desk."""
    for width, height in ((390, 844), (1440, 900)):
        whole_at(page, width, height)
        picture(page, f"no_job_{name}_{width}")
