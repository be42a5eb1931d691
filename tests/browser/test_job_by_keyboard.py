"""A whole job through the pages by keyboard alone, from nothing to the signature, one guided move in it; presses counted.

The builder reads what the pages say (sentence, button, cue) and presses keys only for what nobody else can know; the
simulator's hand turns the crank, sets the gauge and moves the pulley, as hands would.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from waiting import until

import simulated_devices
from api.host import part_in

pytestmark = [pytest.mark.browser, pytest.mark.slow]

GAUGE = "dial_a"
AFTER_ONE_MOVE_DEG = 0.5
MOST_PRESSES, MOST_TYPED = 8, 15
"""Of a job on one cam in a shop that has nothing on file."""
LATE_DEG = 2.6
MEASURE_AGAIN, AGAIN = "Measure again", 5
TURNS = (
    {"do": "turns", "count": 2.0, "speed_deg_s": 130},
    {"do": "turns", "count": 2.2, "speed_deg_s": 80},
    {"do": "turn_by", "by_deg": -20.0, "speed_deg_s": 60},
)
ROCK = {"do": "rock", "crank_deg": 0.0, "half_width_deg": 45.0, "times": 2, "speed_deg_s": 80}
SCENARIOS = Path(simulated_devices.__file__).parent / "scenarios"
IS_FOCUSED = "selector => document.activeElement.matches(selector)"
NAME = "() => (document.activeElement.innerText || '').trim()"


class Keyboard:
    """Nothing but keys."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.typed: list[str] = []
        self.pressed: list[str] = []

    def to(self, selector: str) -> None:
        """Go to a field by the Tab key."""
        for _ in range(120):
            if self.page.evaluate(IS_FOCUSED, selector):
                return
            self.page.keyboard.press("Tab")
        pytest.fail(f"{selector} cannot be reached by keyboard")

    def to_button(self, words: str) -> None:
        for _ in range(120):
            if self.page.evaluate(IS_FOCUSED, "button, a, summary") and words in self.page.evaluate(NAME):
                return
            self.page.keyboard.press("Tab")
        pytest.fail(f"no button {words!r} can be reached by keyboard")

    def type(self, selector: str, text: str) -> None:
        self.to(selector)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)
        self.typed.append(selector)

    def choose(self, selector: str, text: str) -> None:
        """Choose from a list by typing the beginning of its words."""
        self.to(selector)
        self.page.keyboard.type(text)

    def press(self, words: str) -> None:
        self.to_button(words)
        self.page.keyboard.press("Enter")
        self.pressed.append(words)


