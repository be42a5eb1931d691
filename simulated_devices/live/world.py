"""The live engine: what the crank, the cams and their pulleys are doing now.

One `World` is shared by all lines. Whoever needs to know the state moves it on to the present first, in
steps short enough for the slack to be followed through every reversal.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from functools import cache

import numpy as np

from simulated_devices.live.live_hand import LiveHand
from simulated_devices.machine import CRANK_END, CommandError, Engine

LONGEST_STEP_S = 0.002
LONGEST_GAP_S = 1.0
REMEMBERED_EVERY_S = 0.004
REMEMBERED = 256
PULLEY_SPEED_DEG_S = 6.0


class Tabulated:
    """A periodic function of an angle as a fine table: microseconds a look-up (40 nm off at worst)."""

    _STEPS_PER_DEG = 50

    def __init__(self, engine: Engine, target: str) -> None:
        steps = 720 * self._STEPS_PER_DEG
        angle = np.arange(steps + 1) / self._STEPS_PER_DEG
        lifted = target in engine.cam_of
        rise = engine.valve(target).lift_mm(angle) if lifted else engine.rise_mm(target, angle)
        self._table: list[float] = rise.tolist()

    def at(self, angle_deg: float) -> float:
        """Value at an angle."""
        place = (angle_deg % 720.0) * self._STEPS_PER_DEG
        low = int(place)
        share = place - low
        return self._table[low] * (1.0 - share) + self._table[min(low + 1, len(self._table) - 1)] * share


@dataclass(slots=True)
class CamState:
    """A cam that turns: where sprocket and shaft stand (crank degrees), and whether the bolts hold."""

    sprocket_deg: float
    phase_deg: float
    slack_deg: float
    bolts_tight: bool = True
    to_move_deg: float = 0.0

    @property
    def late_deg(self) -> float:
        """How late the pulley holds the shaft."""
        return self.sprocket_deg - self.phase_deg


@dataclass(frozen=True, slots=True)
class WorldState:
    """One moment of the world."""

    time_s: float
    crank_deg: float
    speed_deg_s: float
    phase_deg: dict[str, float]


class World:
    """Engine, hand and pulleys moving on with the clock; safe to use from several threads.

    Parameters
    ----------
    engine : Engine
        As made: its cams' `pulley_deg` is where the pulleys stand at the start.
    start_s : float
        Now, on the monotonic clock.
    """

    def __init__(self, engine: Engine, hand: LiveHand, start_s: float) -> None:
        self.engine = engine
        self.hand = hand
        self.lock = threading.RLock()
        self.cams = {
            name: CamState(hand.angle_deg, hand.angle_deg - cam.pulley_deg, cam.slack_deg)
            for name, cam in engine.cams.items()
        }
        self.coupling_slip_deg = 0.0
        self.pushed_valves: set[str] = set()
        self.crank_is_out = False
        self._now_s = start_s
        self._course: deque[WorldState] = deque(maxlen=REMEMBERED)
        self._table = cache(lambda target: Tabulated(engine, target))

    def advance(self, now_s: float) -> WorldState:
        """Move on to the present (never back) and tell the state."""
        with self.lock:
            ahead = now_s - self._now_s
            if ahead > 0.0:
                # After a long sleep of the whole process the world has slept, too.
                self._walk(now_s, min(ahead, LONGEST_GAP_S))
            return self._state()

    def passed_through(self, since_s: float, until_s: float) -> list[WorldState]:
        """The states between two moments, both left out, while anything moved; of the last second at least."""
        with self.lock:
            return [state for state in self._course if since_s < state.time_s < until_s]

    def _state(self) -> WorldState:
        phases = {name: cam.phase_deg for name, cam in self.cams.items()}
        return WorldState(self._now_s, self.hand.angle_deg, self.hand.speed_deg_s, phases)

    @property
    def _moves(self) -> bool:
        return self.hand.busy or any(cam.to_move_deg for cam in self.cams.values())

    def _walk(self, now_s: float, by_s: float) -> None:
        """Go on to now in steps; at rest in one, for none would differ from the next."""
        moves = self._moves
        steps = max(int(np.ceil(by_s / LONGEST_STEP_S)), 1) if moves else 1
        for left in reversed(range(steps)):
            crank = self.hand.advance(by_s / steps)
            for cam in self.cams.values():
                self._drive(cam, crank, by_s / steps)
            self._now_s = now_s - left * by_s / steps
            if moves and (not self._course or self._now_s - self._course[-1].time_s >= REMEMBERED_EVERY_S):
                self._course.append(self._state())

    @staticmethod
    def _drive(cam: CamState, crank_deg: float, by_s: float) -> None:
        late = cam.late_deg
        cam.sprocket_deg = min(max(cam.sprocket_deg, crank_deg), crank_deg + cam.slack_deg)
        if cam.bolts_tight:
            cam.phase_deg = cam.sprocket_deg - late
        elif cam.to_move_deg:
            most = PULLEY_SPEED_DEG_S * by_s
            step = max(-most, min(most, cam.to_move_deg))
            cam.phase_deg += step
            cam.to_move_deg = 0.0 if abs(cam.to_move_deg - step) < 1e-9 else cam.to_move_deg - step

    def rise_mm(self, target: str, state: WorldState) -> float:
        """How far a target stands from its rest at a moment (see `Engine.rise_mm`)."""
        angle = state.crank_deg
        if target in self.engine.cam_of:
            angle = state.phase_deg[self.engine.cam_of[target]]
        if target == CRANK_END:
            return self.engine.end_float_mm if self.crank_is_out else 0.0
        rise = float(self._table(target).at(angle))
        if target in self.engine.faces and self.crank_is_out:
            rise += self.engine.end_float_mm
        if target in self.pushed_valves:
            rise += float(self.engine.room_mm(target, np.asarray(state.crank_deg), np.asarray(rise)))
        return rise

    def push_crank(self, *, out: bool) -> None:
        """Pull the crankshaft out along its axis as far as it goes, or push it home."""
        if not self.engine.end_float_mm:
            raise CommandError(
                "the scenario does not say how far the crankshaft floats; add end_float_mm to [engine]"
            )
        with self.lock:
            self.crank_is_out = out

    def push_valve(self, valve: str, *, down: bool) -> None:
        """Push a valve on until it touches its piston and hold it there, or let it come back."""
        if valve not in self.engine.cam_of:
            raise CommandError(
                f"there is no valve {valve!r}; this engine has {', '.join(self.engine.cam_of)}"
            )
        if valve.rpartition("_")[0] not in self.engine.rooms:
            raise CommandError(
                f"the scenario does not say how much room {valve} has; add [engine.room.…] to the file"
            )
        with self.lock:
            (self.pushed_valves.add if down else self.pushed_valves.discard)(valve)

    def checked_target(self, target: str) -> str:
        """A thing that a gauge can touch."""
        if target not in self.engine.targets:
            raise CommandError(
                f"there is no {target!r} on this engine; a gauge can touch {', '.join(self.engine.targets)}"
            )
        return target

    def cam(self, name: str) -> CamState:
        """A cam by name."""
        if name not in self.cams:
            raise CommandError(f"there is no cam {name!r}; this engine has {', '.join(self.cams)}")
        return self.cams[name]

    def slacken(self, name: str) -> None:
        """Slacken the pulley bolts: the cam stays where its springs hold it while the crank turns."""
        with self.lock:
            self.cam(name).bolts_tight = False

    def turn_cam(self, name: str, by_deg: float) -> None:
        """Turn a cam whose bolts are slack by crank degrees, forward (earlier) when positive."""
        with self.lock:
            cam = self.cam(name)
            if cam.bolts_tight:
                raise CommandError(f"the pulley bolts of the {name} cam are tight; slacken them first")
            if not -60.0 <= by_deg <= 60.0:
                raise CommandError(
                    f"{by_deg:g} crank degrees is more than the slots allow; ask for 60 at most, either way"
                )
            cam.to_move_deg += by_deg

    def tighten(self, name: str, shift_deg: float = 0.0) -> None:
        """Tighten the bolts, which may turn the cam by `shift_deg` (positive: earlier)."""
        with self.lock:
            cam = self.cam(name)
            cam.phase_deg += cam.to_move_deg + shift_deg
            cam.to_move_deg = 0.0
            cam.bolts_tight = True

    def engine_now(self) -> Engine:
        """The engine with its pulleys where they stand now: for the truth."""
        with self.lock:
            engine = self.engine
            for name, cam in self.cams.items():
                engine = engine.with_cam(name, pulley_deg=cam.late_deg)
            return engine
