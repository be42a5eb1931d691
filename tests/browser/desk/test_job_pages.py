"""The page of a job: readings by hand, the correction, lobes beside one another, files, cards that fit."""

from __future__ import annotations

import math

import httpx
import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

BOLT_CIRCLE_MM = 42.0
# Common practice, no source: equal readings at 108 and 128 make the centre 118; on a card of 108 that is 10 late,
# 5 cam degrees. The arc at radius R for a crank error e is R (e/2) pi/180.
ARC_MM = BOLT_CIRCLE_MM * math.radians(5.0)


@pytest.fixture(scope="module")
def started_job(begin) -> int:
    return begin("HL-0418")


@pytest.fixture(scope="module")
def job_page(_one_screen, still_demo, started_job) -> Page:
    """The page of a job whose inlet lobe was entered by hand, on the page itself."""
    _, page = _one_screen
    page.goto(f"{still_demo.url}/jobs/{started_job}")
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("#now-title")).to_contain_text("Lobe centre, inlet")
    page.get_by_text("Enter disc and gauge readings by hand").click()
    page.fill("#hand-pairs", "108 128 1.27\n107.5 128.5 1.5")
    page.get_by_role("button", name="Take these readings").click()
    expect(page.locator("#now-title")).to_contain_text("Verdict, inlet")
    return page


def test_equal_readings_by_hand_are_told_against_the_card(job_page, shared_tab) -> None:
    expect(job_page.locator("#rules")).to_contain_text("10.00° late")
    row = job_page.locator("#cams tbody tr")
    expect(row).to_have_count(1)
    expect(row).to_contain_text("as found, by hand")
    expect(row).to_contain_text("out")
    expect(job_page.locator("#beside tbody tr")).to_have_count(1)


def test_the_correction_is_told_with_its_arc_at_the_bolt_circle(job_page, shared_tab) -> None:
    expect(job_page.locator("#corrections")).to_contain_text("Cam held")
    told = job_page.locator("#corrections").inner_text().replace("\u00a0", " ")
    assert "earlier by 10.00° crank, 5.00° cam" in told
    assert f"{ARC_MM:.2f} mm along the arc" in told
    assert "Crank held" in told


def test_the_job_is_told_in_the_units_of_this_screen(job_page, shared_tab) -> None:
    job_page.get_by_role("button", name="This screen").click()
    job_page.locator('#choices input[value="thou"]').check(force=True)
    job_page.get_by_role("button", name="Done").click()
    expect(job_page.locator("#corrections")).to_contain_text(f"{ARC_MM / 0.0254:.1f}\u00a0thou along the arc")
    job_page.get_by_role("button", name="This screen").click()
    job_page.locator('#choices input[value="mm"]').check(force=True)
    job_page.get_by_role("button", name="Done").click()
    expect(job_page.locator("#corrections")).to_contain_text("mm along the arc")


def test_every_file_of_a_job_can_be_had(job_page, shared_tab, still_demo) -> None:
    links = job_page.locator("#files a").evaluate_all("list => list.map(one => one.getAttribute('href'))")
    assert [link.rsplit("/", 1)[1] for link in links] == [
        "sheet.html",
        "sheet.pdf",
        "sheet.csv",
        "parts.csv",
        "sheet.json",
        "report",
        "piston_map",
        "drive",
        "lift_table.csv",
        "job.zip",
    ]
    for link in (one for one in links if not one.endswith("lift_table.csv")):  # nothing by hand gives a curve
        assert httpx.get(still_demo.url + link, timeout=60.0).status_code == 200, link


def test_a_card_that_fits_is_found_and_the_cam_kept_as_one(job_page, shared_tab) -> None:
    job_page.get_by_text("Which card on file fits this cam?").click()
    expect(job_page.locator("#matches li").first).to_contain_text("Whinfell 262")
    job_page.get_by_text("Keep the measured cam as a card").click()
    job_page.fill("#keep-name", "Whinfell as found")
    job_page.get_by_role("button", name="Keep it").click()
    expect(job_page.locator("#kept-card")).to_have_text("Kept as card Whinfell as found.")


