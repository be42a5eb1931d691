"""Whole jobs on engines of unlike kinds, over HTTP, followed by the guide's words alone; the truth is printed beside.

Who turns the crank here knows nothing of the steps: where the gauge goes, how the crank is turned and what is fitted
are read out of the sentences.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from api.host import card_of, part_in

Fields = dict[str, Any]
Edit = Callable[[Fields], None]
SLOTS = {"kind": "slots", "bolt_circle_radius_mm": 42.0, "slot_each_way_cam_deg": 6.0}
KEY = re.compile(r"Fit the ([\d.]+) deg key, fitted to (advance|retard)")
MOST_ROUNDS = 70

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


class RenamedBench:
    """The simulated bench, whose cylinders are numbers, asked by the engine's own names of them and of its cams."""

    def __init__(self, bench: Any, numbers: dict[str, int], cams: dict[str, str]) -> None:
        self._bench, self._numbers, self._cams = bench, numbers, cams

    def get(self, path: str) -> Any:
        return self._bench.get(path)

    def post(self, path: str, body: Any = None) -> Any:
        there = {
            key: self.part(value) if key in {"onto", "valve"} else value
            for key, value in (body or {}).items()
        }
        if "cam" in there:
            there["cam"] = self._cams[there["cam"]]
        return self._bench.post(path, there)

    def part(self, name: str) -> str:
        kind, _, cylinder = name.partition("_")
        return f"{kind}_{self._numbers.get(cylinder, cylinder)}"


@dataclass
class Followed:
    """A job that is followed by its words."""

    builder: Any
    tops_deg: dict[str, float] = field(default_factory=dict)
    moves: int = 0
    fitted: list[str] = field(default_factory=list)

    def to_the_end(self) -> Fields:
        for _ in range(MOST_ROUNDS):
            view: Fields = self.builder.job()
            if view["now"] is None:
                return view
            step = next(one for one in view["steps"] if one["id"] == view["now"])
            self.once(step)
        raise AssertionError(f"the words lead nowhere: {self.builder.log[-6:]}")

    def once(self, step: Fields) -> None:
        guide = self.builder.guide()
        if "Measured at the follower, head off" in guide["sentence"]:
            self.builder.fact(
                kind="skipped", step=step["id"], reason="The head is off; checked at the build."
            )
        elif "push each valve" in guide["sentence"] or step["kind"] in {"room", "valve_to_piston"}:
            self.builder.push_a_valve()
        elif step["kind"] == "correction":
            self.move(step["cam"], guide)
        elif step["kind"] == "stroke":
            self.builder.to_overlap()
        else:
            self.press_or_measure(step)

    def press_or_measure(self, step: Fields) -> None:
        guide = self.builder.guide_with_a_button()
        if guide["button"].startswith("Torqued"):
            self.builder.tighten_torque(step["cam"])
        elif guide["button"].startswith("Nipped"):
            self.builder.pulley(step["cam"], "tighten")
        elif not re.search(r"[Ss]tart|Measure", guide["button"]):
            self.builder.press()
            return
        part = part_in(guide["sentence"]) or step["lobes"][0]["touches"]
        self.builder.touch(part)
        self.builder.press()
        asked = "measure again" in guide["sentence"]  # a lobe still out: how to turn is said once it is begun
        words = self.builder.guide()["sentence"] if asked else guide["sentence"]
        self.builder.hand({"do": "hold", "seconds": 0.4}, *self.turning(words, part))
        self.builder.press_for_a_number()

    def turning(self, words: str, part: str) -> list[Fields]:
        """Turn the crank as the words say."""
        rest = {"do": "hold", "seconds": 0.4}
        if "over the top and back again" in words:
            top = self.tops_deg.get(part, 0.0)
            return [
                {"do": "rock", "crank_deg": top, "half_width_deg": 45.0, "times": 2, "speed_deg_s": 80},
                rest,
            ]
        if "forward over the top four times" in words:
            return [
                *({"do": "turns", "count": 1.0, "speed_deg_s": speed} for speed in (50, 80, 120, 160)),
                rest,
            ]
        if "four full turns" in words:
            turns = [
                {"do": "turns", "count": 2.0, "speed_deg_s": 170},
                {"do": "turns", "count": 2.15, "speed_deg_s": 110},
            ]
            back = (
                [{"do": "turn_by", "by_deg": -60.0, "speed_deg_s": 60}]
                if "back until the gauge has moved" in words
                else []
            )
            return [*turns, *back, rest]
        assert "two full turns" in words, words
        return [{"do": "turns", "count": 2.4, "speed_deg_s": 110}, rest]

    def move(self, cam: str, guide: Fields) -> None:
        self.moves += 1
        said = KEY.search(guide["sentence"])
        if said is None:
            self.builder.correct(cam)
            return
        self.fitted.append(said.group(0))
        by_crank_deg = 2.0 * float(said[1]) * (1 if said[2] == "advance" else -1)
        self.builder.pulley(cam, "slacken")
        self.builder.pulley(cam, "turn_cam", by_deg=by_crank_deg, wait_s=20)
        self.builder.pulley(cam, "tighten")
        self.builder.press()


