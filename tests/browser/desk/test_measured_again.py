"""What was measured again: on the job, on its sheet, and beside the passes and overlays of a trace."""

from __future__ import annotations

import re

import httpx
import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def tightened_job(begin, still_demo) -> int:
    """A job by hand whose inlet cam was moved, nipped up and torqued: the torque wrench took it 2 degrees late."""
    number = begin("HL-0419")
    with httpx.Client(base_url=f"{still_demo.url}/api/jobs/{number}", timeout=60.0) as client:

        def fact(**what: object) -> None:
            answer = client.post("/facts", json={"what": what})
            assert answer.status_code < 300, answer.text

        def lobe(before_deg: float, after_deg: float) -> None:
            pair = {"before_deg": before_deg, "after_deg": after_deg, "drop_mm": 1.27}
            wider = {"before_deg": before_deg - 0.5, "after_deg": after_deg + 0.5, "drop_mm": 1.5}
            entry = {"what": "lobe", "valve": "inlet", "pairs": [pair, wider]}
            answer = client.post("/by_hand", json=entry)
            assert answer.status_code < 300, answer.text

        lobe(108.0, 128.0)
        fact(kind="decided", cam="inlet", decision="correct")
        fact(kind="skipped", step="room.inlet", reason="Bare head: there are no pistons.")
        fact(kind="moved", cam="inlet", way="crank_turned")
        fact(kind="tightened", cam="inlet", to="nipped")
        lobe(98.0, 118.0)
        fact(kind="tightened", cam="inlet", to="torqued", torque_nm=25.0)
        lobe(100.0, 120.0)
    return number


def _opened(page: Page, url: str) -> Page:
    page.goto(url)
    page.wait_for_selector("body[data-ready]")
    return page


def test_a_job_says_what_tightening_did_to_a_lobe(
    still_demo, tightened_job, shared_tab, framed, picture
) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/jobs/{tightened_job}")
    row = page.locator("#again tbody tr")
    expect(row).to_have_count(1)
    expect(row).to_contain_text("inlet 1")
    expect(row).to_contain_text("torqued")
    expect(row).to_contain_text("2.00°")
    expect(row).to_contain_text("means something")
    page.locator("#again-title").scroll_into_view_if_needed()
    picture(page, "job_again_1440", full=True)
    page.set_viewport_size({"width": 360, "height": 780})
    framed(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    picture(page, "job_again_360", full=True)


def test_the_sheet_says_it_too(still_demo, tightened_job, shared_tab, framed, picture) -> None:
    shared_tab.goto(f"{still_demo.url}/api/jobs/{tightened_job}/sheet.html")
    expect(shared_tab.locator("table.again")).to_contain_text("means something")
    picture(shared_tab, "sheet_again_1440", full=True)
    shared_tab.set_viewport_size({"width": 360, "height": 780})
    framed(shared_tab)
    assert shared_tab.evaluate("document.documentElement.scrollWidth") <= 360
    picture(shared_tab, "sheet_again_360", full=True)


def test_passes_of_a_trace_and_the_same_lobe_laid_over_it_are_compared(
    still_demo, stored, trace_file, shared_tab, framed, picture
) -> None:
    shorter = trace_file("inlet_1").rsplit(b"\n", 20)[0]  # the very same file would not be taken twice
    files = {"file": ("again.csv", shorter)}
    again = httpx.post(f"{still_demo.url}/api/traces", files=files, timeout=120.0).json()["id"]
    others = f"{again},{stored['inlet_2']}"
    page = _opened(shared_tab, f"{still_demo.url}/traces/{stored['inlet_1']}?with={others}")
    expect(page.locator("#passes-told")).to_contain_text(re.compile(r"\d passes agree within"))
    note = page.inner_text("#difference-note").replace("\u00a0", " ")
    same, other = note.split("°. ")
    assert re.search(r"stands 0\.00° ± \d\.\d\d° \w+ \(within what can be told\)", same), note
    assert "±" not in other, "another lobe is no repetition"
    picture(page, "trace_again_1440", full=True)
    page.set_viewport_size({"width": 360, "height": 780})
    framed(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    picture(page, "trace_again_360", full=True)
