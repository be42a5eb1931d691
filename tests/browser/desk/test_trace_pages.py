"""The pages of stored traces: numbers, drawings, tables, overlays, downloads."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def _opened(page: Page, url: str) -> Page:
    page.goto(url)
    page.wait_for_selector("body[data-ready]")
    return page


def test_a_lobe_is_told_whole_at_the_desk_and_on_the_phone(
    still_demo, stored, shared_tab, framed, picture
) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces/{stored['inlet_1']}")
    expect(page.locator("#title")).to_have_text("Inlet lobe 1")
    assert page.inner_text(".figure-unit") == "ATDC"
    assert page.inner_text(".figure-interval").startswith("±")
    for table in ("#pairs", "#passes", "#budget", "#events"):
        assert page.locator(f"{table} tbody tr").count() > 0
    picture(page, "trace_desk", kept=True)
    page.set_viewport_size({"width": 360, "height": 780})
    framed(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    for table in ("#pairs", "#passes", "#budget", "#events"):
        box = page.locator(table)
        assert box.evaluate("box => box.scrollWidth <= box.clientWidth"), f"{table} is cut off on a phone"


def test_the_page_shows_the_number_that_the_measurement_has(still_demo, stored, shared_tab) -> None:
    page = shared_tab
    for touches in ("piston_1", "exhaust_1"):
        number = stored[touches]
        centre = still_demo.get(f"/api/measurements/{number}")["result"]["centre_deg"]
        _opened(page, f"{still_demo.url}/traces/{number}")
        told, unit = float(page.inner_text("#number")), page.inner_text(".figure-unit")
        off = (centre - (-told if unit == "BTDC" else told)) % 360
        assert min(off, 360 - off) < 0.006, touches


def test_angles_are_told_as_this_screen_was_asked_to(still_demo, stored, shared_tab) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces/{stored['exhaust_1']}")
    told = float(page.inner_text("#number"))
    assert page.inner_text(".figure-unit") == "BTDC"
    for choice, unit in (("plain", ""), ("atdc", "BTDC")):
        page.get_by_role("button", name="This screen").click()
        page.locator(f'#choices input[value="{choice}"]').check(force=True)
        page.get_by_role("button", name="Done").click()
        expect(page.locator(".figure-unit")).to_have_text(unit)
        plain = float(page.inner_text("#number"))
        assert plain == pytest.approx(720.0 - told if choice == "plain" else told, abs=0.006)


def test_a_curve_is_read_off_at_a_typed_angle(still_demo, stored, shared_tab) -> None:
    address = f"{still_demo.url}/traces/{stored['inlet_1']}?with={stored['inlet_2']}"
    page = _opened(shared_tab, address)
    top = still_demo.get(f"/api/measurements/{stored['inlet_1']}")["result"]
    page.fill("#read-at", f"{top['full_lift_deg'] % 360:.1f} ATDC")
    first = page.inner_text("#read-told").split(";")[0]
    assert float(re.search(r"(\d+\.\d+)\s*mm", first).group(1)) == pytest.approx(
        top["peak_lift_mm"], abs=0.01
    )
    expect(page.locator("#read-told")).to_contain_text("Inlet lobe 2")
    page.fill("#read-at", "late")
    expect(page.locator("#read-told")).to_contain_text("That is no angle")


def test_traces_are_found_by_lobe_and_by_number(still_demo, stored, shared_tab) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces")
    page.select_option("#what", "exhaust")
    expect(page.locator("#list tbody tr")).to_have_count(1)
    expect(page.locator("#list")).to_contain_text("Exhaust lobe 1")
    page.select_option("#what", "")
    page.fill("#words", "inlet 2")
    expect(page.locator("#list")).to_contain_text("Inlet lobe 2")
    expect(page.locator("#list")).not_to_contain_text("Exhaust")
    page.fill("#words", "no such lobe")
    expect(page.locator("#list")).to_contain_text("Nothing fits")


def test_chosen_traces_are_laid_over_one_another(still_demo, stored, shared_tab) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces")
    for touches in ("inlet_1", "inlet_2"):
        page.get_by_label(f"Choose trace {stored[touches]}", exact=True).check(force=True)
    page.get_by_role("button", name="Lay the chosen ones over one another").click()
    page.wait_for_url("**/traces/*with=*")
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("#over-plot .scatterlayer .trace")).to_have_count(2)
    expect(page.locator("#difference-note")).to_contain_text("stands")
    as_found = page.inner_text("#difference-note")
    page.locator('input[value="aligned"]').check(force=True)
    expect(page.locator("#difference-note")).not_to_have_text(as_found)
    page.locator('input[value="cam"]').check(force=True)
    expect(page.locator("#over-plot .xtitle")).to_have_text("cam degrees")


def test_every_drawing_of_a_lobe_can_be_shown(still_demo, stored, shared_tab, framed, picture) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces/{stored['inlet_1']}")
    views = page.locator('input[name="view"]').evaluate_all("list => list.map(one => one.value)")
    assert views == ["curve", "rates", "polar", "centres", "residuals", "streams"]
    for view in views:
        page.locator(f'input[value="{view}"]').check(force=True)
        expect(page.locator("#plot .main-svg").first).to_be_visible()
        framed(page)
        picture(page, f"trace_{view}")
    note = page.inner_text("#plot-note")
    assert "Pauses: 2. Turned round: 1." in note


def test_a_drawing_is_moved_about_by_its_buttons(still_demo, stored, shared_tab, until) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces/{stored['inlet_1']}")
    width = "() => { const [from, to] = document.querySelector('#plot')._fullLayout.xaxis.range; return to - from; }"
    whole = page.evaluate(width)
    page.get_by_role("button", name="Nearer").click()
    until(page, f"whole => Math.abs(({width})() - whole / 2) < 1", whole)
    page.get_by_role("button", name="Everything").click()
    until(page, f"whole => Math.abs(({width})() - whole) < 1", whole)


def test_a_trace_file_is_downloaded_whole(still_demo, stored, shared_tab, tmp_path: Path) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces/{stored['piston_1']}")
    with page.expect_download() as coming:
        page.click("#save-trace")
    coming.value.save_as(tmp_path / "trace.csv")
    lines = [line for line in (tmp_path / "trace.csv").read_text().splitlines() if not line.startswith("#")]
    assert lines[0] == "time_s,channel,value"
    trace = still_demo.get(f"/api/measurements/{stored['piston_1']}/trace?max_points=8")
    assert len(lines) - 1 == trace["crank"]["readings"] + trace["gauge"]["readings"]


def test_drawings_and_the_lift_table_are_saved(still_demo, stored, shared_tab, tmp_path: Path) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces/{stored['inlet_1']}")
    for button, start in (
        ("#save-png", b"\x89PNG"),
        ("#save-svg", b"<svg"),
        ("#save-table", b"crank_deg,lift_mm,"),
    ):
        with page.expect_download() as coming:
            page.click(button)
        coming.value.save_as(tmp_path / "saved")
        assert (tmp_path / "saved").read_bytes().startswith(start)


def test_a_trace_that_is_not_there_is_told_in_a_sentence(still_demo, shared_tab) -> None:
    page = shared_tab
    answer = page.goto(f"{still_demo.url}/traces/9999")
    assert answer is not None
    assert answer.status == 404
    assert "There is no measurement 9999" in page.inner_text("body")


def test_a_trace_file_is_brought_in_through_the_page(still_demo, shared_tab, trace_file) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces")
    page.get_by_text("Bring in a trace file").click()
    content = trace_file("inlet_1").split(b"\n", 1)[1]  # without the line in which the file says what it is
    page.set_input_files("#file", {"name": "tarn.csv", "mimeType": "text/csv", "buffer": content})
    page.get_by_role("button", name="Bring it in and measure it").click()
    expect(page.locator("#bring-notes .note")).to_be_visible()
    page.select_option("#bring-part", "inlet")
    page.fill("#bring-number", "3")
    page.get_by_role("button", name="Bring it in and measure it").click()
    page.wait_for_url("**/traces/*")
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("#title")).to_have_text("Inlet lobe 3")


def test_a_file_that_is_no_trace_is_told_in_a_sentence(still_demo, shared_tab) -> None:
    page = _opened(shared_tab, f"{still_demo.url}/traces")
    page.get_by_text("Bring in a trace file").click()
    page.set_input_files("#file", {"name": "list.csv", "mimeType": "text/csv", "buffer": b"a,b\n1,2\n"})
    page.get_by_role("button", name="Bring it in and measure it").click()
    expect(page.locator("#bring-notes")).to_contain_text("time_s,channel,value")