def begun(builder: Any, scenario: Fields, engine: Fields, tolerance_deg: float, **job: Any) -> Followed:
    """Enter engine and card, begin the job, as the pages do."""
    table = scenario["engine"]
    entry = {"name": table["name"], "stroke_mm": table["stroke_mm"], "rod_mm": table["rod_mm"]} | engine
    card = card_of(scenario["card"], tolerance_deg) | job.pop("card", {})
    kept = [
        builder.post("/api/engines", {"engine": entry, "confirmed": job.pop("confirmed", [])})["id"],
        builder.post("/api/cards", {"card": card})["id"],
    ]
    people = {"reference": "HL-1810", "builder": "Ida Thorne", "customer": "Merrick"}
    body = people | {"engine_id": kept[0], "card_id": kept[1]} | job
    builder.job_id = int(builder.post("/api/jobs", body)["id"])
    return Followed(builder)


def told_beside_the_truth(followed: Followed, cards: dict[str, float], tolerance_deg: float) -> Fields:
    """The job is signed; every lobe that times a cam is within its tolerance in truth, and nothing is warned of."""
    sheet: Fields = followed.builder.get(f"/api/jobs/{followed.builder.job_id}/sheet.json")
    true = followed.builder.truth()["lobes"]
    offs = {part: math.remainder(true[part]["centre_atdc_deg"] - card, 720.0) for part, card in cards.items()}
    told = ", ".join(f"{part} truly {off:+.2f}" for part, off in offs.items())
    print(
        f"\n  {sheet['job']['engine']['name']}: {followed.moves} moves, tolerance {tolerance_deg:g}: {told}"
    )
    assert sheet["signed_by"] == "Ida Thorne"
    assert sheet["result"] == "Every cam is in tolerance."
    assert all(abs(off) <= tolerance_deg for off in offs.values()), offs
    assert sheet["findings"] == []
    assert followed.builder.job()["not_taken"] == []
    return sheet


def signed(followed: Followed) -> Followed:
    followed.to_the_end()
    return followed


def test_a_45_degree_twin_is_timed_and_its_second_cylinder_told_by_its_own_top(
    shop: Callable[..., Any],
) -> None:
    running, builder = shop("hollin_lane_v_twin", 51, {"cam": 3.3})
    engine = {
        "cylinders": ["1", "2"],
        "firing_order": ["1", "2"],
        "firing_intervals_deg": [405.0, 315.0],
        "drive": "gears",
        "cams_in": "block",
        "followers": "solid",
        "cams": [
            {
                "name": "cam",
                "valves": ["inlet", "exhaust"],
                "adjuster": SLOTS,
                "turns_with_crank": False,
            }
        ],
    }
    job = begun(builder, running.scenario, engine, 1.0, cylinders_wanted=["2"])
    signed(job)
    second = 405.0
    cards = {"inlet_1": 104.0, "inlet_2": 104.0 + second, "exhaust_2": second - 106.0}
    sheet = told_beside_the_truth(job, cards, 1.0)
    of_second = [one for one in sheet["measurements"] if one["cylinder"] == "2" and one["what"] == "lobe"]
    assert {one["valve"] for one in of_second} == {"inlet", "exhaust"}
    assert all(abs(one["error_deg"]) < 1.0 for one in of_second), "not 45 early"


