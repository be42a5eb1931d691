"""A whole fitting on the demo bench by a builder who reads: gauge, crank and shaft go as the page's words say.

Who acts here knows the simulated bench and no page: each section is read, its buttons pressed by the names that its words
use, its fields filled by their labels. What is told is held against the simulated engine's own figures, by plain geometry.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page, expect
from read_sections import Section, number
from waiting import until

from api.host import Builder, begin_job, cam_of
from api.host.asking_json import Address
from simulated_devices import scenarios
from simulated_devices.machine import SliderCrank

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(900)]

GAUGE = "dial_a"
MOST_STUMBLES = 5
SIZES = ((390, 844), (1440, 900))
BORE_MM, CHAMBER_CM3, GASKET_MM, GASKET_BORE_MM = 81.0, 42.5, 1.2, 82.5
"""As this builder measured them; the simulated engine ends at its pistons.

Limits are one and a half intervals, three standard uncertainties: chance alone crosses one in twenty.
"""


@dataclass
class Hands:
    """What the words make hands do at the simulated bench."""

    demo: Any

    def hand(self, *moves: dict[str, Any]) -> None:
        assert self.demo.simulator("/hand", {"moves": list(moves), "wait_s": 110})["done"]

    def hold(self, seconds: float) -> None:
        self.hand({"do": "hold", "seconds": seconds})

    def set_on(self, onto: str) -> None:
        self.hold(0.8)
        self.demo.simulator("/gauge", {"gauge": GAUGE, "onto": onto})
        self.hold(1.5)

    def crank_deg(self) -> float:
        return float(self.demo.get("/api/latest")["latest"]["crank"]["value"])

    def over_tdc(self, cylinder: str) -> None:
        order = self.demo.simulator("/scenario")["engine"]["firing_order"]
        top_deg, near_deg = 720.0 / len(order) * order.index(int(cylinder)), 35.0
        there = {"do": "turn_to", "crank_deg": top_deg - near_deg, "way": "nearest", "speed_deg_s": 150}
        rock = {"do": "rock", "crank_deg": top_deg, "half_width_deg": near_deg, "times": 2, "speed_deg_s": 40}
        self.hand(there, rock)

    def turn(self, words: str, cylinder: str = "1") -> None:
        """Turn the crank as the words say, which may speak of a piston."""
        if "twice round and a little more" in words:
            self.hand({"do": "turns", "count": 2.1, "speed_deg_s": 60})
        elif "turn the piston over TDC and back, twice" in words:
            self.over_tdc(cylinder)
        elif "forward until the mark is at its pointer" in words:
            mark = self.demo.simulator("/truth")["mark"]
            self.hand({"do": "turn_to", "crank_deg": mark["late_deg"], "speed_deg_s": 90})
        else:
            pytest.fail(f"how is the crank turned? {words}")
        assert "rest" in words
        self.hold(1.0)

    def push_and_pull(self, words: str) -> None:
        assert "push the shaft home and pull it out three times, half a second each, and let it rest" in words
        for out in (True, False) * 3:
            self.demo.simulator("/shaft", {"out": out})
            self.hold(0.6)
        self.hold(4.0)


def the_job(demo: Any) -> int:
    """The timing job as far as both cams are known, by the guide, neither moved; give its number."""
    clients = Address(demo.url), Address(f"http://127.0.0.1:{demo.control_port}")
    builder = Builder(*clients, GAUGE, waits_s=60.0)
    people = {"reference": "HL-0430", "customer": "Merrick", "builder": "Ida Thorne", "new_cam": True}
    job = begin_job(builder, people, [cam_of(name, [name]) for name in ("inlet", "exhaust")])
    decisions = [{"decision": "leave", "reason": "Looked at first."}, {"decision": "measure_again"}]
    stumbles: list[str] = []
    while len(stumbles) < MOST_STUMBLES:
        try:
            if does_a_step(builder, decisions):
                return job
        except OSError as refused:  # the bench goes on while one looks and presses: look at the job anew
            stumbles.append(str(refused))
            builder.wait(1.0)
    pytest.fail(f"the guide led nowhere: {stumbles}, {builder.log[-3:]}")


def does_a_step(builder: Builder, decisions: list[dict[str, str]]) -> bool:
    """Do what is due; whether both cams are known."""
    view = builder.job()
    step = next(one for one in view["steps"] if one["id"] == view["now"])
    if view["measurement"] is not None and view["measurement"]["state"] == "running":
        goes_on(builder, view["measurement"])
    elif step["kind"] == "correction":
        if step["cam"] == "exhaust":
            return True
        builder.fact(kind="decided", cam=step["cam"], **decisions[-1])
        decisions.pop()
    else:
        measures_or_presses(builder, step)
    return False


def goes_on(builder: Builder, running: dict[str, Any]) -> None:
    """Bring to its end what was begun before a stumble, as its words want it."""
    builder.finish_lobe() if running["what"] == "lobe" else builder.press()


def measures_or_presses(builder: Builder, step: dict[str, Any]) -> None:
    if step["kind"] == "bench_check":
        builder.bench_check()
    elif step["measures"] == "tdc":
        builder.tdc()
    elif step["kind"] == "stroke":
        builder.to_overlap()
    elif step["measures"] == "lobe":
        builder.lobe(step["lobes"][0]["touches"])
    elif step["kind"] == "room":
        builder.push_a_valve()
    else:
        builder.press()


def pictures(page: Page, picture: Any, name: str) -> None:
    """Nothing hangs over the edge, on a phone and at the desk."""
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(400)  # a drawing follows its sheet a moment later
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{name} at {width}"
        picture(page, f"fitting_{name}_{width}", full=True)


@pytest.fixture
def seldom_demo(demo_on: Callable[..., Any], tmp_path: Path) -> Any:
    """The example that the demo shows, its encoder speaking half as often: nothing here needs more."""
    text = (Path(scenarios.__file__).parent / "hollin_lane_twin_cam.toml").read_text(encoding="utf-8")
    scenario = tmp_path / "seldom.toml"
    scenario.write_text(text.replace("rate_hz = 200.0", "rate_hz = 100.0"), encoding="utf-8")
    return demo_on("--scenario", str(scenario))


def test_a_whole_fitting_by_the_words_of_its_pages(seldom_demo, open_tab, picture) -> None:
    demo, page = seldom_demo, open_tab(1440, 900)
    hands, truth = Hands(demo), demo.simulator("/truth?check_lift_mm=1")
    page.goto(f"{demo.url}/fitting")
    page.wait_for_selector("body[data-ready]")
    mark = Section(page, "Timing mark")
    mark.press("Read the crank")
    expect(mark.box).to_contain_text("True TDC is not known yet")

    job = the_job(demo)
    for part in (runout, swash, end_float, deck, ratio, timing_mark):
        part(page, hands, truth)
    on_the_sheet(demo, page, job, picture)
    of_the_job(demo, page, truth, picture)


def runout(page: Page, hands: Hands, truth: dict[str, Any]) -> None:
    here = Section(page, "Runout")
    here.types(Part="Flywheel flange", Most="0.02")
    here.box.get_by_label("Gauge", exact=True).select_option(GAUGE)
    hands.set_on("flange")
    here.press("Begin")
    expect(here.box).to_contain_text("it is told by itself")
    hands.turn(here.words())
    expect(here.box).to_contain_text("Kept in job HL-0430 as Flywheel flange.")
    swing_mm, u95_mm = here.row("Full swing")
    assert abs(swing_mm - truth["parts"]["flange"]["full_swing_mm"]) <= 1.5 * u95_mm <= 0.02
    expect(here.box).to_contain_text("Beyond the limit typed")


def swash(page: Page, hands: Hands, truth: dict[str, Any]) -> None:
    here = Section(page, "Runout")
    assert "On a face push the shaft one way" in here.words()
    here.types(Part="Flywheel face", Most="", On_a_face="50")
    hands.demo.simulator("/shaft", {"out": False})
    hands.set_on("flange_face")
    here.press("Begin")
    expect(here.box).to_contain_text("it is told by itself")
    hands.turn(here.words())
    expect(here.box).to_contain_text("Kept in job HL-0430 as Flywheel face.")
    swash_mm, u95_mm = here.row("Swash")
    leans = math.radians(truth["faces"]["flange_face"]["leans_deg"])
    assert abs(swash_mm - 2.0 * 50.0 * math.tan(leans)) <= 1.5 * u95_mm <= 0.02


def end_float(page: Page, hands: Hands, truth: dict[str, Any]) -> None:
    here = Section(page, "End float")
    here.box.get_by_label("Gauge", exact=True).select_option(GAUGE)
    hands.set_on("crank_end")
    here.press("Begin")
    expect(here.box).to_contain_text("it is told by itself")
    hands.push_and_pull(here.words())
    expect(here.box).to_contain_text("Kept without a name")
    float_mm, u95_mm = number(here.last_told().split("float", 1)[1])
    assert abs(float_mm - truth["end_float_mm"]) <= 1.5 * u95_mm <= 0.05
    kept = Section(page, "Kept")
    kept.box.get_by_role("button", name="Name the end float").click()
    kept.box.get_by_role("textbox", name="Name of the part").fill("Crankshaft")
    kept.box.get_by_role("button", name="Keep the name").click()
    for box in (kept.box, here.box):
        expect(box).to_contain_text("Kept in job HL-0430 as Crankshaft.")


PLACES = {"face": "face_{}", "crown, first place": "crown_{}_thrust", "crown, second place": "crown_{}_far"}
"""Where the gauge stands, by what is read there: first the thrust side."""


def deck(page: Page, hands: Hands, truth: dict[str, Any]) -> None:
    here = Section(page, "Deck height")
    here.box.get_by_label("Gauge", exact=True).select_option(GAUGE)
    bores = iter(truth["crowns"])
    here.field("Cylinder").fill(cylinder := next(bores))
    words = here.words()
    for _ in range(3 * len(truth["crowns"])):
        if "Tell the deck" in words:  # this bore is done
            here.field("Cylinder").fill(cylinder := next(bores))
            wanted = "face"
        else:
            wanted = next(one for one in PLACES if re.search(f"read the {one}", words))
        hands.set_on(PLACES[wanted].format(cylinder))
        if wanted != "face":
            hands.turn(words, cylinder)
        here.press(f"Read the {wanted}")
        expect(here.box).to_contain_text("The face is read" if wanted == "face" else f"{wanted[7:]}: ")
        words = here.last_told()
    here.types(Part="Block", Bore="91")
    here.press("Tell the deck")
    expect(here.box).to_contain_text("Kept in job HL-0430 as Block.")
    for cylinder, crown in truth["crowns"].items():
        deck_mm, u95_mm = here.row(f"Cylinder {cylinder}, below")
        assert abs(deck_mm - crown["deck_mm"]) <= 1.5 * u95_mm <= 0.075


def ratio(page: Page, hands: Hands, truth: dict[str, Any]) -> None:
    """The deck stands there already. Most of the cylinder over the least, counted round a turn of the simulated piston."""
    here, engine = Section(page, "Compression ratio"), hands.demo.simulator("/scenario")["engine"]
    here.types(
        Part="Every cylinder", Bore=str(BORE_MM), Stroke=str(engine["stroke_mm"]), Chamber=str(CHAMBER_CM3)
    )
    here.types(Gasket=str(GASKET_MM), Hole=str(GASKET_BORE_MM))
    here.box.get_by_role("button", name="Tell the ratio").click()
    expect(here.box).to_contain_text("Kept in job HL-0430 as Every cylinder.")
    told, u95 = here.row("Compression ratio")
    piston = SliderCrank(engine["stroke_mm"], engine["rod_mm"], engine["pin_offset_mm"])
    fallen_mm = piston.below_top_mm(np.arange(0.0, 360.0, 0.1))
    for crown in truth["crowns"].values():
        over_crown = np.pi / 4.0 * BORE_MM**2 * (crown["deck_mm"] + fallen_mm)
        room_cm3 = CHAMBER_CM3 + (np.pi / 4.0 * GASKET_BORE_MM**2 * GASKET_MM + over_crown) / 1000.0
        assert abs(told - room_cm3.max() / room_cm3.min()) <= 1.5 * u95 <= 0.3


def timing_mark(page: Page, hands: Hands, truth: dict[str, Any]) -> None:
    here, true = Section(page, "Timing mark"), truth["mark"]
    stood_deg = hands.crank_deg()
    hands.demo.simulator("/hand", {"moves": [{"do": "turn_by", "by_deg": 3600.0, "speed_deg_s": 10}]})
    until(lambda: abs(hands.crank_deg() - stood_deg) > 5.0, "the service hears that the crank turns")
    here.press("Read the crank")
    expect(here.box).to_contain_text("let it rest with the mark at its pointer")
    hands.demo.simulator("/hand", {"do": "stop"})
    hands.turn(here.words())
    here.press("Read the crank")
    expect(here.box).to_contain_text("The crank is read, and True TDC, piston 1.")
    here.types(Part="Damper", Diameter=str(true["rim_mm"]))
    here.press("Tell the mark")
    expect(here.box).to_contain_text("Kept in job HL-0430 as Damper.")
    words = here.box.locator("#mark-told").inner_text()
    late_deg, u95_deg = number(words)
    assert abs(late_deg - true["late_deg"]) <= 1.5 * u95_deg <= 0.45
    assert "after true TDC" in words
    strip_of = Section(page, "Strip of degrees")
    strip_of.types(Diameter=str(true["rim_mm"]))
    with page.expect_download() as strip:
        strip_of.box.get_by_role("button", name="Strip of degrees").click()
    way_round_mm = math.pi * true["rim_mm"]
    assert f"{way_round_mm:.1f} mm" in strip.value.path().read_bytes().decode("latin-1")


def on_the_sheet(demo: Any, page: Page, job: int, picture: Any) -> None:
    pictures(page, picture, "all")
    parts = {"Flywheel flange", "Flywheel face", "Crankshaft", "Block", "Every cylinder", "Damper"}
    assert {one["part"] for one in demo.get(f"/api/jobs/{job}/sheet.json")["parts"]} == parts
    kept = Section(page, "Kept")
    expect(kept.box.locator("tbody tr")).to_have_count(len(parts))
    for part in parts:
        expect(kept.box).to_contain_text(part)
    where = kept.box.get_by_role("link", name="Curve").first.evaluate("link => link.href")
    assert len(page.request.get(where).text().splitlines()) == 361, "a head, and a line each degree"
    kept.box.get_by_role("button", name="Throw away Damper").click()
    expect(kept.box.locator("tbody tr")).to_have_count(len(parts) - 1)


def of_the_job(demo: Any, page: Page, truth: dict[str, Any], picture: Any) -> None:
    """What the job's own measurements tell, on pages to which the fitting page leads."""
    for name, read in (("Cam report", report), ("Valve to piston", room), ("Slack of the drive", drive)):
        page.goto(f"{demo.url}/fitting")
        page.get_by_role("link", name=name).click()
        page.wait_for_selector("body[data-ready]")
        pictures(page, picture, name.lower())
        read(page, truth)
    again = [
        one["id"] for one in demo.get("/api/measurements")["measurements"] if one["touches"] == "inlet_1"
    ]
    page.goto(f"{demo.url}/traces/{max(again)}/report")
    page.wait_for_selector("body[data-ready]")
    here = Section(page, "Against another profile")
    here.field("Another trace").select_option(str(min(again)))
    here.box.get_by_role("button", name="Hold it against that").click()
    expect(here.box.locator("#against-told")).not_to_be_empty()
    assert "No place differs by more than chance." in here.words(), "the same lobe, measured twice"
    pictures(page, picture, "profile")


