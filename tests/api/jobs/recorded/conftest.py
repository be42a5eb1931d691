"""A shop in this process whose measurements are traces recorded off the simulated bench: whole jobs in seconds.

The traces go through the shop's own import, and from there everything is asked for over HTTP.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from fastapi import FastAPI

from api.archive.importing import import_trace
from api.base import ServiceConfig
from api.measure import LobeAsked, MeasurementAsked, TdcAsked
from api.web import create_app
from simulated_devices.machine import Engine, Hand, Manner
from simulated_devices.scenarios import encoder_of, gauge_of, load_scenario, set_up
from simulated_devices.scenarios.scenario_build import setup_of
from simulated_devices.traces import record

Fields = dict[str, Any]
TARN: Fields = {
    "name": "Tarn 1.8 twin-cam",
    "cylinders": ["1", "2", "3", "4"],
    "firing_order": ["1", "3", "4", "2"],
    "stroke_mm": 80,
    "rod_mm": 135,
    "pin_offset_mm": 0.8,
    "pin_side_known": True,
}
WHINFELL: Fields = {
    "name": "Whinfell 262",
    "way": "full_lift",
    "tolerance_deg": 1.0,
    "inlet": {
        "full_lift_deg": 108,
        "drop_mm": 1.27,
        "lift_mm": 9.4,
        "checking_clearance_mm": 0.25,
        "rocker_ratio": 1.0,
    },
    "exhaust": {
        "full_lift_deg": 112,
        "drop_mm": 1.27,
        "lift_mm": 9.1,
        "checking_clearance_mm": 0.30,
        "rocker_ratio": 1.0,
    },
}


class InProcess:
    """Asks an app in this process, its lifespan kept running in an event loop of its own."""

    def __init__(self, app: FastAPI, portal: BlockingPortal, stack: contextlib.ExitStack) -> None:
        self.app, self.portal = app, portal
        stack.enter_context(portal.wrap_async_context_manager(app.router.lifespan_context(app)))
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 5000))
        self._client = stack.enter_context(
            portal.wrap_async_context_manager(
                httpx.AsyncClient(transport=transport, base_url="http://localhost")
            )
        )

    def request(self, method: str, path: str, **more: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            return await self._client.request(method, path, **more)

        answer: httpx.Response = self.portal.call(ask)
        return answer

    def get(self, path: str) -> httpx.Response:
        return self.request("GET", path)

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self.request("POST", path, **more)


@dataclass
class RecordedShop:
    """A service, asked over HTTP, and a simulated bench that is recorded instead of turned by hand."""

    data: Path
    client: InProcess
    engine: Engine
    job_id: int = 0
    seed: int = 0
    makers: Fields = field(default_factory=dict)
    slipped_deg: float = 0.0  # how far the encoder's coupling has slipped

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, body: Any = None) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.status_code < 300, answer.text
        return answer.json()

    def refused(self, path: str, body: Any, status: int) -> Fields:
        answer = self.client.post(path, json=body)
        assert answer.status_code == status, answer.text
        told: Fields = answer.json()
        assert told["message"].endswith((".", "?"))
        assert "Traceback" not in told["message"]
        return told

    def job(self) -> Fields:
        view: Fields = self.get(f"/api/jobs/{self.job_id}")
        return view

    def fact(self, **what: Any) -> Fields:
        added: Fields = self.post(f"/api/jobs/{self.job_id}/facts", {"what": what})
        return added

    # -- a job

    def begin(self, engine: Fields = TARN, card: Fields = WHINFELL, **entry: Any) -> None:
        engine = engine | self.makers
        layout = None if "cams" in engine else "twin cam"
        kept = self.post("/api/engines", {"layout": layout, "engine": engine})
        card_id = self.post("/api/cards", {"card": card})["id"]
        told = {"reference": "HL-1804", "builder": "Ida Thorne", "customer": "Merrick", "open": False}
        body = told | {"engine_id": kept["id"], "card_id": card_id} | entry
        self.job_id = self.post("/api/jobs", body)["id"]

    def to_the_lobes(self) -> None:
        self.fact(kind="skipped", step="bench_check", reason="The encoder was proved this morning.")
        for valve, clearance in (("inlet", 0.25), ("exhaust", 0.30)):
            self.fact(kind="clearance_noted", cylinder="1", valve=valve, clearance_mm=clearance)
        self.tdc()
        self.tdc()
        self.post(f"/api/jobs/{self.job_id}/stroke", {"crank_deg": self.overlap_tdc_deg})

    @property
    def overlap_tdc_deg(self) -> float:
        return float(-encoder_of(load_scenario("hollin_lane_twin_cam")).zero_deg % 720)

    def correct(self, cam: str, to_late_deg: float) -> None:
        """Decide, move the simulated pulley, nip it up and torque it, measuring after each."""
        self.fact(kind="decided", cam=cam, decision="correct")
        if self.job()["now"] == f"room.{cam}":
            self.drop(cam)
        self.engine = self.engine.with_cam(cam, pulley_deg=to_late_deg)
        self.fact(kind="moved", cam=cam, way="cam_turned")
        self.fact(kind="tightened", cam=cam, to="nipped")
        self.lobe(f"{cam}_1")
        self.fact(kind="tightened", cam=cam, to="torqued", torque_nm=25.0, locking="thread-lock")
        self.lobe(f"{cam}_1")

    def whole_job(self) -> None:
        """From the card to the signature: both cams corrected, one step skipped, a drop for each valve."""
        self.begin()
        self.to_the_lobes()
        for cam in ("inlet", "exhaust"):
            self.lobe(f"{cam}_1")
            self.correct(cam, 0.1)
        for cam in ("inlet", "exhaust"):
            self.lobe(f"{cam}_1")
        self.fact(kind="skipped", step="tdc_again", reason="The block went back on the stand & was <locked>.")
        for valve in ("inlet", "exhaust"):
            self.drop(valve)
        self.post(
            f"/api/jobs/{self.job_id}/sign", {"by": "Ida Thorne", "statement": "As the customer asked."}
        )

    # -- measuring

    def tdc(self) -> Fields:
        motion = Hand(-140.0, Manner(40.0, 0.1), self._chance()).rock(0.0, 50.0, 3, (40.0, 25.0)).done()
        return self._take("piston_1", motion, tdc=TdcAsked(stroke_mm=80, rod_mm=135, pin_offset_mm=0.8))

    def lobe(self, touches: str, back_deg: float = 60.0) -> Fields:
        hand = Hand(-140.0, Manner(40.0, 0.1), self._chance()).turns(2.1, 55.0).turns(2.0, 30.0)
        view = self.job()
        asked = LobeAsked(
            tdc_deg=view["overlap_tdc_deg"],
            tdc_u_deg=view["tdc_u95_deg"] / 2,
            drop_mm=1.27,
            check_lifts_mm=[0.1, 0.3, 1.0, 1.27],
            forward_only=view["job"]["engine"].get("forward_only", False),
        )
        return self._take(touches, hand.by(-back_deg).done(), lobe=asked)

    def _chance(self) -> np.random.Generator:
        self.seed += 1
        return np.random.default_rng([1804, self.seed])

    def _take(self, touches: str, motion: Any, **asked: Any) -> Fields:
        """Record a trace, take it into the shop, give it to the job, and let the job take it in."""
        setup = setup_of(load_scenario("hollin_lane_twin_cam"), motion)
        gauge = gauge_of(load_scenario("hollin_lane_twin_cam").gauge[0])
        mountings = {"dial_a": set_up(gauge, touches, self.engine)}
        encoder = replace(setup.encoder, zero_deg=setup.encoder.zero_deg - self.slipped_deg)
        trace = record(type(setup)(self.engine, motion, encoder, mountings), self._chance())
        path = self.data / f"recorded-{self.seed}.csv"
        rows = "".join(f"{t!r},{channel},{value!r}\n" for t, channel, value in trace.rows())
        path.write_text(f"time_s,channel,value\n{rows}")
        service = self.client.app.state.service
        measurement = import_trace(
            path, MeasurementAsked(touches=touches, gauge="dial_a", **asked), service.shop, self.data
        )
        assert measurement.state == "finished", measurement.sentence
        change = "UPDATE measurements SET job_id = ? WHERE id = ?"
        service.shop.write(lambda db: db.execute(change, (self.job_id, measurement.id)))
        view = self.job()
        assert view["not_taken"] == [], view["not_taken"]
        fact: Fields = view["facts"][-1]["what"]
        assert fact["measurement_id"] == str(measurement.id)
        return fact

    # -- valve to piston, by the simulated metal

    def room_mm(self, valve: str, after_tdc_deg: float, late_deg: float = 0.0) -> float:
        """How far the valve can be pushed on until it meets its piston, the cam later by `late_deg`."""
        name, crank = f"{valve}_1", np.asarray(after_tdc_deg, dtype=float)
        lift = self.engine.valve_lift_mm(name, crank - late_deg)
        return float(self.engine.room_mm(name, crank, lift))

    def least_room_mm(self, valve: str, late_deg: float = 0.0) -> float:
        """The least of it near TDC while the valve is open, by walking."""
        after = np.arange(-60.0, 60.0, 0.05)
        lift = self.engine.valve_lift_mm(f"{valve}_1", after - late_deg)
        room = self.engine.room_mm(f"{valve}_1", after, lift)
        return float(room[lift > 0.05].min())

    def drop_entry(self, valve: str) -> Fields:
        at_deg = {"inlet": 10.0, "exhaust": -10.0}[valve]
        stem = {"inlet": 18.0, "exhaust": 20.0}[valve]
        travel = round(self.room_mm(valve, at_deg), 2)
        return {
            "valve": valve,
            "drop_mm": travel,
            "at_deg": at_deg,
            "valve_angle_deg": stem,
            "crown": "pocket",
        }

    def drop(self, valve: str) -> Fields:
        view: Fields = self.post(f"/api/jobs/{self.job_id}/drops", self.drop_entry(valve))
        return view


Started = Callable[..., RecordedShop]


@pytest.fixture(scope="package")
def portal() -> Iterator[BlockingPortal]:
    with start_blocking_portal() as portal:
        yield portal


@contextlib.contextmanager
def starting(portal: BlockingPortal, folders: pytest.TempPathFactory) -> Iterator[Started]:
    """Start shops, and end them all at the end: each that runs on follows its bench many times a second."""
    with contextlib.ExitStack() as stack:

        def start(
            inlet: float = 3.4, exhaust: float = -2.6, data: Path | None = None, **makers: Any
        ) -> RecordedShop:
            data = data or folders.mktemp("shop")
            app = create_app(ServiceConfig(data))
            client = InProcess(app, portal, stack)
            engine = setup_of(load_scenario("hollin_lane_twin_cam"), Hand().pause(1.0).done()).engine
            engine = engine.with_cam("inlet", pulley_deg=inlet).with_cam("exhaust", pulley_deg=exhaust)
            return RecordedShop(data, client, engine, makers=makers)

        yield start


@pytest.fixture(scope="module")
def recorded(portal: BlockingPortal, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Started]:
    """Start shops: ``recorded(inlet=3.4, exhaust=-2.6, **makers)``, cams late by so much."""
    with starting(portal, tmp_path_factory) as start:
        yield start


@pytest.fixture(scope="package")
def signed(portal: BlockingPortal, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RecordedShop]:
    """A shop with one job that went from the card to the signature."""
    with starting(portal, tmp_path_factory) as start:
        shop = start()
        shop.whole_job()
        yield shop