class Hands:
    """The builder at the simulated bench, who sees only what the page shows."""

    def __init__(self, page: Page, demo: Any) -> None:
        self.page, self.demo = page, demo
        self.pressed: list[str] = []

    def press(self, words: str) -> None:
        """Press the space bar once the large button says `words`."""
        expect(self.page.locator("#act")).to_contain_text(words, timeout=60_000)
        expect(self.page.locator("#act")).to_be_enabled(timeout=60_000)
        time.sleep(0.55)  # two presses faster than that are taken for one trembling foot
        self.page.evaluate("document.activeElement.blur()")
        self.page.keyboard.press("Space")
        self.pressed.append(words)

    def begin(self, words: str) -> None:
        """Press, and wait until the page shows that it measures: nobody turns before."""
        self.press(words)
        expect(self.page.locator("#act")).to_contain_text("Finish", timeout=60_000)

    def hand(self, *moves: dict) -> None:
        assert self.demo.simulator("/hand", {"moves": list(moves), "wait_s": 60})["done"]

    def wait(self, seconds: float) -> None:
        """Let so much time pass at the bench, the hand holding still."""
        self.hand({"do": "hold", "seconds": seconds})

    def until(self, over: Callable[[], Any], what: str) -> None:
        """Hold still until the page, or the list of what was measured, shows something."""
        for _ in range(150):
            if over():
                return
            self.wait(0.4)
            time.sleep(0.15)
        measured = "\n".join(f"{one['state']} {one['touches']}: {one['sentence']}" for one in self.listed())
        pytest.fail(f"never: {what}. {self.page.inner_text('main')}\n{measured}\n{self.jobs()}")

    def reads(self, words: str) -> None:
        self.until(lambda: words in self.page.inner_text("main"), words)

    def touch(self, onto: str) -> None:
        self.wait(0.4)
        self.demo.simulator("/gauge", {"gauge": GAUGE, "onto": onto})
        self.wait(1.0)  # it hangs free while it is carried over

    def pulley(self, do: str, **more: float) -> None:
        self.demo.simulator("/pulley", {"cam": "cam", "do": do, **more})

    def measure(self, onto: str, *moves: dict) -> None:
        """Set the gauge and turn; what is measured begins and ends by itself, and is kept."""
        before = len(self.listed())
        self.touch(onto)
        self.hand({"do": "hold", "seconds": 0.8}, *moves)
        self.ended(before, onto)

    def ended(self, before: int, onto: str) -> None:
        self.until(lambda: len(self.listed()) > before and not self.running(), f"{onto} ends by itself")
        newest = max(self.listed(), key=lambda one: int(one["id"]))
        assert (newest["touches"], newest["state"]) == (onto, "finished"), newest["sentence"]

    def listed(self) -> list[dict]:
        return self.demo.get("/api/measurements")["measurements"]

    def jobs(self) -> str:
        """What each job says is in the way, and the demo's own last words."""
        told = [self.demo.get(f"/api/jobs/{one['id']}") for one in self.demo.get("/api/jobs")]
        return "\n".join([*(str(one) for one in told), *self.demo.log().splitlines()[-20:]])

    def running(self) -> bool:
        return any(one["state"] == "running" for one in self.listed())

    def lobes(self) -> None:
        """Measure both lobes of the cam."""
        self.measure("inlet_1", *TURNS)
        self.measure("exhaust_1", *TURNS)

    def told(self, place: str, words: str) -> None:
        """Wait until the page says so; where it cannot tell and says that, measure again, as it asks.

        How often is chance, so these presses are not counted among those that a job costs.
        """
        presses = list(self.pressed)
        for _ in range(AGAIN):
            self.until(lambda: words in self.page.inner_text(place) or self.cannot_tell(), words)
            if not self.cannot_tell():
                break
            before, onto = len(self.listed()), part_in(self.page.inner_text("#sentence"))
            self.touch(onto)
            self.begin(MEASURE_AGAIN)
            self.hand({"do": "hold", "seconds": 0.8}, *TURNS)
            self.press("Finish")
            self.ended(before, onto)
        self.pressed = presses

    def cannot_tell(self) -> bool:
        return MEASURE_AGAIN in self.page.inner_text("#act")

    def cue(self) -> tuple[str, float]:
        """What the cue says once it stands still: its words, and how far it is to go (back, anticlockwise negative)."""
        self.wait(0.6)
        self.shown()
        told = ""
        for _ in range(60):
            time.sleep(0.45)
            if (now := self.page.inner_text(".cue-words")) == told:
                break
            told = now
        number = re.search(r"[\d.]+", told)
        far = float(number.group()) if number else 0.0
        return told, -far if "Back" in told or "anticlockwise" in told.lower() else far

    def shown(self) -> None:
        """Wait until the page has painted whatever the service knows now."""
        newest_ms = max(one["wall_ms"] for one in self.demo.get("/api/latest")["latest"].values())
        until(
            lambda: self.page.evaluate("() => window.paintedMs ?? 0") >= newest_ms, "the page is up to date"
        )

    def to_the_park(self) -> None:
        """Turn the crank as the cue says, and hold it: the page goes on to the move by itself."""
        for _ in range(6):
            told, go = self.cue()
            if abs(go) <= 2.0 or "Turn the cam" in self.page.inner_text("#sentence"):
                break
            ways = [go - 30.0, 30.0] if -40 < go < 0 else [go if go > 0 else go + 720.0]
            self.hand(*({"do": "turn_by", "by_deg": way, "speed_deg_s": 150} for way in ways))
        else:
            pytest.fail(f"the crank was never where the page wanted it: {told}")
        self.reads("Turn the cam")

    def dead_until_on_the_number(self) -> None:
        expect(self.page.locator(".cue-words")).to_contain_text("clockwise", ignore_case=True)
        expect(self.page.locator("#act")).to_be_disabled()
        assert "too far" not in self.page.inner_text("main").lower()
        assert not re.search(r"[-−]\d", self.page.inner_text(".do"))
        expect(self.page.locator("#others")).to_contain_text("Leave it, with a reason")

    def turn_the_cam(self) -> None:
        """Turn the cam the way the cue says, nudged until it says it is on the number.

        Until then the large button is dead; what is left can be accepted by a smaller one alone.
        """
        self.dead_until_on_the_number()
        way, last = 1.0, None
        for _ in range(25):
            told, go = self.cue()
            if told == "On the number":
                return
            if last is not None and abs(go) > abs(last) + 0.3:
                way = -way  # that was the other way round
            last = go
            self.pulley("turn_cam", by_deg=0.8 * go * way, wait_s=20)
            self.wait(0.6)
        pytest.fail(f"the cam was never on its number: {told}")

    def push(self, valve: str) -> None:
        """Turn to where the page wants the crank, push the valve until it touches, and say so: that a person feels."""
        self.touch(valve)
        for _ in range(6):
            if "Push the" in self.page.inner_text("#sentence"):
                break
            _, go = self.cue()
            if abs(go) > 2.0:
                self.hand({"do": "turn_by", "by_deg": go if go > 0 else go + 720.0, "speed_deg_s": 150})
        self.reads("Push the")
        self.demo.simulator("/valve", {"valve": valve, "down": True})
        self.wait(1.0)
        self.press("It touches")
        expect(self.page.locator("#act")).not_to_contain_text(
            "It touches", timeout=60_000
        )  # noted, then let go
        self.demo.simulator("/valve", {"valve": valve, "down": False})
        self.wait(0.5)


