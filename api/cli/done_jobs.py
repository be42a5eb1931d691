"""Finished jobs of the demo's shop: done on recorded traces by the procedure itself, and written as job files."""

from __future__ import annotations

import asyncio
import json
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from api.archive import MARK, import_trace
from api.base import (
    CardEntry,
    DropEntry,
    EngineEntry,
    FactEntry,
    JobEntry,
    JobView,
    ServiceConfig,
    SignEntry,
    StepView,
)
from api.host import card_of, engine_of
from api.measure import LobeAsked, MeasurementAsked, TdcAsked
from api.service import Service
from api.web.routes import job_file

Fields = dict[str, Any]
MOST_ROUNDS = 40
DROP_AT_DEG = {"inlet": 10.0, "exhaust": -10.0}
CHECK_LIFTS_MM = [0.1, 0.3, 1.0, 1.27]
SLOTS = {"kind": "slots", "bolt_circle_radius_mm": 38.0, "slot_each_way_cam_deg": 6.0}


class Recorded(Protocol):
    """A bench that gives whole traces."""

    gauge: str

    @property
    def overlap_tdc_deg(self) -> float:
        """Overlap TDC in the counter's degrees."""

    def turn_cam(self, name: str, by_deg: float) -> None:
        """Turn a cam, later when positive."""

    def room_mm(self, valve: str, after_tdc_deg: float) -> float:
        """How far a valve can be pushed on."""

    def trace(self, touches: str, *, forward_only: bool = False) -> str:
        """A trace file's text."""


TOOTH_OUT = "A tooth out: the chain was lifted with every piston half-way down; checked as it stands, below."


@dataclass(frozen=True)
class DoneJob:
    """One job that was done: on which scenario's engine, for whom, and what was peculiar to it."""

    scenario: str
    seed: int
    entry: Fields
    engine: Fields
    statement: str
    tooth_deg: float = 0.0
    """Crank degrees that one tooth of the cam's gear makes, where it is moved by teeth."""


DONE_JOBS = (
    DoneJob(
        "hollin_lane_single_cam",
        1790,
        {"reference": "HL-1790", "customer": "Brackenhurst", "single_cam_aim": "share"},
        {"cams": [{"name": "cam", "valves": ["inlet", "exhaust"], "adjuster": SLOTS}]},
        "Ground with the wrong separation; the error is shared between inlet and exhaust.",
    ),
    DoneJob(
        "hollin_lane_v_twin",
        1795,
        {"reference": "HL-1795", "customer": "Oskar Lindqvist", "cylinders_wanted": ["2"]},
        {"cams": [{"name": "cam", "valves": ["inlet", "exhaust"], "turns_with_crank": False}]},
        "On its card as found; both cylinders measured.",
    ),
    DoneJob(
        "hollin_lane_chain",
        1799,
        {"reference": "HL-1799", "customer": "Farrow & Daughter"},
        {
            "cams": [
                {
                    "name": "cam",
                    "valves": ["inlet", "exhaust"],
                    "adjuster": {"kind": "teeth", "gear_teeth": 36},
                }
            ],
            "forward_only": True,
        },
        "The chain had been fitted one tooth out.",
        tooth_deg=20.0,
    ),
)


def write_done_job(done: DoneJob, scenario: Fields, bench: Recorded, folder: Path) -> Path:
    """Do a job on a bench that is recorded, and write it as a job file into `folder`, whole."""
    return asyncio.run(_write(done, scenario, bench, folder))


async def _write(done: DoneJob, scenario: Fields, bench: Recorded, folder: Path) -> Path:
    with tempfile.TemporaryDirectory(prefix="lobewright-done-") as data:
        service = Service(ServiceConfig(Path(data)))
        try:
            builder = _Recording(done, scenario, bench, service, Path(data))
            number = await builder.do()
            name, made = await job_file(service, number)
        finally:
            service.shop.close()
        part = folder / f"{name}.new"
        shutil.move(made, part)
        return part.replace(folder / name)


