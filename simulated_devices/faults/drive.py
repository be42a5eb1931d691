"""Faults of the cam drive, the valve gear and the engine itself."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulated_devices.faults.places import AtAMoment, first_mounting, some_sign
from simulated_devices.traces import Course, Fault, Plunger, Setup

Floats = NDArray[np.float64]
Rng = np.random.Generator


def _lobe_name(setup: Setup) -> str:
    return first_mounting(setup).touches


def _passes(course: Course) -> NDArray[np.int64]:
    """Number of the pass at every knot: a new one where the valve opens, and where forward turning begins with it open.

    Turned back until it is shut and forward again makes one more and not two, or passes over the nose that were to
    differ could all be alike, which is a cam that stands elsewhere and no play.
    """
    lift = course.setup.engine.valve_lift_mm(course.valve, course.sprocket_deg)
    opened = np.diff((lift > 0.05).astype(int), prepend=0) == 1
    step = np.sign(np.diff(course.crank_deg, prepend=course.crank_deg[:1]))
    moving = np.flatnonzero(step)
    turned = np.zeros(len(opened), dtype=bool)
    turned[moving[1:][(step[moving[1:]] > 0) & (step[moving[:-1]] < 0)]] = True
    return np.cumsum(opened | (turned & (lift > 0.05)))


@dataclass
class BleedingFollower(Fault):
    """A hydraulic follower left in: it loses `rate_mm_s` whenever the valve is open, and does not refill."""

    rate_mm_s: float | None = None
    name = "bleeding_follower"
    _rate: float = field(default=0.0, init=False)

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Choose a rate that empties a part of the follower over the course."""
        lift = setup.engine.valve_lift_mm(_lobe_name(setup), setup.motion.crank_deg)
        open_s = float(np.sum(np.gradient(setup.motion.time_s)[lift > 0.2]))
        self._rate = self.rate_mm_s or rng.uniform(0.5, 2.0) / max(open_s, 1.0)
        return setup

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Take off what has bled."""
        motion, setup = shown.setup.motion, shown.setup
        lift = setup.engine.rise_mm(shown.mounting.touches, motion.crank_deg)
        bled = np.cumsum(np.gradient(motion.time_s) * (lift > 0.2)) * self._rate
        lost = np.minimum(np.interp(shown.time_s + motion.time_s[0], motion.time_s, bled), 3.0)
        return shown.mounting.pushed_mm(np.maximum(shown.rise_mm - lost, 0.0))


@dataclass
class SpringDrivesCam(Fault):
    """The valve spring drives the cam over the nose, through the slack, before the crank has come on.

    `from_nose_deg` after the nose the cam runs ahead by the whole slack; on the base circle it waits until
    the crank has caught up.
    """

    from_nose_deg: float | None = None
    name = "spring_drives_cam"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Give the drive enough slack for it to matter."""
        cam = setup.engine.cam_of[_lobe_name(setup)]
        slack = max(setup.engine.cams[cam].slack_deg, rng.uniform(2.5, 6.0))
        return replace(setup, engine=setup.engine.with_cam(cam, slack_deg=slack))

    def on_sprocket(self, course: Course, rng: Rng) -> Floats:
        """Run ahead on every closing flank turned forward."""
        truth = course.setup.engine.truth_of(course.valve)
        start = self.from_nose_deg or rng.uniform(8.0, 30.0)
        _, closes, _ = truth.events_deg(0.1)
        after_nose = np.remainder(course.crank_deg - truth.full_lift_deg, 720.0)
        closing = (closes - truth.full_lift_deg) % 720.0 - truth.slack_deg
        driven = np.clip((after_nose - start) / 0.4, 0.0, 1.0) * (after_nose < closing)
        forward = np.gradient(course.crank_deg) > 0.0
        ahead = course.crank_deg + truth.slack_deg * driven
        # The sprocket keeps what it was given until the crank has caught up or takes it back.
        sprocket = course.sprocket_deg.copy()
        bounds = np.flatnonzero(np.diff(forward.astype(int))) + 1
        for part in np.split(np.arange(sprocket.size), bounds):
            if forward[part[0]]:
                sprocket[part] = np.maximum.accumulate(np.maximum(sprocket[part], ahead[part]))
        return sprocket


