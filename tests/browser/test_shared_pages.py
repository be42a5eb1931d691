"""Two benches of one archive in a real browser: a card changed at both, the question, its answer; a job handed over."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from command import lobewright
from kept_shop import add_job
from on_file import WHINFELL, bench_of_archive
from playwright.sync_api import Page, expect
from postgres import Server
from waiting import until
from warm import WarmService

from api.forwarding import prepare

pytestmark = pytest.mark.browser
SERIOUS = {"serious", "critical"}


class RunningBench:
    """`lobewright run` with an archive in its bench file, on any free port."""

    def __init__(self, server: Server, folder: Path, name: str) -> None:
        self.data = folder / name
        file = folder / f"{name}.toml"
        file.write_text(bench_of_archive(server.url("shop", f"lobewright_{name}"), name))
        words = ["run", "--bench", str(file), "--data", str(self.data), "--port", "0"]
        self._process = WarmService(words, folder / f"{name}.log")
        self.url = until(self._address, f"{name} is up", 120)

    def _address(self) -> str:
        url = str(json.loads((self.data / "web.json").read_text())["url"])
        httpx.get(f"{url}/api/jobs", timeout=5).raise_for_status()
        return url

    def get(self, path: str) -> Any:
        return httpx.get(self.url + path, timeout=60).raise_for_status().json()

    def post(self, path: str, body: Any = None) -> Any:
        return httpx.post(self.url + path, json=body, timeout=60).raise_for_status().json()

    def stop(self) -> None:
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(60)


@pytest.fixture
def benches(tmp_path: Path) -> Iterator[tuple[Server, RunningBench, RunningBench]]:
    server = Server()
    try:
        prepare(server.new_database("shop"), ["east", "west"])
        add_job(tmp_path / "east")
        east, west = (RunningBench(server, tmp_path, name) for name in ("east", "west"))
        for bench in (east, west):
            until(lambda bench=bench: bench.get("/api/shared")["others"], "they know of one another")
        yield server, east, west
        east.stop()
        west.stop()
    finally:
        server.close()


def test_two_benches_share_cards_and_a_job(
    benches: tuple[Server, RunningBench, RunningBench], shared_tab: Page
) -> None:
    server, east, west = benches
    answer_what_the_other_has(server, east, west, shared_tab)
    hand_a_job_over_and_take_it_back(east, shared_tab)
    hand_it_over_and_take_it_over(east, west, shared_tab)


def answer_what_the_other_has(server: Server, east: RunningBench, west: RunningBench, page: Page) -> None:
    """One card changed at both benches meanwhile, asked about at one, settled at both."""
    page.goto(f"{west.url}/jobs")
    expect(page.locator("#card-form")).to_be_visible()
    expect(page.get_by_text("No job yet.")).to_be_visible()
    kept = east.post("/api/cards", {"card": WHINFELL, "by": "Ida Thorne"})
    there = until(lambda: west.get("/api/cards"), "the card is there")[0]

    expect(page.locator("#cards li").first).to_contain_text("bench east")
    expect(page.locator("#card-form")).to_be_hidden()
    page.goto(f"{east.url}/jobs")
    expect(page.locator("#cards li").first).to_contain_text("Ida Thorne")
    server.kill()
    west.post(
        f"/api/cards/{there['id']}",
        {"card": {**WHINFELL, "inlet": {**WHINFELL["inlet"], "lift_mm": 9.2}}, "by": "Tom Marsh"},
    )
    page.get_by_role("button", name="Change Whinfell 262").click()
    dialog = page.get_by_role("dialog", name="Change Whinfell 262")
    lift = dialog.locator('[name="inlet.lift_mm"]')
    expect(lift).to_have_value("9.4")
    lift.fill("9.6")
    dialog.get_by_role("button", name="Keep the change").click()
    expect(dialog).to_be_hidden()
    server.start()

    until(lambda: east.get(f"/api/cards/{kept['id']}")["asked"], "it is asked about")
    page.goto(f"{east.url}/jobs")
    asked = page.locator("#cards .asked")
    expect(asked).to_contain_text("The bench west has other values: inlet lift 9.2 mm, here 9.6 mm.")
    found = Axe().run(page).response["violations"]
    assert not [one for one in found if one["impact"] in SERIOUS]
    asked.get_by_role("button", name="What west has").click()
    expect(asked).to_have_count(0)
    until(
        lambda: (
            [one["card"]["inlet"]["lift_mm"] for one in west.get("/api/cards")] == [9.2]
            and not west.get("/api/cards")[0]["asked"]
        ),
        "it is settled at the other bench, too",
    )
    page.locator("#cards summary").click()
    expect(page.locator("#cards .file-list li")).to_have_count(4)
    expect(page.locator("#cards .file-list li", has_text="bench west")).to_have_count(1)


def hand_a_job_over_and_take_it_back(east: RunningBench, page: Page) -> None:
    job = east.get("/api/jobs")[0]["id"]
    steps = [one["id"] for one in east.get(f"/api/jobs/{job}")["steps"] if one["id"] != "sign_off"]
    what = {"kind": "went_back", "step": steps[-1], "reason": "the other bench is free"}
    east.post(f"/api/jobs/{job}/facts", {"what": what})
    page.goto(f"{east.url}/jobs/{job}")
    page.get_by_label("Hand over to").select_option("west")
    page.get_by_role("button", name="Hand it over").click()
    expect(page.locator("#now-title")).to_contain_text("Held by the bench west since")
    expect(page.locator("#hand-over-form")).to_be_hidden()
    expect(page.locator(".job-now")).to_contain_text("has not taken it over yet")
    expect(page.get_by_text("Go on with it there.")).to_have_count(0)
    expect(page.get_by_role("button", name="Delete this job")).to_have_count(0)
    expect(page.locator("#actions button")).to_have_count(0)
    expect(page.locator("#offered")).to_contain_text("The bench west has not taken it over yet.")
    page.get_by_role("button", name="Take it back").click()
    expect(page.locator("#hand-over-form")).to_be_visible()
    expect(page.locator("#now-title")).not_to_contain_text("Held by")


def hand_it_over_and_take_it_over(east: RunningBench, west: RunningBench, page: Page) -> None:
    """By the command at one bench and the page at the other, and back by commands alone."""
    job = east.get("/api/jobs")[0]["id"]
    assert "Held by the bench west since" in said(east, "hand-over", str(job), "west", "--by", "Ida Thorne")
    until(lambda: f"job {job}: waits at the bench west" in said(east, "waiting"), "it is known as offered")
    assert "It goes on here." in said(east, "take-back", str(job))
    said(east, "hand-over", str(job), "west")
    until(lambda: west.get("/api/shared")["coming"], "it waits there")
    page.goto(f"{west.url}/jobs")
    expect(page.locator("#coming")).to_contain_text("handed over by the bench east")
    expect(page.get_by_text("No job yet.")).to_be_hidden()
    page.get_by_role("button", name="Take it over").click()
    expect(page.locator("#about")).to_contain_text("Taken over from the bench east")
    assert not west.get("/api/jobs")[0]["held"]

    late = lobewright("job", "--data", str(east.data), "take-back", str(job))
    assert (late.returncode, late.stderr) == (
        2,
        "lobewright: Not taken back: the bench west has taken it over.\n",
    )
    said(west, "hand-over", str(west.get("/api/jobs")[0]["id"]), "east")
    waits = until(lambda: "from the bench west" in (told := said(east, "waiting")) and told, "it comes back")
    assert "Taken over from the bench west" in said(east, "take-over", waits.split()[0])
    until(lambda: "No job waits. Other benches: west." in said(east, "waiting"), "nothing waits any more")


def said(bench: RunningBench, *words: str) -> str:
    """What `lobewright job` says, having done it."""
    done = lobewright("job", "--data", str(bench.data), *words)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout
