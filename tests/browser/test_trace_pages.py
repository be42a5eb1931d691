"""The pages of stored traces: numbers, drawings, tables, downloads. Runs last: the demo's hand has measured by then."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser


def test_the_trace_page_shows_the_number_that_the_measurement_has(demo, open_tab) -> None:
    page = open_tab()
    for measurement in demo.finished("piston", "inlet"):
        page.goto(f"{demo.url}/traces/{measurement['id']}")
        page.wait_for_selector("body[data-ready]")
        told = float(page.inner_text("#number"))
        period = 360
        off = (measurement["result"]["centre_deg"] - told) % period
        mirrored = (measurement["result"]["centre_deg"] + told) % period
        assert min(off, period - off, mirrored, period - mirrored) < 0.06


def test_a_lobe_is_told_whole_at_the_desk_and_on_the_phone(demo, open_tab, picture) -> None:
    number = next(one["id"] for one in demo.finished("inlet") if one["touches"] == "inlet_1")
    for name, page in (("desk", open_tab(1440, 900)), ("phone", open_tab(390, 844, dark=True))):
        page.goto(f"{demo.url}/traces/{number}")
        page.wait_for_selector("body[data-ready]")
        expect(page.locator("#title")).to_have_text("Inlet lobe 1")
        assert page.inner_text(".figure-unit") in {"ATDC", "BTDC"}
        for table in ("#pairs", "#passes", "#budget", "#events"):
            assert page.locator(f"{table} tbody tr").count() > 0
        assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
        picture(page, f"trace_{name}", kept=True)


def test_a_trace_file_is_downloaded_whole(demo, open_tab, tmp_path: Path) -> None:
    page = open_tab()
    page.goto(f"{demo.url}/traces/{demo.finished('inlet')[0]['id']}")
    page.wait_for_selector("body[data-ready]")
    with page.expect_download() as coming:
        page.click("#save-trace")
    coming.value.save_as(tmp_path / "trace.csv")
    lines = [line for line in (tmp_path / "trace.csv").read_text().splitlines() if not line.startswith("#")]
    assert lines[0] == "time_s,channel,value"
    assert len(lines) > 100


@pytest.mark.parametrize(("button", "start"), [("#save-png", b"\x89PNG"), ("#save-svg", b"<svg")])
def test_a_drawing_is_saved_as_a_picture(demo, open_tab, tmp_path: Path, button: str, start: bytes) -> None:
    page = open_tab()
    page.goto(f"{demo.url}/traces/{demo.finished('inlet')[0]['id']}")
    page.wait_for_selector("body[data-ready]")
    with page.expect_download() as coming:
        page.click(button)
    coming.value.save_as(tmp_path / "drawing")
    assert (tmp_path / "drawing").read_bytes().startswith(start)


def test_every_drawing_of_a_lobe_can_be_shown_and_two_laid_over_one_another(demo, open_tab, picture) -> None:
    page = open_tab()
    first, second = (one["id"] for one in demo.finished("inlet", "exhaust") if one["what"] == "lobe")
    page.goto(f"{demo.url}/traces/{second}?with={first}")
    page.wait_for_selector("body[data-ready]")
    views = page.locator('input[name="view"]').evaluate_all("list => list.map(one => one.value)")
    assert views == ["curve", "rates", "polar", "centres", "residuals", "streams"]
    for view in views:
        page.locator(f'input[value="{view}"]').check(force=True)
        expect(page.locator("#plot .main-svg").first).to_be_visible()
        picture(page, f"trace_{view}")
    assert page.locator("#over-plot .scatterlayer .trace").count() == 2
    assert "stands" in page.inner_text("#difference-note")
    far = page.inner_text("#difference-note")
    page.locator('input[value="aligned"]').check(force=True)
    expect(page.locator("#difference-note")).not_to_have_text(far)
    page.locator('input[value="cam"]').check(force=True)
    expect(page.locator("#over-plot .xtitle")).to_have_text("cam degrees")
