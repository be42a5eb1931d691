"""Faults of the encoder, its coupling, its counter, and of the hand on the crank."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulated_devices.faults.places import (
    AtAMoment,
    first_mounting,
    moment_in_dwell,
    share_of_dwell,
    some_sign,
)
from simulated_devices.machine import Hand, Manner, Motion
from simulated_devices.traces import Fault, Setup

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Rng = np.random.Generator


@dataclass
class EncoderSlip(AtAMoment):
    """The coupling slips once, by `by_deg`: everything afterwards is shifted."""

    by_deg: float | None = None
    name = "encoder_slip"

    def on_crank(self, time_s: Floats, crank_deg: Floats, rng: Rng) -> Floats:
        """Shift what the shaft sees."""
        by = self.by_deg or some_sign(rng) * rng.uniform(1.5, 12.0)
        return crank_deg + np.where(time_s >= self._at_s, by, 0.0)


@dataclass
class MissedCounts(Fault):
    """The counter misses counts whenever it moves: `lost_deg` in a turn."""

    lost_deg: float | None = None
    name = "missed_counts"
    _counts_per_turn: int = field(default=3600, init=False)

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Remember the scale."""
        self._counts_per_turn = setup.encoder.counts_per_turn
        return setup

    def on_counts(self, time_s: Floats, counts: Integers, rng: Rng) -> Integers:
        """Miss some of every step."""
        lost_deg = self.lost_deg or rng.uniform(3.0, 20.0)
        step = np.diff(counts, prepend=counts[:1])
        lost = rng.binomial(np.abs(step), lost_deg / 360.0) * np.sign(step)
        return np.asarray(counts - np.cumsum(lost))


@dataclass
class WrongCountsPerTurn(Fault):
    """The bench is told a wrong number of counts a turn: `ratio` is real over told."""

    ratio: float | None = None
    name = "wrong_counts_per_turn"

    def on_crank(self, time_s: Floats, crank_deg: Floats, rng: Rng) -> Floats:
        """Stretch the angle."""
        ratio = self.ratio or float(
            rng.choice([0.25, 0.5, 2.0, 4.0, 3600 / 4096, 4096 / 3600, 2500 / 2400, 0.9])
        )
        return crank_deg * ratio


@dataclass
class StuckCounter(AtAMoment):
    """The counter holds one count for a while and then goes on from there."""

    name = "stuck_counter"

    def on_counts(self, time_s: Floats, counts: Integers, rng: Rng) -> Integers:
        """Hold, and lose what was turned meanwhile."""
        held = (time_s >= self._at_s) & (time_s < self._at_s + rng.uniform(0.5, 2.0))
        step = np.diff(counts, prepend=counts[:1])
        return np.asarray(counts[:1] + np.cumsum(np.where(held, 0, step)))


@dataclass
class LostCrankLines(AtAMoment):
    """No line of the counter for a while, in the dwell; afterwards the count is right again."""

    for_s: float | None = None
    name = "lost_crank_lines"
    _for_s: float = field(default=0.0, init=False)

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Choose the moment and for how long."""
        setup = super().on_setup(setup, rng)
        self._for_s = self.for_s or rng.uniform(0.5, 4.0)
        return setup

    def lost_lines(self, time_s: Floats, rng: Rng) -> NDArray[np.bool_]:
        """Which lines never arrive."""
        return (time_s >= self._at_s) & (time_s < self._at_s + self._for_s)


@dataclass
class HeldUpLines(Fault):
    """The computer stalls a few times in the dwell: meanwhile nothing arrives, then all the lines held up at once.

    It holds up encoder and gauge alike.

    They are stamped as an accurate recorder would, the last when it was read and each before it a line's length
    earlier: a small share of the time from one line to the next.
    """

    for_s: float | None = None
    name = "held_up_lines"
    _stalls: list[tuple[float, float]] = field(default_factory=list, init=False)

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Choose when, and for how long."""
        moments = sorted(moment_in_dwell(setup, rng) for _ in range(int(rng.integers(1, 5))))
        self._stalls = [(setup.start_s + at_s, self.for_s or rng.uniform(0.04, 0.25)) for at_s in moments]
        return setup

    def on_arrivals(self, time_s: Floats, rng: Rng) -> Floats:
        """Keep some back."""
        arrived = time_s.copy()
        line_s = rng.uniform(0.02, 0.12) * float(np.median(np.diff(time_s)))
        for at, lasting in self._stalls:
            held = np.flatnonzero((arrived >= at) & (arrived < at + lasting))
            released = at + lasting - line_s * np.arange(len(held))[::-1]
            arrived[held] = np.maximum(arrived[held], released)
        return arrived


@dataclass
class OneSideOnly(Fault):
    """The hand stops near the middle of the dwell, or starts there: only one side is seen."""

    name = "one_side_only"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Turn over one side of the first dwell only."""
        middle = _middle_deg(setup, rng)
        near, far = rng.uniform(1.0, 12.0), rng.uniform(70.0, 110.0)
        manner = Manner(rng.uniform(8.0, 25.0), rng.uniform(0.0, 0.3))
        before = rng.random() < 0.5
        hand = Hand(middle - far - 20.0 if before else middle + near, manner, rng)
        return replace(setup, motion=hand.to(middle - near if before else middle + far).pause(0.5).done())


@dataclass
class TurnedBackwards(Fault):
    """The whole measurement is turned against the running direction."""

    name = "turned_backwards"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Turn the course about."""
        motion = setup.motion
        end = motion.crank_deg[-1]
        turned = Motion(motion.time_s[-1] - motion.time_s[::-1], motion.crank_deg[::-1])
        return replace(setup, motion=turned if end > motion.crank_deg[0] else motion)


@dataclass
class OvershotAndBackedUp(Fault):
    """One pass in which the hand overshoots on the far flank and backs up to read, the slack not taken up."""

    back_deg: float | None = None
    name = "overshot_and_backed_up"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Approach forward to before the nose, jump over it, then back over the far flank."""
        middle = _middle_deg(setup, rng)
        hand = Hand(middle - rng.uniform(90.0, 130.0), Manner(rng.uniform(8.0, 25.0), 0.1), rng)
        hand.to(middle - rng.uniform(0.0, 10.0)).pause(0.5)
        back = self.back_deg or rng.uniform(20.0, 60.0)
        hand.by(back + rng.uniform(10.0, 30.0), 90.0).by(-back).pause(0.5)
        return replace(setup, motion=hand.done())


@dataclass
class NoMovement(Fault):
    """The crank is not turned at all, or by a degree or two."""

    name = "no_movement"

    def on_setup(self, setup: Setup, rng: Rng) -> Setup:
        """Hold the crank somewhere."""
        hand = Hand(rng.uniform(0.0, 720.0), Manner(10.0), rng).pause(5.0)
        return replace(setup, motion=hand.by(rng.uniform(0.0, 2.0)).pause(5.0).done())


def _middle_deg(setup: Setup, rng: Rng) -> float:
    """Middle of a dwell of the first gauge's target that the course passes."""
    touches = first_mounting(setup).touches
    if touches in setup.engine.cam_of:
        return setup.engine.truth_of(touches).full_lift_deg
    share = share_of_dwell(setup)
    return float(360.0 * round(float(setup.motion.crank_deg[np.argmax(share)]) / 360.0))