ENTRIES = {
    "#engine-form [name=name]": "Sallow 1.3",
    "[name=firing_order]": "1-3-4-2",
    "[name=stroke_mm]": "76",
    "[name=rod_mm]": "128",
    "[name='adjuster.bolt_circle_radius_mm']": "42",
    "#card-form [name=name]": "Garth 248",
    "[name='inlet.full_lift_deg']": "106",
    "[name='inlet.lift_mm']": "8.55",
    "[name='inlet.checking_clearance_mm']": "0.30",
    "[name='exhaust.full_lift_deg']": "110",
    "[name='exhaust.lift_mm']": "8.55",
    "[name='exhaust.checking_clearance_mm']": "0.30",
    "#begin [name=reference]": "HL-0417",
    "#begin [name=customer]": "Merrick",
    "#begin [name=builder]": "Ida Thorne",
}
CHOICES = {"[name='layout']": "one cam", "[name='adjuster.kind']": "slotted"}


def _begin_from_nothing(keys: Keyboard) -> None:
    """One form for engine, card and job where none is on file, and one press."""
    for selector, text in CHOICES.items():
        keys.choose(selector, text)
    for selector, text in ENTRIES.items():
        keys.type(selector, text)
    keys.press("Begin the job")
    keys.page.wait_for_url("**/")
    keys.page.wait_for_selector("#act")


@pytest.fixture
def single_cam_demo(demo_on: Callable[..., Any], tmp_path: Path) -> Iterator[Any]:
    """The example of a single cam, less late, so that no room has to be found before the move."""
    text = (
        (SCENARIOS / "hollin_lane_single_cam.toml")
        .read_text()
        .replace("late_deg = 4.2", f"late_deg = {LATE_DEG}")
    )
    scenario = tmp_path / "single_cam.toml"
    scenario.write_text(text)
    yield demo_on("--scenario", str(scenario))


