"""The live bench: engine, hand and instruments of a scenario, each instrument on its own wire.

`LiveBench` starts and stops them, carries out what it is told (`simulated_devices.commands` understands the
words), and tells its state and the truth as plain data.
"""

from __future__ import annotations

import threading
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from simulated_devices.live.builder_state import BuilderState
from simulated_devices.live.live_hand import LiveHand
from simulated_devices.live.live_line import Asking, CrankLiveLine, GaugeLiveLine, LiveLine
from simulated_devices.live.world import World
from simulated_devices.machine import (
    CommandError,
    EncoderDevice,
    Engine,
    Face,
    MachineClock,
    Move,
    RoundPart,
    SimulatorError,
)
from simulated_devices.scenarios import (
    Scenario,
    StepTable,
    encoder_of,
    engine_of,
    gauge_of,
    manner_of,
    set_up,
)
from simulated_devices.wire import CrankLine, GaugeLine, JournalledLine, port_names, simulated_line

_POLL_S = 0.02


class LiveBench:
    """A whole bench on pseudo-terminals, or on TCP ports.

    Parameters
    ----------
    links : Path
        Folder for the stable links (``crank`` and the gauges' names) and the journals (``NAME.journal``).
    journals : bool
        Whether accepted lines are written down.
    clock : MachineClock, optional
        The time that it lives in.
    first_tcp_port : int, optional
        Instruments are on TCP ports from this one on; needed where there are no pseudo-terminals.
    """

    def __init__(
        self,
        scenario: Scenario,
        links: Path,
        *,
        journals: bool = True,
        clock: MachineClock | None = None,
        first_tcp_port: int | None = None,
    ) -> None:
        self.scenario = scenario
        self.ports = port_names(scenario.channels, links, first_tcp_port)
        self.clock = clock or MachineClock()
        self.links = links
        self._made_links = not links.exists()
        try:
            links.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise SimulatorError(
                f"{links} cannot be made: {error.strerror}; choose another --links folder"
            ) from error
        seeds = np.random.SeedSequence(scenario.seed).spawn(3 + len(scenario.gauge))
        self.chance = np.random.default_rng(seeds[2])
        hand = LiveHand(scenario.hand.start_deg, manner_of(scenario), np.random.default_rng(seeds[0]))
        now = self.clock.now_s()
        self.engine = engine_of(scenario)
        self.world = World(self.engine, hand, now)
        self.crank = CrankLiveLine(
            self._port("crank", journals),
            self.world,
            np.random.default_rng(seeds[1]),
            self.clock,
            device=EncoderDevice(encoder_of(scenario), now),
            speak=CrankLine(scenario.encoder.frame, scenario.encoder.template),
        )
        self.gauges: dict[str, GaugeLiveLine] = {}
        for table, seed in zip(scenario.gauge, seeds[3:], strict=True):
            gauge = gauge_of(table)
            line = GaugeLiveLine(
                table.name,
                self._port(table.name, journals),
                self.world,
                np.random.default_rng(seed),
                self.clock,
                speak=GaugeLine(gauge, table.frame, table.tag, table.template),
                asking=_asking(table.request, table.answers_after_s),
            )
            line.mounting = set_up(gauge, table.onto, self.engine)
            self.gauges[table.name] = line
        self.script = Script(self)
        self.builder = BuilderState()

    def _port(self, name: str, journals: bool) -> JournalledLine:
        journal = self.links / f"{name}.journal" if journals else None
        return simulated_line(self.ports[name], journal, self.clock)

    @property
    def lines(self) -> dict[str, LiveLine]:
        """Every wire by channel name."""
        return {"crank": self.crank, **self.gauges}

    def start(self) -> None:
        """Plug everything in."""
        for line in self.lines.values():
            line.start()

    def stop(self) -> None:
        """Fall silent, take the links away, and the folder if it was made for them and is empty."""
        self.script.stop()
        for line in self.lines.values():
            line.stop()
        if self._made_links and self.links.is_dir() and not any(self.links.iterdir()):
            self.links.rmdir()

    def line(self, channel: str) -> LiveLine:
        """A wire by channel name."""
        if channel not in self.lines:
            raise CommandError(f"there is no channel {channel!r}; this bench has {', '.join(self.lines)}")
        return self.lines[channel]

    def gauge(self, name: str) -> GaugeLiveLine:
        """A gauge's wire by name."""
        if name not in self.gauges:
            raise CommandError(
                f"there is no gauge {name!r}; this bench has {', '.join(self.gauges) or 'none'}"
            )
        return self.gauges[name]

    def set_gauge(self, name: str, onto: str) -> None:
        """See that a gauge is on something; one that is there already is not taken off again."""
        mounting = self.gauge(name).mounting
        if mounting is None or mounting.touches != onto:
            self.move_gauge(name, onto)

    def move_gauge(self, name: str, onto: str) -> None:
        """Set a gauge up on something else."""
        line = self.gauge(name)
        line.move_onto(set_up(line.gauge, self.world.checked_target(onto), self.engine))

    def follow(self) -> None:
        """Let every gauge have seen the world as it was until now, before something is changed at a stroke."""
        for gauge in self.gauges.values():
            gauge.follow()

    def play(self, moves: list[Move], doing: str = "") -> None:
        """Let the hand make some moves, one after another, at once."""
        with self.world.lock:
            self.world.advance(self.clock.now_s())
            hand = self.world.hand.builder()
            for move in moves:
                move.add_to(hand, self.crank.device.zero_deg)
            if hand.angle_deg != self.world.hand.angle_deg or any(m.do in {"hold", "rock"} for m in moves):
                self.world.hand.play(hand.done(), doing or ", ".join(m.do for m in moves))

    def wait(self, longest_s: float) -> bool:
        """Wait until the hand holds still and no script step runs; true when it came to that."""
        until = self.clock.now_s() + longest_s
        while self.clock.now_s() < until:
            self.world.advance(self.clock.now_s())
            if not self.world.hand.busy and not self.script.running:
                return True
            self.clock.sleep(_POLL_S)
        return False

    def truth(self, drop_mm: float = 1.27, check_lift_mm: float = 1.0) -> dict[str, Any]:
        """What is true now, in degrees after overlap TDC and in the counter's own degrees."""
        engine, zero = self.world.engine_now(), -self.crank.device.zero_deg - self.world.coupling_slip_deg
        lobes: dict[str, dict[str, float]] = {}
        for valve in engine.cam_of:
            lobe = engine.truth_of(valve)
            opens, closes, duration = lobe.events_deg(check_lift_mm)
            lobes[valve] = {
                "centre_atdc_deg": lobe.centre_deg(drop_mm),
                "centre_encoder_deg": (lobe.centre_deg(drop_mm) + zero) % 720.0,
                "full_lift_atdc_deg": lobe.full_lift_deg,
                "peak_lift_mm": lobe.peak_lift_mm,
                "opens_deg": opens,
                "closes_deg": closes,
                "duration_deg": duration,
                "clearance_mm": lobe.valve.clearance_mm,
            } | _least_room(engine, valve)
        return {
            "tdc_encoder_deg": zero % 360.0,
            "overlap_tdc_encoder_deg": zero % 720.0,
            "drop_mm": drop_mm,
            "check_lift_mm": check_lift_mm,
            "lobes": lobes,
            "cams": {
                name: {"late_deg": cam.late_deg, "slack_deg": cam.slack_deg}
                for name, cam in self.world.cams.items()
            },
            "parts": {
                name: {"off_axis_mm": part.off_axis_mm, "full_swing_mm": _full_swing_mm(part)}
                for name, part in engine.parts.items()
            },
            "faces": {
                name: {"full_swing_mm": _full_swing_mm(face), "leans_deg": face.leans_deg}
                for name, face in engine.faces.items()
            },
            "mark": None if engine.mark is None else asdict(engine.mark),
            "end_float_mm": engine.end_float_mm,
            "crowns": {
                str(cylinder): {"deck_mm": crown.deck_mm, "leans_mm": crown.leans_mm}
                for cylinder, crown in engine.crowns.items()
            },
            "gauges": {name: {"lag_s": line.gauge.lag_s} for name, line in self.gauges.items()},
        }