def report(page: Page, truth: dict[str, Any]) -> None:
    here = Section(page, "Every lobe beside the others")
    for at, lobe in enumerate(("inlet_1", "exhaust_1"), 1):
        true = truth["lobes"][lobe]
        for name, value, most in (
            ("Peak lift", true["peak_lift_mm"], 0.05),
            ("Duration at 1.00 mm", true["duration_deg"], 2.0),
        ):
            told, u95 = number(here.cells(name)[at])
            assert abs(told - value) <= 1.5 * u95 <= 1.5 * most, (lobe, name)


def room(page: Page, truth: dict[str, Any]) -> None:
    here = Section(page, "Every valve")
    for valve in ("inlet", "exhaust"):
        told_mm, u95_mm = number(here.cells(f"{valve} 1")[1])
        assert abs(told_mm - truth["lobes"][f"{valve}_1"]["least_room_mm"]) <= 1.5 * u95_mm <= 0.45


def drive(page: Page, truth: dict[str, Any]) -> None:
    """In mm: the sprocket's way round is its teeth times the pitch."""
    here = Section(page, "Every cam")
    here.types(Teeth="20", Pitch="9.525")
    here.box.get_by_role("button", name="Tell it in mm").click()
    expect(here.box.get_by_role("row").nth(1)).to_contain_text("mm")
    assert page.locator("#notes").inner_text() == "", "both cams were turned back, as the guide said"
    for cam in ("inlet", "exhaust"):
        slack_deg = truth["cams"][cam]["slack_deg"]
        for cell, value in zip(here.cells(cam)[1:3], (slack_deg, 20 * 9.525 * slack_deg / 360), strict=True):
            told, u95 = number(cell)
            assert abs(told - value) <= 1.5 * u95 <= value