class _Recording:
    """Does what the job wants, step by step, with a trace where it is measured."""

    def __init__(
        self, done: DoneJob, scenario: Fields, bench: Recorded, service: Service, data: Path
    ) -> None:
        self._done, self._scenario, self._bench = done, scenario, bench
        self._service, self._job_service, self._data = service, service.job_service, data
        self._job_id = 0
        self._traces = 0

    async def do(self) -> int:
        """Give the number of the job, signed."""
        engine = engine_of(self._scenario["engine"], []) | self._done.engine
        card = self._scenario["card"]
        kept = await self._job_service.on_file.engines.keep(EngineEntry(engine=engine))
        held = await self._job_service.on_file.cards.keep(
            CardEntry(card=card_of(card, card["tolerance_deg"]))
        )
        entry = {"engine_id": kept.id, "card_id": held.id, "builder": "Ida Thorne", "open": False}
        view = await self._job_service.begin(JobEntry.model_validate(entry | self._done.entry))
        self._job_id = view.id
        for _ in range(MOST_ROUNDS):
            if view.now is None:
                return view.id
            await self._step(next(step for step in view.steps if step.id == view.now), view)
            view = await self._job_service.view(view.id)
        raise RuntimeError(f"{self._done.scenario} stopped at {view.now}")

    async def _step(self, step: StepView, view: JobView) -> None:
        """Do the one step that is due, as hands at a bench would."""
        if step.measures and step.kind != "bench_check":
            await self._measure(step, view)
            return
        match step.kind:
            case "bench_check":
                await self._fact(kind="bench_checked", by_hand=True)
            case "clearances":
                for valve in ("inlet", "exhaust"):
                    await self._fact(
                        kind="clearance_noted",
                        cylinder="1",
                        valve=valve,
                        clearance_mm=self._scenario["card"][f"{valve}_clearance_mm"],
                    )
            case "stroke":
                seen = {"overlap_tdc_deg": self._bench.overlap_tdc_deg, "how": "seen by the builder"}
                await self._fact(kind="stroke_found", **seen)
            case "verdict":
                decision = "leave" if _call(view, step.cam) == "in" else "correct"
                await self._fact(kind="decided", cam=step.cam, decision=decision)
            case "correction":
                await self._correct(step, view)
            case "room" if self._done.tooth_deg:
                await self._fact(kind="skipped", step=step.id, reason=TOOTH_OUT)
            case "valve_to_piston" | "room":
                for valve, at_deg in DROP_AT_DEG.items():
                    travel = round(self._bench.room_mm(f"{valve}_1", at_deg), 2)
                    drop = DropEntry.model_validate({"valve": valve, "drop_mm": travel, "at_deg": at_deg})
                    await self._job_service.drop(self._job_id, drop)
            case _:
                await self._job_service.sign(
                    self._job_id, SignEntry(by="Ida Thorne", statement=self._done.statement)
                )

    async def _fact(self, **what: Any) -> None:
        await self._job_service.add_fact(self._job_id, FactEntry.model_validate({"what": what}))

    async def _correct(self, step: StepView, view: JobView) -> None:
        """Move it by what was measured, or by the whole teeth nearest to that."""
        wanted = next(cam for cam in view.cams if cam.cam == step.cam).to_make_deg or 0.0
        tooth = self._done.tooth_deg
        moved = round(wanted / tooth) * tooth if tooth else wanted
        self._bench.turn_cam(step.cam, moved)
        way = "tooth" if tooth else "cam_turned"
        await self._fact(kind="moved", cam=step.cam, way=way, asked_deg=moved)

    async def _measure(self, step: StepView, view: JobView) -> None:
        if step.kind in {"nipped", "torqued"}:
            await self._fact(kind="tightened", cam=step.cam, to=step.kind)
        if step.measures == "tdc":
            await self._take(f"piston_{step.cylinder}", tdc=self._tdc_asked())
            return
        asked = LobeAsked(
            tdc_deg=view.overlap_tdc_deg or 0.0,
            tdc_u_deg=(view.tdc_u95_deg or 0.0) / 2,
            drop_mm=self._scenario["card"]["drop_mm"],
            check_lifts_mm=CHECK_LIFTS_MM,
            forward_only=self._forward_only,
        )
        for lobe in step.lobes:
            await self._take(lobe.touches, lobe=asked)

    @property
    def _forward_only(self) -> bool:
        return bool(self._done.engine.get("forward_only"))

    def _tdc_asked(self) -> TdcAsked:
        engine = self._scenario["engine"]
        return TdcAsked(
            stroke_mm=engine["stroke_mm"], rod_mm=engine["rod_mm"], pin_offset_mm=engine["pin_offset_mm"]
        )

    async def _take(self, touches: str, **asked: Any) -> None:
        """Record a trace and take it into the job; refused, it is a fault of ours and told."""
        self._traces += 1
        path = self._data / f"recorded-{self._traces}.csv"
        stated = {"settings": {"encoder_error_deg": self._scenario["encoder"]["error_deg"]}}
        trace = self._bench.trace(touches, forward_only=self._forward_only)
        path.write_text(f"{MARK}{json.dumps(stated)}\n{trace}", encoding="utf-8")
        wanted = MeasurementAsked(touches=touches, gauge=self._bench.gauge, **asked)
        measured = import_trace(path, wanted, self._service.shop, self._data, self._job_id)
        path.unlink()
        if measured.state != "finished":
            raise RuntimeError(f"{self._done.scenario}, {touches}: {measured.sentence}")


def _call(view: JobView, cam: str) -> str:
    verdict = next(one for one in view.cams if one.cam == cam).verdict
    return "" if verdict is None else verdict.call
