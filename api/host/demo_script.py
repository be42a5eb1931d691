"""The demo's hands where three measurements are all they make: gauge, start and finish, crank, over HTTP."""

from __future__ import annotations

import logging
import threading
import time
from typing import Any

from api.host.asking_json import Address, Asking

log = logging.getLogger("lobewright.demo")
WAIT_S = 20.0
LONGEST_STEP_S = 300.0
SETTLE_S = 1.2
LOOK_S = 0.2
TRIES = 3
Fields = dict[str, Any]


class DemoScript:
    """Carries out the steps of a scenario as a builder would, each with its measurement.

    Parameters
    ----------
    control
        Address of the simulator's control page.
    steps
        For each step its name and what each gauge is set on, such as ``("tdc", {"dial_a": "piston_1"})``.
    """

    def __init__(self, control: str, steps: list[tuple[str, dict[str, str]]]) -> None:
        self._web = Address("")
        self._control = Address(control)
        self._steps = steps
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="demo-script", daemon=True)

    def start(self, address: str) -> None:
        """Begin, with the pages at `address`."""
        self._web = Address(address)
        self._thread.start()

    def stop(self) -> None:
        """Let go."""
        self._stop.set()

    def _run(self) -> None:
        try:
            wait_for_bench(self._web, self._stop)
            for name, gauges in self._steps:
                for gauge, touches in gauges.items():
                    self._measure(name, gauge, touches)
        except (OSError, KeyError, ValueError) as error:
            if not self._stop.wait(LOOK_S):  # the pages may just be ending
                log.warning("the scripted start was given up: %s; the bench is yours", error)

    def _measure(self, step: str, gauge: str, touches: str) -> None:
        """Measure; again, as the sentence of a refusal asks, where the readings carried no number."""
        for _ in range(TRIES):
            ended = self._measure_once(step, gauge, touches)
            if ended is None:
                return
            log.info("%s: %s", touches, ended["sentence"])
            if ended["state"] != "refused":
                return

    def _measure_once(self, step: str, gauge: str, touches: str) -> Fields | None:
        """Set the gauge, start, let the hand do its step, finish; `None` where it was not finished."""
        self._control.post("/gauge", {"gauge": gauge, "onto": touches})
        self._settle()
        begun = self._web.post("/api/measurements", {"touches": touches, "gauge": gauge})
        self._control.post("/script", {"step": step})
        if not self._hand_rests(step):
            return None
        self._settle()
        ended: Fields = self._web.post(f"/api/measurements/{begun['id']}/finish", {})
        return ended

    def _settle(self) -> None:
        """Let the gauge come to rest: a moment of the bench's time, which need not be this machine's."""
        self._control.post("/hand", {"moves": [{"do": "hold", "seconds": SETTLE_S}], "wait_s": WAIT_S / 2})

    def _hand_rests(self, step: str) -> bool:
        """Wait for the step to end; `False` where the visitor took the crank, or it is time to stop."""
        deadline = time.monotonic() + LONGEST_STEP_S
        while time.monotonic() < deadline and not self._stop.wait(LOOK_S):
            script = self._control.get("/state")["script"]
            if not script["running"]:
                return step in script["done"]
        return False


def wait_for_bench(web: Asking, stop: threading.Event) -> None:
    """Wait until every instrument is read, or it is time to stop."""
    deadline = time.monotonic() + WAIT_S
    while time.monotonic() < deadline and not stop.wait(LOOK_S):
        try:
            channels = web.get("/api/bench")["health"]["channels"]
        except (OSError, ValueError):
            continue
        if channels and all(channel["state"] == "online" for channel in channels):
            return
