"""The demo does the job: from the bench check to the signed sheet, looked at in a real browser."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(1500)]

LONGEST_S = 400.0
DONE_BEFORE = {"HL-1790", "HL-1795", "HL-1799"}


def wait_for(what: str, seen: Callable[[], Any], demo: Any) -> Any:
    deadline = time.monotonic() + LONGEST_S
    while not (found := seen()):
        if time.monotonic() > deadline:
            pytest.fail(f"never: {what}\n{demo.log()}", pytrace=False)
        time.sleep(0.3)
    return found


def mode(demo: Any) -> str:
    return str(demo.simulator("/state")["builder"]["mode"])


def crank_deg(demo: Any) -> float:
    return float(demo.simulator("/state")["crank"]["unwrapped_deg"])


def jobs(demo: Any) -> dict[str, dict[str, Any]]:
    return {line["reference"]: line for line in demo.get("/api/jobs")}


def guide(demo: Any) -> dict[str, Any]:
    told: dict[str, Any] = demo.get("/api/bench")["guide"]
    return told


def test_the_builder_takes_the_job_to_its_signed_sheet(working_demo, open_tab, picture) -> None:
    demo = working_demo
    desk, hand = open_tab(1440, 900), open_tab(1280, 900)
    hand.goto(f"http://127.0.0.1:{demo.control_port}")
    wait_for("the builder works", lambda: mode(demo) == "working", demo)
    let_me_turn_the_crank(hand, demo)

    desk.goto(demo.url)
    wait_for("a guided move", lambda: abs(guide(demo)["to_go_mm"] or 0.0) > 0.03, demo)
    desk.wait_for_timeout(300)
    picture(desk, "move_desk", kept=True)

    job = wait_for("it is signed", lambda: next(iter(signed(demo, "HL-18"))), demo)
    assert job["signed_by"] == "Ida Thorne"
    sheet = demo.get(f"/api/jobs/{job['id']}/sheet.json")
    assert sheet["result"] == "Every cam is in tolerance."
    assert {one["stage"] for one in sheet["measurements"] if one["valve"]} >= {
        "as found",
        "nipped up",
        "torqued",
    }
    desk.goto(f"{demo.url}/jobs/{job['id']}")
    expect(desk.get_by_text("Ida Thorne").first).to_be_visible()
    picture(desk, "job_desk", kept=True)
    desk.goto(f"{demo.url}/api/jobs/{job['id']}/sheet.html")
    expect(desk.get_by_text("Every cam is in tolerance.").first).to_be_visible()
    assert mode(demo) == "none"


def signed(demo: Any, beginning: str) -> list[Any]:
    found = [one for name, one in jobs(demo).items() if name.startswith(beginning) and one["signed_at"]]
    return found or [None]


def let_me_turn_the_crank(hand: Page, demo: Any) -> None:
    """Pause, go on, take the crank, turn it, give it back: the job goes on where it stands."""
    hand.locator("[data-builder=pause]").click()  # the hand has a Pause of its own
    wait_for("he pauses", lambda: mode(demo) == "paused", demo)
    hand.locator("[data-builder=go_on]").click()
    wait_for("he goes on", lambda: mode(demo) == "working", demo)
    hand.locator("[data-builder=let_me]").click()
    wait_for("he stands aside", lambda: mode(demo) == "visitor", demo)
    wait_for("the crank rests", lambda: not demo.simulator("/state")["hand"]["busy"], demo)
    before = crank_deg(demo)
    hand.get_by_role("button", name="On 90°").click()
    wait_for("the crank is the visitor's", lambda: crank_deg(demo) > before + 80, demo)
    hand.locator("[data-builder=go_on]").click()
    wait_for("he takes it up again", lambda: mode(demo) == "working", demo)


def test_jobs_done_before_can_be_looked_at_while_the_builder_works(working_demo, open_tab) -> None:
    demo = working_demo
    wait_for("the finished jobs", lambda: set(jobs(demo)) >= DONE_BEFORE, demo)
    told = {name: demo.get(f"/api/jobs/{jobs(demo)[name]['id']}/sheet.json") for name in DONE_BEFORE}
    assert all(sheet["signed_by"] == "Ida Thorne" for sheet in told.values())
    assert "wider than the card" in told["HL-1790"]["cams"][0]["cannot_be_cured"]
    assert all(one["measurements"] for one in told.values())
    tooth = next(fact["what"] for fact in told["HL-1799"]["facts"] if fact["what"]["kind"] == "moved")
    assert tooth["way"] == "tooth"
    assert told["HL-1799"]["result"] == "Every cam is in tolerance."
    page = open_tab()
    page.goto(f"{demo.url}/jobs")
    expect(page.get_by_text("HL-1799").first).to_be_visible()