@dataclass
class KeyPlay(Fault):
    """A key or dowel with play: from pass to pass the cam sits at one end of it or at the other."""

    play_deg: float | None = None
    name = "key_play"

    def on_sprocket(self, course: Course, rng: Rng) -> Floats:
        """Sit at either end, changing while the valve is shut or when the crank is turned back."""
        play = self.play_deg or rng.uniform(1.5, 5.0)
        passes = _passes(course)
        ends = rng.integers(0, 2, int(passes[-1]) + 2)
        ends[1:3] = rng.permutation([0, 1])
        return np.asarray(course.sprocket_deg + play * (ends[passes] - 0.5))


@dataclass
class DriveJumps(AtAMoment):
    """The chain or belt jumps, or a pulley slips, by `by_deg` in the middle of a trace."""

    by_deg: float | None = None
    name = "drive_jumps"

    def on_sprocket(self, course: Course, rng: Rng) -> Floats:
        """Jump."""
        by = self.by_deg or some_sign(rng) * rng.uniform(1.5, 18.0)
        return course.sprocket_deg + np.where(course.time_s >= self._at_s, by, 0.0)


@dataclass
class SlackChanges(Fault):
    """The tensioner is not in its checking state: the cam lies behind by more or less."""

    by_deg: float | None = None
    name = "slack_changes"

    def on_sprocket(self, course: Course, rng: Rng) -> Floats:
        """Let the cam hang back while it opens the valve, by an amount that wanders from pass to pass."""
        by = self.by_deg or rng.uniform(1.5, 5.0)
        passes = _passes(course)
        share = rng.uniform(0.0, 1.0, int(passes[-1]) + 2)
        share[1:3] = rng.permutation([rng.uniform(0.0, 0.2), rng.uniform(0.8, 1.0)])
        return np.asarray(course.sprocket_deg - by * share[passes])


@dataclass
class ValveTouchesPiston(Fault):
    """The cam is far out and the valve meets the piston near TDC, held back by `held_back_mm` at worst."""

    held_back_mm: float | None = None
    name = "valve_touches_piston"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Turn the cam until the valve is well open at overlap TDC."""
        engine, valve = setup.engine, _lobe_name(setup)
        cam = engine.cam_of[valve]
        towards = -2.0 if engine.truth_of(valve).full_lift_deg < 360.0 else 2.0
        while float(engine.truth_of(valve).lift_at_mm(np.zeros(()))) < 2.5:
            engine = engine.with_cam(cam, pulley_deg=engine.cams[cam].pulley_deg + towards)
        return replace(setup, engine=engine)

    def on_plunger(self, shown: Plunger, rng: Rng) -> Floats:
        """Keep the valve off the piston: its lift never exceeds the room above the piston."""
        held_back = self.held_back_mm or rng.uniform(0.3, 1.0)
        engine = shown.setup.engine
        turn = np.linspace(-60.0, 60.0, 2401)
        truth = engine.truth_of(shown.mounting.touches)
        room = engine.piston_below_top_mm(1, turn)
        at_top = float(np.max(truth.lift_at_mm(turn) - room)) - held_back
        near_overlap = np.abs(np.remainder(shown.crank_deg + 360.0, 720.0) - 360.0) < 60.0
        limit = engine.piston_below_top_mm(1, shown.crank_deg) + max(at_top, 0.0)
        held = np.where(near_overlap, np.minimum(shown.rise_mm, limit), shown.rise_mm)
        return shown.mounting.pushed_mm(held)


@dataclass
class WrongClearance(Fault):
    """A valve clearance set wrong by `by_mm`: the centre stands nearly still, the duration does not."""

    by_mm: float | None = None
    name = "wrong_clearance"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Change the clearance; never below none."""
        valve = _lobe_name(setup)
        now = setup.engine.valve(valve).clearance_mm
        by = self.by_mm or float(rng.choice([0.15, 0.25, 0.3]))
        return replace(setup, engine=setup.engine.with_valve(valve, clearance_mm=max(now + by, 0.0)))


@dataclass
class PulleyMoved(Fault):
    """The pulley holds the cam `by_deg` crank degrees later than it did: moved, slipped, or a tooth out."""

    by_deg: float = 18.0
    name = "pulley_moved"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Move it."""
        cam = setup.engine.cam_of[_lobe_name(setup)]
        late = setup.engine.cams[cam].pulley_deg + self.by_deg
        return replace(setup, engine=setup.engine.with_cam(cam, pulley_deg=late))