def test_a_line_that_is_no_pair_is_named(shared_tab, still_demo, begin) -> None:
    shared_tab.goto(f"{still_demo.url}/jobs/{begin('HL-0419')}")
    shared_tab.wait_for_selector("body[data-ready]")
    shared_tab.get_by_text("Enter disc and gauge readings by hand").click()
    shared_tab.fill("#hand-pairs", "108 128 1.27\n108")
    shared_tab.get_by_role("button", name="Take these readings").click()
    expect(shared_tab.locator("#notes")).to_contain_text("Line 2, “108”, is no pair")
    expect(shared_tab.locator("#now-title")).to_contain_text("Lobe centre, inlet")


def test_a_damaged_job_file_is_told_in_a_sentence(shared_tab, still_demo) -> None:
    shared_tab.goto(f"{still_demo.url}/jobs")
    shared_tab.wait_for_selector("body[data-ready]")
    shared_tab.get_by_text("Take in a job file from another shop").click()
    damaged = {"name": "HL-0418-job.zip", "mimeType": "application/zip", "buffer": b"PK\x03\x04 half a file"}
    shared_tab.set_input_files("#job-file", damaged)
    shared_tab.get_by_role("button", name="Take it in").click()
    expect(shared_tab.locator("#take .questions .note")).to_be_visible()
    assert shared_tab.url.endswith("/jobs")


def test_a_card_on_file_is_put_away_and_no_longer_offered(shared_tab, still_demo) -> None:
    card = {"name": "Garth 248 spare", "way": "full_lift", "inlet": {"full_lift_deg": 104.0, "drop_mm": 1.27}}
    kept = httpx.post(f"{still_demo.url}/api/cards", json={"card": card}, timeout=60.0)
    assert kept.status_code == 201, kept.text
    shared_tab.goto(f"{still_demo.url}/jobs")
    shared_tab.wait_for_selector("body[data-ready]")
    line = shared_tab.locator("#cards li", has_text="Garth 248 spare")
    expect(line).to_contain_text("104.0° ATDC")
    expect(shared_tab.locator("#card_id")).to_contain_text("Garth 248 spare")
    shared_tab.get_by_role("button", name="Put Garth 248 spare away").click()
    expect(line).to_have_count(0)
    expect(shared_tab.locator("#card_id")).not_to_contain_text("Garth 248 spare")


def test_the_gauge_for_valves_is_chosen_on_the_page(shared_tab, still_demo, begin) -> None:
    job = begin("HL-0420")
    shared_tab.goto(f"{still_demo.url}/jobs/{job}")
    shared_tab.wait_for_selector("body[data-ready]")
    shared_tab.get_by_text("Which gauge is used").click()
    with shared_tab.expect_response(f"**/api/jobs/{job}/gauge") as answered:
        shared_tab.select_option("#gauge-valve", "dial_b")
    assert answered.value.status == 200
    assert answered.value.request.post_data_json == {"on": "valve", "gauge": "dial_b"}


def test_what_is_told_of_a_part_is_kept_in_the_open_job_where_it_is_named(
    shared_tab, still_demo, begin
) -> None:
    """A circle of 180 mm: two degrees of it are 3.14 mm."""
    job = begin("HL-0421")
    shared_tab.goto(f"{still_demo.url}/fitting")
    shared_tab.wait_for_selector("body[data-ready]")
    for field, text in {"mark_deg": "12", "tdc_deg": "10", "rim_mm": "180", "mark-part": "Damper"}.items():
        shared_tab.fill(f"#{field}", text)
    shared_tab.get_by_role("button", name="Tell the mark").click()
    expect(shared_tab.locator("#mark-told")).to_contain_text("3.14 mm")
    expect(shared_tab.locator("#mark-told")).to_contain_text("No job is open")
    httpx.post(f"{still_demo.url}/api/jobs/{job}/open", timeout=60.0).raise_for_status()
    try:
        shared_tab.get_by_role("button", name="Tell the mark").click()
        shared_tab.get_by_role("link", name="Kept in job HL-0421 as Damper.").click()
        shared_tab.wait_for_url(f"**/jobs/{job}")
        expect(shared_tab.locator("#facts")).to_contain_text("Damper: The mark comes under the pointer")
    finally:
        httpx.post(f"{still_demo.url}/api/jobs/{job}/close", timeout=60.0).raise_for_status()
