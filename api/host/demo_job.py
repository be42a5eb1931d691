"""The demo's builder: a job from the bench check to the signed sheet, and finished jobs beside it."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import tempfile
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from api.base import ServiceError
from api.host.asking_json import Address
from api.host.asking_service import send_file
from api.host.builder import Builder, BuilderGaveUp, HandedOver
from api.host.demo_script import LOOK_S, wait_for_bench
from api.host.holding import end_child
from api.host.whole_job import begin_job, do_the_job

log = logging.getLogger("lobewright.demo")
Fields = dict[str, Any]
FIRST_REFERENCE = 1804
OWN_HANDS = (("Hands", "builder"),)
ENDS_WITHIN_S = 3.0
MOST_STUMBLES = 12
LOOK_AGAIN_S = 1.0


@dataclass
class DemoJob:
    """Begins a job on the simulated bench and does all of it, unless a visitor takes the crank.

    Attributes
    ----------
    control
        Address of the simulator's control page.
    gauge
        The gauge used.
    people
        Builder and customer, as the job is entered.
    cams
        The engine's cams as they are entered.
    beside
        What is done beside it, once the pages are up.
    """

    control: str
    gauge: str
    people: Fields
    cams: list[Fields]
    tolerance_deg: float = 1.0
    beside: FinishedJobs | None = None
    _stop: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self, address: str) -> None:
        """Begin, with the pages at `address`."""
        self._thread = threading.Thread(target=self._run, args=(address,), name="demo-job", daemon=True)
        self._thread.start()
        if self.beside is not None:
            self.beside.start(address)

    def stop(self) -> None:
        """Let go."""
        self._stop.set()
        if self.beside is not None:
            self.beside.stop()

    def _run(self, address: str) -> None:
        builder = Builder(Address(address), Address(self.control, OWN_HANDS), self.gauge, stopped=self._stop)
        try:
            wait_for_bench(builder.service, self._stop)
            count = len(builder.get("/api/jobs?limit=1000"))
            begin_job(
                builder,
                {"reference": f"HL-{FIRST_REFERENCE + count}", **self.people},
                self.cams,
                self.tolerance_deg,
            )
            builder.simulator.post("/builder", {"do": "begin"})
            try:
                self._work(builder)
            finally:
                builder.simulator.post("/builder", {"do": "end"})
        except (OSError, KeyError, ValueError, BuilderGaveUp) as error:
            if not self._stop.wait(LOOK_S):  # the pages may just be ending
                log.warning("the builder stands aside: %s; the bench is yours", error)

    def _work(self, builder: Builder) -> None:
        """Do the job; while a visitor has the crank, wait until he gives it back.

        What a visitor did on the pages meanwhile may stop a step short: then the job is looked at anew.
        """
        stumbles = 0
        while not self._stop.is_set():
            try:
                do_the_job(builder, self.people["builder"])
            except HandedOver:
                self._wait_for_the_crank(builder)
            except (OSError, BuilderGaveUp) as error:
                stumbles += 1
                if stumbles > MOST_STUMBLES:
                    raise
                log.info("looks at the job anew: %s", error)
                self._stop.wait(LOOK_AGAIN_S)
            else:
                return

    def _handed_over(self, builder: Builder) -> bool:
        return bool(builder.simulator.get("/state")["builder"]["mode"] == "visitor")

    def _wait_for_the_crank(self, builder: Builder) -> None:
        while not self._stop.wait(LOOK_S) and self._handed_over(builder):
            pass


class FinishedJobs:
    """Jobs of the shop that were done before, made by a process of their own while the pages are up.

    Parameters
    ----------
    make
        Words of the command that writes job files into the folder named after them, each whole.
    """

    def __init__(self, make: list[str]) -> None:
        self._make = make
        self._stop = threading.Event()
        self._thread = threading.Thread(target=lambda: None)

    def start(self, address: str) -> None:
        """Begin to make them, for the service at `address`."""
        self._thread = threading.Thread(target=self._run, args=(address,), name="finished-jobs", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Leave off, and leave nothing behind."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(2 * ENDS_WITHIN_S)

    def _run(self, address: str) -> None:
        with tempfile.TemporaryDirectory(prefix="lobewright-demo-jobs-") as folder:
            command = [sys.executable, "-m", "api", *self._make, folder]
            child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, start_new_session=True, env=_gently(folder)
            )
            try:
                self._send(child, Path(folder), address)
            except (OSError, ServiceError) as error:
                if not self._stop.wait(LOOK_S):
                    log.warning("the finished jobs of the demo's shop could not be made: %s", error)
            finally:
                end_child(child, ENDS_WITHIN_S)

    def _send(self, child: subprocess.Popen[bytes], folder: Path, address: str) -> None:
        """Give every file to the service as soon as it is there."""
        ended = False
        while not ended and not self._stop.wait(LOOK_S):
            ended = child.poll() is not None
            for path in sorted(folder.glob("*-job.zip")):
                send_file(f"{address}/api/jobs/from_file", path, {})
                path.unlink()


def _gently(folder: str) -> dict[str, str]:
    """Give the environment of a process that leaves the processor to those that serve, and nothing behind."""
    return {
        **os.environ,
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "TMPDIR": folder,
        "TEMP": folder,
    }
