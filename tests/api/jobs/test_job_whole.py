"""The whole job on the simulated bench: through ptys, processes and HTTP, from the card to the signed sheet."""

from __future__ import annotations

import json
import math
import random
import subprocess
import zipfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import groupby
from pathlib import Path
from typing import Any

import httpx
import pytest
from waiting import LOBEWRIGHT

from api.host import begin_job, cam_of

Fields = dict[str, Any]
AIM_DEG = 0.25
"""One step of an inch gauge, 0.0127 mm, where a flank gives 0.05 mm a degree."""
TORQUE_SHIFT_DEG = 0.8
TWIN_CAM = [("inlet", ["inlet"]), ("exhaust", ["exhaust"])]

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


def begin(builder: Any, cams: list[tuple[str, list[str]]], tolerance_deg: float) -> None:
    people = {"reference": "HL-1804", "builder": "Ida Thorne", "customer": "Merrick"}
    begin_job(builder, people, [cam_of(*cam) for cam in cams], tolerance_deg)


def to_the_lobes(builder: Any) -> None:
    builder.bench_check()
    builder.tdc()
    builder.tdc()
    builder.to_overlap()


def off_the_card_deg(builder: Any, valve: str, card_deg: float) -> float:
    """How far a lobe truly stands from its card, late positive."""
    true = builder.truth()["lobes"][f"{valve}_1"]["centre_atdc_deg"]
    wanted = card_deg if valve == "inlet" else -card_deg
    return float((true - wanted + 360.0) % 720.0 - 360.0)


def assert_on_its_card(builder: Any, valve: str, card_deg: float) -> None:
    """One move brought the cam to its card, in truth: as near as it was measured and as the gauge can lead it.

    Three standard uncertainties of the measurement, and a step of the gauge where a flank is least steep: the number
    that follows, nipped up, says what it became.
    """
    measured = builder.get(f"/api/jobs/{builder.job_id}/sheet.json")["measurements"]
    u95 = next(one["u95_deg"] for one in reversed(measured) if one["valve"] == valve)
    assert abs(off_the_card_deg(builder, valve, card_deg)) <= 1.5 * u95 + AIM_DEG


def prove_what_is_left(builder: Any) -> None:
    """Measure what the job still wants before valve to piston."""
    while (now := builder.job()["now"]) not in {"valve_to_piston", "sign_off"}:
        if now == "tdc_again":
            builder.tdc()
        else:
            builder.lobe(f"{now.split('.')[1]}_1")


def test_a_twin_cam_engine_is_timed_from_card_to_signed_sheet(shop: Callable[..., Any]) -> None:
    chance = random.Random(1804)
    wrong = {"inlet": chance.uniform(3, 6), "exhaust": -chance.uniform(3, 6)}
    running, builder = shop("hollin_lane_twin_cam", 41, wrong)
    table = running.scenario["card"]
    cards = {"inlet": table["inlet_atdc_deg"], "exhaust": table["exhaust_btdc_deg"]}
    assert cards["inlet"] != cards["exhaust"]
    begin(builder, TWIN_CAM, tolerance_deg=0.5)
    builder.way["exhaust"] = "crank_turned"
    builder.torque_shift_deg["exhaust"] = [-TORQUE_SHIFT_DEG]
    to_the_lobes(builder)

    builder.lobe("inlet_1")
    builder.press()
    builder.correct("inlet")
    assert_on_its_card(builder, "inlet", cards["inlet"])
    builder.lobe("inlet_1")
    builder.tighten_torque("inlet")
    builder.lobe("inlet_1")

    builder.lobe("exhaust_1")
    builder.press()
    builder.correct("exhaust")
    assert_on_its_card(builder, "exhaust", cards["exhaust"])
    builder.lobe("exhaust_1")
    builder.tighten_torque("exhaust")
    builder.lobe("exhaust_1")

    caught = builder.job()
    assert caught["now"] == "torqued.exhaust"
    assert any(one["code"] == "tightening_moved" for one in caught["findings"]), caught["findings"]
    refused = builder.shop.post(f"/api/jobs/{builder.job_id}/sign", json={"by": "Ida Thorne"})
    assert refused.status_code == 409

    builder.press()
    builder.correct("exhaust")
    builder.lobe("exhaust_1")
    builder.tighten_torque("exhaust")
    builder.lobe("exhaust_1")
    prove_what_is_left(builder)
    for valve, at_deg in (("inlet", 10), ("exhaust", -10)):
        builder.post(f"/api/jobs/{builder.job_id}/drops", {"valve": valve, "drop_mm": 3.2, "at_deg": at_deg})
    builder.post(f"/api/jobs/{builder.job_id}/sign", {"by": "Ida Thorne"})

    for valve, card_deg in cards.items():
        assert_on_its_card(builder, valve, card_deg)
    assert_the_sheet_tells_what_torque_did(builder)


