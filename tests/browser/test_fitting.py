"""The bottom end on the same bench: a flange's runout and the crank's float, told after one press each, and kept.

The simulator's hand does what the page's words say; the truth is the scenario's own figures, by plain geometry.
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from attacked_shop import CARD, ENGINE
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def set_on(demo: Any, onto: str) -> None:
    demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 0.8}], "wait_s": 60})
    demo.simulator("/gauge", {"gauge": "dial_a", "onto": onto})
    demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 1.5}], "wait_s": 60})


def open_job(url: str) -> int:
    with httpx.Client(base_url=url, timeout=60.0) as shop:
        engine = shop.post("/api/engines", json={"layout": "twin cam", "engine": ENGINE}).json()["id"]
        card = shop.post("/api/cards", json={"card": CARD}).json()["id"]
        entry = {"reference": "HL-0430", "engine_id": engine, "card_id": card, "builder": "Ida Thorne"}
        return int(shop.post("/api/jobs", json=entry).raise_for_status().json()["id"])


def told_mm(page: Page, place: str) -> tuple[float, float]:
    """The number and its interval as the page words them: Runout 0.041 ± 0.004 mm."""
    words = page.locator(f"{place} p").first.inner_text()
    value, _, rest = words.partition(" ± ")
    return float(value.split()[-1]), float(rest.split()[0])


def test_runout_and_float_are_read_off_and_kept_with_one_press_each(own_demo, open_tab, picture) -> None:
    demo, page = own_demo, open_tab(1440, 900)
    job = open_job(demo.url)
    truth = demo.simulator("/truth")
    page.goto(f"{demo.url}/fitting")
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("#runout-gauge")).to_be_visible()  # there are two

    page.fill("#runout-part", "Flywheel flange")
    page.fill("#most_mm", "0.02")
    page.select_option("#runout-gauge", "dial_a")
    set_on(demo, "flange")
    demo.simulator("/hand", {"moves": [{"do": "turns", "count": 2.1, "speed_deg_s": 60}], "wait_s": 110})
    page.get_by_role("button", name="Tell the runout").click()
    expect(page.locator("#runout-told")).to_contain_text("Kept in job HL-0430 as Flywheel flange.")
    swing_mm, u95_mm = told_mm(page, "#runout-told")
    assert abs(swing_mm - truth["parts"]["flange"]["full_swing_mm"]) <= 1.5 * u95_mm <= 0.02
    expect(page.locator("#runout-told")).to_contain_text("Beyond the limit typed")
    picture(page, "fitting_runout")

    page.fill("#float-part", "Crankshaft")
    page.select_option("#float-gauge", "dial_a")
    set_on(demo, "crank_end")
    for out in (True, False) * 3:
        demo.simulator("/shaft", {"out": out})
        demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 0.8}], "wait_s": 60})
    page.get_by_role("button", name="Tell the float").click()
    expect(page.locator("#float-told")).to_contain_text("Kept in job HL-0430 as Crankshaft.")
    float_mm, u95_mm = told_mm(page, "#float-told")
    assert abs(float_mm - truth["end_float_mm"]) <= 1.5 * u95_mm <= 0.05

    sheet = demo.get(f"/api/jobs/{job}/sheet.json")
    assert [one["part"] for one in sheet["parts"]] == ["Flywheel flange", "Crankshaft"]
    finds_them_in_the_list(page, picture)
    throws_one_away(page)


def finds_them_in_the_list(page: Page, picture: Any) -> None:
    rows = page.locator("#kept-list tbody tr")
    expect(rows).to_have_count(2)
    expect(rows.nth(0)).to_contain_text("Crankshaft")
    expect(rows.nth(1)).to_contain_text("Flywheel flange")
    expect(rows.nth(1)).to_contain_text("0.02 mm: beyond")
    expect(rows.nth(1).get_by_role("link", name="HL-0430")).to_be_visible()
    for width, height in ((390, 844), (1440, 900)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        wide = page.locator("#kept-list").evaluate("box => [box.scrollWidth, box.clientWidth]")
        assert wide[0] <= wide[1], "nothing has to be dragged"
        picture(page, f"fitting_{width}", full=True)
    curve = page.request.get(rows.nth(1).get_by_role("link", name="Curve").evaluate("link => link.href"))
    assert len(curve.text().splitlines()) == 361, "a head, and a line each degree"


def throws_one_away(page: Page) -> None:
    page.get_by_role("button", name="Throw away Crankshaft").click()
    expect(page.locator("#kept-list tbody tr")).to_have_count(1)
    page.reload()
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("#kept-list tbody tr")).to_have_count(1)
    expect(page.locator("#kept-list")).to_contain_text("Flywheel flange")
