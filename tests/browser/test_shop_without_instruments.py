"""A shop without instruments in a real browser: the longest names there may be, and addresses that lead nowhere."""

from __future__ import annotations

import json
import signal
from collections.abc import Callable, Iterator

import httpx
import numpy as np
import pytest
from command import lobewright
from playwright.sync_api import Page, expect
from waiting import until
from warm import WarmService

from simulated_devices.traces import random_tdc

pytestmark = pytest.mark.browser
LONG = {
    "engine": "Überlanger Sechszylinder-Reihenmotor mit Königswelle Äußerst",
    "card": "Straßenwelle Übermaß dreihundertvier Grad Großhubnocken Ä",
    "customer": "Müller-Lüdenscheidt & Söhne Motoreninstandsetzung Großgeräte",
    "reference": "ÄÖÜ-0001-Großauftragsnummernverlängerung",
}
LOBES = {
    "inlet": {"full_lift_deg": 108, "drop_mm": 1.27, "lift_mm": 9.4, "checking_clearance_mm": 0.25},
    "exhaust": {"full_lift_deg": 112, "drop_mm": 1.27, "lift_mm": 9.1, "checking_clearance_mm": 0.3},
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("shop")
    piston = random_tdc(np.random.default_rng(9000), "turns").trace
    rows = "".join(f"{at!r},{name},{value!r}\n" for at, name, value in piston.rows())
    (folder / "piston.csv").write_text(f"time_s,channel,value\n{rows}")
    taken = lobewright(
        "import", "--touches", "inlet_1", str(folder / "piston.csv"), "--data", str(folder / "data")
    )
    assert taken.returncode == 0, taken.stderr
    service = WarmService(["run", "--data", str(folder / "data"), "--port", "0"], folder / "run.log")
    url = str(
        until(lambda: json.loads((folder / "data" / "web.json").read_text())["url"], "it has an address")
    )
    until(lambda: httpx.get(f"{url}/health").status_code == 200, "it is well")
    yield url
    service.send_signal(signal.SIGTERM)
    service.wait(60)


def kept(shop: str, path: str, body: object) -> int:
    answer = httpx.post(shop + path, json=body, timeout=60).raise_for_status()
    return int(answer.json()["id"])


@pytest.fixture(scope="module")
def long_names(shop: str) -> int:
    cams = [{"name": valve, "valves": [valve]} for valve in ("inlet", "exhaust")]
    engine = {"name": LONG["engine"], "cylinders": ["1"], "firing_order": ["1"], "cams": cams}
    card = {"name": LONG["card"], "way": "full_lift"} | LOBES
    job = {
        "reference": LONG["reference"],
        "customer": LONG["customer"],
        "builder": "Åsa-Grethe Ørsted-Brandenburgerstraßenweg von Nebenan Älter",
        "engine_id": kept(shop, "/api/engines", {"engine": engine | {"stroke_mm": 80, "rod_mm": 135}}),
        "card_id": kept(shop, "/api/cards", {"card": card}),
    }
    kept(shop, "/api/jobs", job | {"open": False, "reference": LONG["reference"].replace("1", "2")})
    return kept(shop, "/api/jobs", job | {"open": True})


@pytest.mark.parametrize("width", [390, 720, 1440])
def test_the_longest_names_keep_their_line(
    shop: str, long_names: int, open_tab: Callable[..., Page], width: int
) -> None:
    page = open_tab(width, 900)
    page.goto(f"{shop}/jobs")
    lines = page.locator(".job-line")
    expect(lines).to_have_count(
        2
    )  # one lies on the bench, the other does not: their lines are made up otherwise
    for line in lines.all():
        expect(line).to_contain_text("Großauftragsnummernverlängerung")
        box = line.bounding_box()
        assert box is not None
        assert box["height"] < 12 * 28, "a letter a line, where what stands beside the name leaves it no room"
    for path in ("/jobs", f"/jobs/{long_names}", f"/api/jobs/{long_names}/sheet.html"):
        page.goto(shop + path)
        page.wait_for_load_state("networkidle")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/traces/7", "There is no measurement 7"),
        ("/nowhere", "There is nothing at this address."),
        ("/jobs/x", "There is nothing at this address."),
        ("/api/jobs/77/sheet.html", "There is no job 77"),
    ],
)
def test_an_address_that_leads_nowhere_is_a_page_with_a_way_out(
    shop: str, open_tab: Callable[..., Page], path: str, says: str
) -> None:
    page = open_tab(390, 844)
    answer = page.goto(shop + path)
    assert answer is not None
    assert 400 <= answer.status < 500
    expect(page.get_by_role("alert")).to_contain_text(says)
    page.locator("main").get_by_role("link", name="Jobs").click()
    expect(page.get_by_role("heading", name="Jobs", exact=True)).to_be_visible()
    told = httpx.get(shop + path, headers={"Accept": "application/json"})
    assert told.json()["message"], "a program gets code and sentence as before"


