"""The bottom end on the same bench: a flange's runout, the crank's float, the deck by the gauge; begun, told, kept.

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


def test_runout_and_float_end_by_themselves_and_a_crown_is_read_by_the_gauge(
    own_demo, open_tab, picture
) -> None:
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
    page.get_by_role("button", name="Begin the runout").click()
    expect(page.locator("#runout-told")).to_contain_text("it is told by itself")
    demo.simulator("/hand", {"moves": [{"do": "turns", "count": 2.1, "speed_deg_s": 60}], "wait_s": 110})
    expect(page.locator("#runout-told")).to_contain_text(
        "Kept in job HL-0430 as Flywheel flange.", timeout=60_000
    )
    swing_mm, u95_mm = told_mm(page, "#runout-told")
    assert abs(swing_mm - truth["parts"]["flange"]["full_swing_mm"]) <= 1.5 * u95_mm <= 0.02
    expect(page.locator("#runout-told")).to_contain_text("Beyond the limit typed")
    picture(page, "fitting_runout")

    page.select_option("#float-gauge", "dial_a")
    set_on(demo, "crank_end")
    page.get_by_role("button", name="Begin the float").click()
    expect(page.locator("#float-told")).to_contain_text("it is told by itself")
    for out in (True, False) * 3:
        demo.simulator("/shaft", {"out": out})
        demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 0.8}], "wait_s": 60})
    demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 4.0}], "wait_s": 60})
    expect(page.locator("#float-told")).to_contain_text("Kept without a name", timeout=60_000)
    float_mm, u95_mm = told_mm(page, "#float-told")
    assert abs(float_mm - truth["end_float_mm"]) <= 1.5 * u95_mm <= 0.05

    page.get_by_role("button", name="Name the end float").click()
    page.get_by_role("textbox", name="Name of the part").fill("Crankshaft")
    page.get_by_role("button", name="Keep the name").click()
    expect(page.locator("#kept-told")).to_contain_text("Kept in job HL-0430 as Crankshaft.")
    sheet = demo.get(f"/api/jobs/{job}/sheet.json")
    assert [one["part"] for one in sheet["parts"]] == ["Flywheel flange", "Crankshaft"]
    finds_them_in_the_list(page, picture)
    throws_one_away(page)
    reads_a_deck(demo, page, picture)


def reads_a_deck(demo: Any, page: Page, picture: Any) -> None:
    """The face, and the crown at both places, piston rocked over TDC; the truth is the scenario's block."""
    crown = demo.simulator("/truth")["crowns"]["1"]
    tdc_deg = demo.simulator("/truth")["tdc_encoder_deg"]
    page.set_viewport_size({"width": 1440, "height": 900})
    page.select_option("#deck-gauge", "dial_a")
    set_on(demo, "face_1")
    demo.simulator("/hand", {"moves": [{"do": "hold", "seconds": 2.5}], "wait_s": 60})
    page.get_by_role("button", name="Read the face").click()
    expect(page.locator("#deck-read-told")).to_contain_text("The face is read")
    rock = {"do": "rock", "encoder_deg": tdc_deg, "half_width_deg": 35, "times": 2, "speed_deg_s": 30}
    for place, words in (("thrust", "first place"), ("far", "second place")):
        set_on(demo, f"crown_1_{place}")
        demo.simulator("/hand", {"moves": [rock, {"do": "hold", "seconds": 1.0}], "wait_s": 110})
        page.get_by_role("button", name=f"Read the crown, {words}").click()
        expect(page.locator("#deck-read-told")).to_contain_text(words, timeout=30_000)
    page.fill("#deck-part", "Block")
    page.get_by_role("button", name="Tell the deck").click()
    expect(page.locator("#deck-told")).to_contain_text("Cylinder 1, below")
    kept = demo.get("/api/fitting/parts")[0]["figures"]
    deck = next(one for one in kept if one["name"] == "cylinder 1")
    assert abs(deck["value"] - crown["deck_mm"]) <= deck["u95"] <= 0.05
    picture(page, "fitting_deck", full=True)


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