def test_a_whole_job_by_keyboard(single_cam_demo, open_tab, picture) -> None:
    demo, page = single_cam_demo, open_tab()
    page.add_init_script("document.addEventListener('painted', e => { window.paintedMs = e.detail.wallMs; })")
    keys, hands = Keyboard(page), Hands(page, demo)
    page.goto(f"{demo.url}/jobs")
    page.wait_for_selector("body[data-ready]")
    picture(page, "jobs_nothing_on_file", full=True)
    _begin_from_nothing(keys)
    job_url = f"{demo.url}/jobs/1"

    to_the_lobes(page, hands, picture)
    move_the_cam(page, hands, picture)
    hands.lobes()
    hands.told("#headline", "IN.")
    picture(page, "bench_verdict_in")
    to_the_signature(page, hands, picture)

    picture(page, "bench_sign_off")
    hands.press("Read the sheet")
    expect(page.locator(".not-signed")).to_be_visible()
    picture(page, "sheet_service", full=True)
    page.goto(demo.url)
    hands.press("Sign as Ida Thorne")
    pressed = keys.pressed + hands.pressed
    print(f"{len(pressed)} presses, {len(keys.typed)} fields typed:", *pressed, sep="\n")
    assert len(pressed) <= MOST_PRESSES
    assert len(keys.typed) <= MOST_TYPED
    page.goto(job_url)
    page.wait_for_selector("body[data-ready]")
    picture(page, "job_service", full=True)
    expect(page.locator("#now-title")).to_have_text("Signed by Ida Thorne.")
    expect(page.locator("#heads")).not_to_contain_text("at the bench now")
    expect(page.locator("#heads")).to_contain_text("Clear the bench")
    page.set_viewport_size({"width": 360, "height": 780})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    picture(page, "job_phone", full=True)

    inlet = demo.simulator("/truth?drop_mm=1.27")["lobes"]["inlet_1"]
    # Half of the card's tolerance, more than three standard uncertainties of one lobe and what the hand may leave of the
    # move; closer than that is held by the whole job over HTTP.
    told = [one["sentence"] for one in hands.listed() if one["touches"] == "inlet_1"]
    assert abs(inlet["centre_atdc_deg"] - 106.0) < AFTER_ONE_MOVE_DEG, told
    assert "signed" in page.inner_text("#facts")
    page.goto(demo.url)
    hands.press("Put the job away")
    hands.reads("Start: True TDC")


def to_the_lobes(page: Page, hands: Hands, picture: Callable[..., Any]) -> None:
    # Once, before the crank is turned: what holds all through the job, and what this engine is fitted up by.
    expect(page.locator("#cautions .note")).to_have_count(9)
    expect(page.locator("#hands-free")).to_be_checked()
    picture(page, "bench_read_first")
    hands.touch("piston_1")
    hands.begin("Fitted up, clearances set, all read: Start")
    expect(page.locator("#mind")).to_be_hidden()
    # Slow enough for eight readings a second: faster, what proves the counts a turn hangs on where they happen to fall.
    hands.hand({"do": "hold", "seconds": 0.5}, {"do": "turns", "count": 2.4, "speed_deg_s": 60})
    hands.ended(0, "piston_1")
    hands.measure("piston_1", ROCK)
    hands.measure("piston_1", ROCK)
    hands.hand({"do": "turn_to", "crank_deg": 0.0, "way": "forward", "speed_deg_s": 180})
    hands.press("Both valves rocking")


def move_the_cam(page: Page, hands: Hands, picture: Callable[..., Any]) -> None:
    hands.measure("inlet_1", *TURNS)
    if "OUT." not in page.inner_text("#headline"):
        hands.measure("exhaust_1", *TURNS)
    expect(page.locator("#headline")).to_contain_text("OUT.")
    expect(page.locator("#others")).to_contain_text("Leave it, with a reason")
    picture(page, "bench_verdict_out")
    hands.to_the_park()
    picture(page, "bench_on_the_move")
    hands.pulley("slacken")
    hands.turn_the_cam()
    hands.reads("Nip up, then turn on")
    picture(page, "bench_on_the_number")
    hands.pulley("tighten")
    hands.hand({"do": "turn_by", "by_deg": 30.0, "speed_deg_s": 60})
    expect(page.locator(".figure")).to_contain_text("now unproved")
    expect(page.locator("#number")).to_be_hidden()
    picture(page, "bench_unproved")


def to_the_signature(page: Page, hands: Hands, picture: Callable[..., Any]) -> None:
    before = len(hands.listed())
    hands.touch("inlet_1")
    hands.begin("Torqued")
    hands.hand({"do": "hold", "seconds": 0.8}, *TURNS)
    hands.ended(before, "inlet_1")
    hands.measure("exhaust_1", *TURNS)
    hands.told("#step", "TDC")
    hands.measure("piston_1", ROCK)
    for valve in ("inlet_1", "exhaust_1"):
        hands.push(valve)