def test_where_no_instrument_is_nothing_is_said_to_have_stopped(
    shop: str, open_tab: Callable[..., Page]
) -> None:
    page = open_tab(1440, 900)
    page.goto(f"{shop}/instruments")
    expect(page.locator("#recorder")).to_contain_text("there is nothing to keep")
    expect(page.locator("#recorder .note")).to_have_count(0)


def test_a_refused_lobe_offers_no_report_and_promises_no_centre(
    shop: str, open_tab: Callable[..., Page]
) -> None:
    """A piston's trace brought in as a lobe's."""
    page = open_tab(390, 844)
    page.goto(f"{shop}/traces/1")
    expect(page.locator("main")).to_contain_text("No number.")
    expect(page.locator("main")).to_contain_text("There is no fit, so no centre and no band.")
    for told_once_more in ("The number", "Passes", "What the interval is made of"):
        expect(page.get_by_role("heading", name=told_once_more)).to_have_count(0)
    expect(page.get_by_role("link", name="Cam report")).to_have_count(0)


def test_a_long_list_of_jobs_is_read_page_by_page_and_found_in(
    shop: str, long_names: int, shared_tab: Page
) -> None:
    page = shared_tab
    about = httpx.get(f"{shop}/api/jobs/{long_names}").json()["job"]
    ids = {kind: httpx.get(f"{shop}/api/{kind}s").json()[0]["id"] for kind in ("engine", "card")}
    for number in range(60):
        who = "Merrick" if number < 55 else "Lindqvist"
        body = {"reference": f"HL-{number:04}", "customer": who, "builder": about["builder"], "open": False}
        kept(shop, "/api/jobs", body | {"engine_id": ids["engine"], "card_id": ids["card"]})
    page.goto(f"{shop}/jobs")
    lines = page.locator("#list .job-name")
    expect(lines).to_have_count(50)
    expect(lines.first).to_have_text("HL-0059 · Lindqvist")
    seen = lines.all_inner_texts()
    page.get_by_role("link", name="Older ones").click()
    expect(page.get_by_role("link", name="Newest")).to_be_visible()
    expect(lines.first).to_have_text("HL-0009 · Merrick")
    seen += lines.all_inner_texts()
    assert len(seen) == len(set(seen)) == len(httpx.get(f"{shop}/api/jobs?limit=1000").json())

    page.get_by_label("Find a job").fill("lindqvist hl-00")
    expect(lines).to_have_count(5)
    expect(page.get_by_role("link", name="Newest")).to_have_count(0)
    page.get_by_label("Find a job").fill("merrick")
    page.get_by_role("link", name="Older ones").click()
    expect(page.get_by_label("Find a job")).to_have_value("merrick")
    expect(lines).to_have_count(5)
    page.get_by_role("link", name="Newest").click()
    expect(lines).to_have_count(50)
    expect(lines.first).to_have_text("HL-0054 · Merrick")