def assert_the_sheet_tells_what_torque_did(builder: Any) -> None:
    """The exhaust cam, moved as it was torqued and corrected once more, stage by stage on a signed sheet."""
    sheet = builder.get(f"/api/jobs/{builder.job_id}/sheet.json")
    assert sheet["result"] == "Every cam is in tolerance."
    assert sheet["signed_by"] == "Ida Thorne"
    stages = groupby(one["stage"] for one in sheet["measurements"] if one["valve"] == "exhaust")
    told = [stage for stage, _ in stages]  # a stage is measured again where the first could not tell
    assert told == ["as found", "nipped up", "torqued", "nipped up", "torqued"]
    out = next(
        one for one in sheet["measurements"] if one["valve"] == "exhaust" and one["stage"] == "torqued"
    )
    before = next(
        one for one in sheet["measurements"] if one["valve"] == "exhaust" and one["stage"] == "nipped up"
    )
    assert out["error_deg"] - before["error_deg"] == pytest.approx(
        TORQUE_SHIFT_DEG, abs=out["u95_deg"] + before["u95_deg"]
    )
    pdf = builder.shop.get(f"/api/jobs/{builder.job_id}/sheet.pdf")
    assert pdf.content.startswith(b"%PDF")


def test_a_single_cam_ground_wrong_is_timed_and_the_sheet_says_what_cannot_be_cured(
    shop: Callable[..., Any],
) -> None:
    running, builder = shop("hollin_lane_single_cam", 42, {"cam": random.Random(1303).uniform(3, 6)})
    table = running.scenario["card"]
    begin(builder, [("cam", ["inlet", "exhaust"])], tolerance_deg=1.0)
    to_the_lobes(builder)

    builder.lobe("inlet_1")
    assert_two_screens_finish_one_measurement_once(builder)
    builder.press()
    builder.correct("cam")
    assert_on_its_card(builder, "inlet", table["inlet_atdc_deg"])
    builder.lobe("inlet_1")
    builder.lobe("exhaust_1")
    builder.tighten_torque("cam")
    builder.lobe("inlet_1")
    builder.lobe("exhaust_1")
    prove_what_is_left(builder)
    for valve, at_deg in (("inlet", 10), ("exhaust", -10)):
        builder.post(f"/api/jobs/{builder.job_id}/drops", {"valve": valve, "drop_mm": 3.5, "at_deg": at_deg})
    builder.post(f"/api/jobs/{builder.job_id}/sign", {"by": "Ida Thorne"})

    left_cam_deg = true_separation_error_cam_deg(builder, table)
    assert abs(left_cam_deg) > 1.0, "the grinder left something that is worth telling"
    sheet = builder.get(f"/api/jobs/{builder.job_id}/sheet.json")
    told = sheet["standings"][0]["separation_error_cam_deg"]
    last = {one["valve"]: one["u95_deg"] for one in sheet["measurements"] if one["what"] == "lobe"}
    assert told == pytest.approx(left_cam_deg, abs=1.5 * math.hypot(*last.values()) / 2)
    words = sheet["cams"][0]["cannot_be_cured"]
    assert f"{abs(told):.1f}" in words
    assert ("wider" if left_cam_deg > 0 else "narrower") in words
    assert_the_job_shows_the_same_sheet_in_another_shop(builder, running.data, running.data.parent)