def _full_swing_mm(part: RoundPart | Face) -> float:
    return float(np.ptp(part.under_gauge_mm(np.arange(0.0, 360.0, 0.5))))


class Script:
    """The scenario's steps, carried out one at a time when told to."""

    def __init__(self, bench: LiveBench) -> None:
        self._bench = bench
        self._steps = list(bench.scenario.script)
        self._thread: threading.Thread | None = None
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self.step = ""
        self.say = ""
        self.done: list[str] = []

    @property
    def running(self) -> bool:
        """Whether a step is being carried out."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def names(self) -> list[str]:
        """Names of all steps."""
        return [step.name for step in self._steps]

    def start(self, name: str = "", *, rest: bool = False) -> None:
        """Carry out a step by name, or the next one; with `rest` all that come after it, too."""
        with self._lock:
            if self.running:
                raise CommandError(f"the step {self.step!r} is still running; wait for it, or stop the hand")
            first = self._place(name)
            steps = self._steps[first:] if rest else self._steps[first : first + 1]
            self._ended.clear()
            self._thread = threading.Thread(target=self._run, args=(steps,), name="script", daemon=True)
            self._thread.start()

    def _place(self, name: str) -> int:
        if not name:
            ahead = [place for place, step in enumerate(self._steps) if step.name not in self.done]
            if not ahead:
                raise CommandError("every step of the script has been done; name the one to do again")
            return ahead[0]
        if name not in self.names:
            raise CommandError(f"the script has no step {name!r}; it has {', '.join(self.names) or 'none'}")
        return self.names.index(name)

    def stop(self) -> None:
        """Let go of the hand."""
        self._ended.set()
        if self._thread is not None and self.running and self._thread is not threading.current_thread():
            self._bench.clock.sleep(2 * _POLL_S)
            self._thread.join(2.0)

    def _run(self, steps: list[StepTable]) -> None:
        clock = self._bench.clock
        for step in steps:
            self.step, self.say = step.name, step.say
            for gauge, onto in step.gauges.items():
                self._bench.set_gauge(gauge, onto)
            self._bench.play(list(step.hand), step.name)
            hand = self._bench.world.hand
            while hand.busy and hand.doing in {step.name, "holding"}:
                clock.sleep(_POLL_S, hurry=False)
                if self._ended.is_set():
                    return
                self._bench.world.advance(clock.now_s())
            if step.name not in self.done:
                self.done.append(step.name)
        self.step, self.say = "", ""


def _least_room(engine: Engine, valve: str) -> dict[str, float]:
    """Least room between valve and piston turning forward, and where; empty if unknown."""
    kind, _, cylinder = valve.rpartition("_")
    if kind not in engine.rooms:
        return {}
    tdc = engine.overlap_tdc_deg[int(cylinder)]
    crank = tdc + np.linspace(-60.0, 60.0, 12_001)
    room = engine.room_mm(valve, crank, engine.truth_of(valve).lift_at_mm(crank))
    at = int(np.argmin(room))
    return {"least_room_mm": float(room[at]), "least_room_deg": float(crank[at] % 720.0)}


def _asking(request: str, answers_after_s: float) -> Asking | None:
    return Asking(request.encode("latin-1"), answers_after_s) if request else None