def test_a_chain_engine_that_may_not_be_turned_back_is_never_turned_back(shop: Callable[..., Any]) -> None:
    running, builder = shop("hollin_lane_chain", 52, {"cam": 3.4})
    engine = {
        "cylinders": ["1", "2", "3", "4"],
        "firing_order": ["1", "3", "4", "2"],
        "forward_only": True,
        "drive": "chain",
        "cams_in": "head",
        "cams": [{"name": "cam", "valves": ["inlet", "exhaust"], "adjuster": SLOTS}],
    }
    job = begun(builder, running.scenario, engine, 1.5)
    turned: list[Fields] = []
    hand = builder.hand

    def never_back(*moves: Fields, **more: Any) -> Fields:
        assert not any(move.get("by_deg", 0.0) < 0 or move["do"] == "rock" for move in moves), moves
        turned.extend(moves)
        done: Fields = hand(*moves, **more)
        return done

    builder.hand = never_back
    signed(job)
    assert turned
    told_beside_the_truth(job, {"inlet_1": 107.0}, 1.5)
    assert not [
        line for line in builder.log if re.search(r"back again|way back|back until|turn(ed)? back", line)
    ]


def followers(tables: Fields) -> None:
    """The head is off: what the gauge stands on is lifted by the lobe itself."""
    tables["cam"][0]["lobe"][1]["centre_deg"] = -110.0
    for lobe in tables["cam"][0]["lobe"]:
        lobe |= {"rocker_ratio": 1.0, "clearance_mm": 0.0}


def test_a_pushrod_engine_with_offset_keys_is_timed_with_the_gauge_on_the_follower(
    shop: Callable[..., Any],
) -> None:
    running, builder = shop("hollin_lane_single_cam", 53, {"cam": 8.3}, edit=followers)
    keys = {"kind": "keys", "sizes_deg": [1, 2, 3, 4, 5]}
    engine = {
        "cylinders": ["1", "2", "3", "4"],
        "firing_order": ["1", "3", "4", "2"],
        "drive": "chain",
        "cams_in": "block",
        "followers": "solid",
        "cams": [{"name": "cam", "valves": ["inlet", "exhaust"], "adjuster": keys}],
    }
    job = begun(builder, running.scenario, engine, 1.0, plunger_on="follower")
    signed(job)
    assert job.fitted == ["Fit the 4 deg key, fitted to advance"]
    sheet = told_beside_the_truth(job, {"inlet_1": 106.0}, 1.0)
    assert all("head is off" in one["reason"] for one in sheet["departures"])


def two_banks(tables: Fields) -> None:
    """A vee of 90 degrees, six cylinders, each bank with a camshaft of its own."""
    cam = tables["cam"][0]
    cam["lobe"][1]["centre_deg"] = -110.0
    tables["engine"] |= {
        "name": "Brathay V6",
        "firing_order": [1, 4, 2, 5, 3, 6],
        "firing_intervals_deg": [90.0, 150.0] * 3,
    }
    tables["cam"] = [
        cam | {"name": name, "cylinders": served}
        for name, served in (("bank_a", [1, 2, 3]), ("bank_b", [4, 5, 6]))
    ]


def test_a_vee_six_with_a_cam_a_bank_is_timed_on_each_banks_own_top(shop: Callable[..., Any]) -> None:
    late = {"bank_a": 3.1, "bank_b": -2.7}
    running, builder = shop("hollin_lane_single_cam", 54, late, edit=two_banks)
    banks = {bank: [f"{bank}{place}" for place in (1, 2, 3)] for bank in "AB"}
    numbers = {name.lower(): at for at, name in enumerate([*banks["A"], *banks["B"]], 1)}
    builder.simulator = RenamedBench(
        builder.simulator, numbers, {"A camshaft": "bank_a", "B camshaft": "bank_b"}
    )
    engine = {
        "cylinders": [*banks["A"], *banks["B"]],
        "firing_order": ["A1", "B1", "A2", "B2", "A3", "B3"],
        "firing_intervals_deg": [90.0, 150.0] * 3,
        "drive": "belt",
        "cams_in": "head",
        "cams": [
            {
                "name": f"{bank} camshaft",
                "valves": ["inlet", "exhaust"],
                "cylinders": names,
                "adjuster": SLOTS,
            }
            for bank, names in banks.items()
        ],
    }
    job = begun(builder, running.scenario, engine, 1.0)
    job.tops_deg["piston_b1"] = 90.0
    signed(job)
    sheet = told_beside_the_truth(job, {"inlet_1": 106.0, "inlet_4": 106.0 + 90.0}, 1.0)
    assert any(one["what"] == "tdc" and one["cylinder"] == "B1" for one in sheet["measurements"])