def assert_the_job_shows_the_same_sheet_in_another_shop(builder: Any, data: Path, folder: Path) -> None:
    """Take it out of the service that runs, into a new shop, and out of that again, by command."""

    def call(*words: str | Path) -> Path:
        command = [*LOBEWRIGHT, *words]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return Path(done.stdout.strip())

    first = call("export", "--job", str(builder.job_id), "--to", folder / "first", "--data", data)
    call("import", first, "--data", folder / "another")
    second = call("export", "--job", "1", "--to", folder / "second", "--data", folder / "another")
    before, after = (sheet_in(path) for path in (first, second))
    assert after == before
    assert before["signed_by"] == "Ida Thorne"


def sheet_in(job_file: Path) -> Fields:
    """The sheet in a job file, without the numbers that a shop gives."""
    with zipfile.ZipFile(job_file) as file:
        sheet: Fields = json.loads(file.read("sheet.json"))
    for name in ("made_at", "job_id"):
        sheet.pop(name)
    for one in (*sheet["measurements"], *(fact["what"] for fact in sheet["facts"])):
        one.pop("measurement_id", None)
    return sheet


def true_separation_error_cam_deg(builder: Any, table: Fields) -> float:
    inlet = off_the_card_deg(builder, "inlet", table["inlet_atdc_deg"])
    exhaust = off_the_card_deg(builder, "exhaust", table["exhaust_btdc_deg"])
    return (inlet - exhaust) / 2


def assert_two_screens_finish_one_measurement_once(builder: Any) -> None:
    """Measure the exhaust lobe; two screens finish it at once, and meanwhile the job cannot be deleted."""
    builder.touch("exhaust_1")
    builder.press()
    builder.hand({"do": "turns", "count": 2.1, "speed_deg_s": 90.0})
    refused = builder.shop.delete(f"/api/jobs/{builder.job_id}")
    assert (refused.status_code, refused.json()["code"]) == (409, "job_being_measured")
    number = builder.job()["measurement"]["id"]
    finish = f"{builder.shop.base_url}/api/measurements/{number}/finish"
    with ThreadPoolExecutor(2) as screens:
        answers = list(screens.map(lambda _: httpx.post(finish, timeout=60), range(2)))
    assert sorted(answer.status_code for answer in answers) == [200, 409]
    lost = next(answer for answer in answers if answer.status_code == 409).json()
    assert lost["message"].endswith(".")
    kept = [one for one in builder.job()["facts"] if one["what"].get("measurement_id") == str(number)]
    assert len(kept) == 1


@pytest.mark.two
def test_a_short_job_in_this_machines_time_tells_numbers_within_their_intervals_or_refuses(
    shop: Callable[..., Any],
) -> None:
    """However busy the machine is: no number further off than three standard uncertainties, no refusal without a word."""
    _, builder = shop("hollin_lane_twin_cam", 44, {"inlet": 2.0, "exhaust": -2.0}, own_time=False)
    begin(builder, TWIN_CAM, tolerance_deg=0.5)
    builder.fact(kind="skipped", step="bench_check", reason="Proved an hour ago.")
    builder.press()
    builder.tdc()
    builder.tdc()
    ended = builder.get("/api/measurements")["measurements"]
    assert len(ended) == 2
    for one in ended:
        if one["state"] == "refused":
            assert one["sentence"].endswith(".")
            continue
        off_deg = math.remainder(one["result"]["centre_deg"] - builder.truth()["tdc_encoder_deg"], 360.0)
        assert abs(off_deg) <= 1.5 * one["result"]["u95_deg"], one["result"]  # u95 is two of them
