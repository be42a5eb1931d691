"""Begun on the page and told without a further press; the two readings of a deck height: over HTTP, on real ports."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable
from typing import Any

import httpx
import numpy as np
import pytest
from recorded_instruments import Instruments
from waiting import until

from simulated_devices.machine import Crown, DialIndicator, Encoder, Engine, Hand, Manner, Mounting, RoundPart
from simulated_devices.machine import SliderCrank as Crank
from simulated_devices.traces import Setup, Trace, record, record_round

pytestmark = pytest.mark.slow
Fields = dict[str, Any]
GAUGE = DialIndicator(step=0.01, rate_hz=10.0, lag_s=0.06, jitter_s=0.002, noise_mm=0.001, travel_mm=12.7)
ENCODER = Encoder(3600, 40.0, 0.0)
BLOCK = Engine(Crank(80.0, 135.0), {}, crowns={1: Crown(0.32, 0.04)})


def turned(turns: float, rests_s: float, before: float = 0.0, seed: int = 29) -> Trace:
    """So many turns, from where the crank stands after those before."""
    rng = np.random.default_rng(seed)
    hand = Hand(20.0 + 360.0 * before, Manner(90.0, 0.1), rng).pause(0.5).turns(turns).pause(rests_s)
    return record_round(RoundPart(25.0, (), 0.10, 130.0), hand.done(), GAUGE, ENCODER, rng)


def awaited(client: httpx.Client) -> Fields:
    found: Fields = client.get("/api/fitting/awaited").raise_for_status().json()
    return found


def told_at_last(client: httpx.Client, go_on: Callable[[], None]) -> Fields:
    """What it came to; a builder goes on for as long as the page says that it waits, as it may on a busy machine."""
    for _ in range(6):
        with contextlib.suppress(AssertionError):
            until(lambda: awaited(client)["state"] != "waiting", "it is told", 3.0)
            break
        go_on()
    return awaited(client)


def test_a_runout_ends_by_itself_after_two_turns_and_a_rest(bench: tuple[Instruments, httpx.Client]) -> None:
    """Its swing is twice what it is off its axis, plain geometry; a pause after one turn ends nothing."""
    instruments, client = bench
    instruments.say(turned(0.2, 0.3))  # the bench is read
    begun = client.post("/api/fitting/runout/await?part=Flange", json={"most_mm": 0.05})
    assert begun.status_code == 200, begun.text
    assert begun.json()["state"] == "waiting"
    instruments.say(turned(1.05, 2.5, 0.2))
    assert awaited(client)["state"] == "waiting", "one turn and a pause are no end"
    assert awaited(client)["turned_deg"] > 300.0
    instruments.say(turned(1.1, 3.5, 1.25))
    told = told_at_last(client, lambda: instruments.say(turned(3.0, 3.5, 2.35)))
    assert told["state"] == "told", told
    total = told["runout"]["total_mm"]
    assert abs(total["value"] - 0.20) <= 1.5 * total["u95"] <= 0.06
    [listed] = client.get("/api/fitting/parts").json()
    assert (listed["part"], listed["held"], listed["has_readings"]) == ("Flange", "beyond", True)
    assert client.get("/api/bench").json()["measurement"] is None, "hands-free began nothing meanwhile"


def test_what_is_waited_for_can_be_given_up(bench: tuple[Instruments, httpx.Client]) -> None:
    _, client = bench
    assert client.post("/api/fitting/runout/await", json={}).json()["state"] == "waiting"
    assert client.post("/api/fitting/awaited/give_up").json()["state"] == "given_up"
    assert len(client.get("/api/fitting/parts").json()) == 1
    wrong = client.post("/api/fitting/runout/await", json={"gauge": "dial_z"})
    assert (wrong.status_code, wrong.json()["code"]) == (404, "no_such_gauge")


def test_a_float_ends_by_itself_after_three_pushes_and_a_rest(
    bench: tuple[Instruments, httpx.Client],
) -> None:
    instruments, client = bench
    instruments.say(turned(0.05, 1.0))
    assert client.post("/api/fitting/end_float/await?part=Crankshaft", json={}).status_code == 200
    for _ in range(3):
        for place_mm in (3.02, 3.20):
            instruments.say(at_rest(place_mm, 0.9))
    assert awaited(client)["state"] == "waiting", "a gauge that was pushed just now is not at rest"
    instruments.say(at_rest(3.20, 2.5))
    told = told_at_last(client, lambda: instruments.say(at_rest(3.20, 2.5)))
    assert told["state"] == "told", told
    assert told["end_float"]["float_mm"]["value"] == pytest.approx(0.18, abs=1e-6)


def at_rest(mm: float, seconds: float) -> Trace:
    """The crank stands, the gauge says the same."""
    rng = np.random.default_rng(1)
    hand = Hand(0.0, Manner(), rng).pause(seconds)
    gauge = DialIndicator(step=0.01, rate_hz=10.0, lag_s=0.06, noise_mm=0.0, travel_mm=12.7)
    return record_round(
        RoundPart(25.0, drift_mm=0.0), hand.done(), gauge, ENCODER, rng, knocked_mm=mm - 3.0, knocked_at=-1.0
    )


def on_block(place: str, hand: Hand, seed: int) -> Trace:
    rng = np.random.default_rng(seed)
    setup = Setup(BLOCK, hand.done(), ENCODER, {"dial": Mounting(GAUGE, place, 9.0)})
    return record(setup, rng)


def crown_read(instruments: Instruments, client: httpx.Client, place: str, seed: int, face: Fields) -> Fields:
    """Swing the gauge by way of the face, rock the piston over TDC and read; again where this machine was too busy.

    The crank goes back to where it was: no encoder leaps between two traces.
    """
    entry = {"face_mm": face["value"], "face_u95_mm": face["u95"]}
    for again in itertools.count():  # as often as it asks for it
        instruments.say(on_block("face_1", Hand(-60.0, Manner(), np.random.default_rng(again)).pause(2.0), 4))
        hand = Hand(-60.0, Manner(25.0, 0.1), np.random.default_rng(seed)).pause(1.5).rock(0.0, 40.0, 2)
        instruments.say(on_block(f"crown_1_{place}", hand.to(-60.0).pause(1.0), seed))
        answer = client.post("/api/fitting/deck/crown", json=entry)
        if answer.json().get("code") != "held_up":
            break
    assert answer.status_code == 200, answer.text
    below: Fields = answer.json()["below_mm"]
    return below


def test_both_readings_of_a_deck_height_are_taken_by_the_gauge(
    bench: tuple[Instruments, httpx.Client],
) -> None:
    """A crown 0.32 mm below the face that leans by 0.04: 0.36 on the thrust side, 0.28 across, 0.32 the deck."""
    instruments, client = bench
    early = client.post("/api/fitting/deck/crown", json={"face_mm": 1.0})
    assert early.status_code in {409, 422}, "nothing was turned on a crown"
    instruments.say(on_block("face_1", Hand(-60.0, Manner(), np.random.default_rng(3)).pause(3.0), 4))
    face = client.post("/api/fitting/deck/face", json={}).raise_for_status().json()["face_mm"]
    assert face["u95"] < 0.02
    below = {}
    for seed, place in enumerate(("thrust", "far")):
        below[place] = crown_read(instruments, client, place, seed, face)
    for place, true_mm in (("thrust", 0.36), ("far", 0.28)):
        assert abs(below[place]["value"] - true_mm) <= 1.5 * max(below[place]["u95"], 0.01), below
        assert below[place]["u95"] < 0.03
    crowns = [
        {
            "cylinder": "1",
            "first_mm": [below["thrust"]["value"]],
            "second_mm": [below["far"]["value"]],
        }
    ]
    told = client.post("/api/fitting/deck?part=Block", json={"crowns": crowns}).json()
    assert told["cylinders"][0]["deck_mm"]["value"] == pytest.approx(0.32, abs=0.012)
    assert told["cylinders"][0]["leans_mm"]["value"] == pytest.approx(0.04, abs=0.012)


def test_a_gauge_that_moves_is_no_reading_of_the_face(bench: tuple[Instruments, httpx.Client]) -> None:
    instruments, client = bench
    hand = Hand(-60.0, Manner(40.0, 0.1), np.random.default_rng(5)).pause(1.0).turns(0.15)
    instruments.say(on_block("crown_1_far", hand, 6))
    refused = client.post("/api/fitting/deck/face", json={})
    assert (refused.status_code, refused.json()["code"]) == (422, "gauge_not_at_rest")
