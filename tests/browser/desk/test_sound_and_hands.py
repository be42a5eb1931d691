"""What a builder under the engine hears: off until asked, told apart by pitch and rhythm, numbers spoken."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, WebSocketRoute, expect

pytestmark = pytest.mark.browser

LISTEN = """
window.tones = [];
window.said = [];
const made = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () {
  const tone = made.call(this);
  const start = tone.start.bind(tone);
  tone.start = (at) => { window.tones.push(tone.frequency.value); start(at); };
  return tone;
};
window.speechSynthesis.speak = (words) => window.said.push(words.text);
"""
GUIDE = {"kind": "guide", "job_id": None, "step": "", "why": "", "number": None, "unit": "", "label": ""}
REST = {"interval": None, "to_go_mm": None, "target_mm": None, "verdict": "", "button": "", "action": ""}


class Bench:
    """The live link of a page, through which the test says what the guide says."""

    def __init__(self, page: Page) -> None:
        self._route: WebSocketRoute | None = None
        page.route_web_socket("**/live", self._opened)

    def _opened(self, route: WebSocketRoute) -> None:
        self._route = route
        server = route.connect_to_server()
        # The bench's own guide is held back, so that what is heard is what the test says.
        server.on_message(
            lambda message: None if '"kind":"guide"' in str(message)[:40] else route.send(message)
        )

    def guide(self, tone: str, to_go_deg: float | None, sentence: str = "Turn on.") -> None:
        assert self._route is not None
        told = {**GUIDE, **REST, "sentence": sentence, "tone": tone, "to_go_deg": to_go_deg, "cautions": []}
        self._route.send(json.dumps(told))


@pytest.fixture
def bench_page(still_demo, open_tab) -> Callable[..., tuple[Page, Bench]]:
    def opened(**choices: str) -> tuple[Page, Bench]:
        page = open_tab(choices=choices)
        page.add_init_script(LISTEN)
        bench = Bench(page)
        page.goto(still_demo.url)
        expect(page.locator("#bench-state")).to_contain_text("Bench live")
        page.locator("h2").first.click()  # a browser sounds only after a touch
        return page, bench

    return opened


def test_nothing_sounds_until_it_is_asked_for(bench_page, until) -> None:
    page, bench = bench_page()
    for tone in ("approach", "on_the_number", "overshot", "fault"):
        bench.guide(tone, 1.0, f"Now {tone}.")
        until(page, "told => document.querySelector('#sentence').textContent === told", f"Now {tone}.")
    assert page.evaluate("window.tones") == []
    assert page.evaluate("window.said") == []


def test_approach_number_overshoot_and_fault_are_told_apart_by_ear(bench_page, until) -> None:
    page, bench = bench_page(sound="on")
    heard = {}
    for tone in ("approach", "on_the_number", "overshot", "fault"):
        page.evaluate("window.tones.length = 0")
        bench.guide(tone, 1.0, f"Now {tone}.")
        until(page, "window.tones.length > 0")
        heard[tone] = tuple(page.evaluate("window.tones"))
    assert len(set(heard.values())) == 4, heard
    falling = heard["overshot"]
    assert len(falling) == 2
    assert falling[0] > falling[1]


def test_the_approach_sounds_again_as_the_number_comes_nearer(bench_page, until) -> None:
    page, bench = bench_page(sound="on")
    for tenth in range(30, 0, -1):
        bench.guide("approach", tenth / 10)
        page.evaluate("() => new Promise(done => setTimeout(done, 60))")
    assert page.evaluate("window.tones.length") > 2


def test_the_number_is_spoken_where_that_was_asked_for(bench_page, until) -> None:
    page, bench = bench_page(speech="on")
    bench.guide("approach", 4.0)
    bench.guide("on_the_number", 0.0, "Stop: 108.02° ATDC.")
    until(page, "window.said.length > 0")
    assert page.evaluate("window.said") == ["Stop: 108.02 degrees after top dead centre."]
    assert page.evaluate("window.tones") == []


def test_tones_are_switched_on_from_the_page_and_remembered(bench_page, until) -> None:
    page, bench = bench_page()
    page.get_by_role("button", name="This screen").click()
    page.locator('#choices input[name="sound"][value="on"]').check(force=True)
    page.get_by_role("button", name="Done").click()
    bench.guide("fault", None, "Something is wrong.")
    until(page, "window.tones.length > 0")
    page.reload()
    page.get_by_role("button", name="This screen").click()
    assert page.locator('#choices input[name="sound"][value="on"]').is_checked()
