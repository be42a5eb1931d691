"""The hand on the live crank: plays courses, holds, stops, follows a crank that is dragged."""

from __future__ import annotations

import math

import numpy as np

from simulated_devices.machine import Hand, Manner, Motion

FASTEST_DEG_S = 720.0
STOPS_WITHIN_S = 0.15
_FOLLOW_PER_S = 14.0


class LiveHand:
    """Where the crank is, moment by moment; time only goes forward.

    Parameters
    ----------
    start_deg : float
        Crank angle at the start.
    manner : Manner
        How the hand turns unless told otherwise.
    rng : numpy.random.Generator
        Where its wandering comes from.
    """

    def __init__(self, start_deg: float, manner: Manner, rng: np.random.Generator) -> None:
        self.manner = manner
        self.angle_deg = start_deg
        self.speed_deg_s = 0.0
        self.doing = "holding"
        self.paused = False
        self._rng = rng
        self._course: Motion | None = None
        self._played_s = 0.0
        self._drag_deg: float | None = None

    @property
    def busy(self) -> bool:
        """Whether a course is being played or the crank is dragged."""
        return self._course is not None or self._drag_deg is not None

    def advance(self, by_s: float) -> float:
        """Go on by a time; gives the crank angle reached."""
        before = self.angle_deg
        if self._drag_deg is not None:
            self._follow(by_s)
        elif self._course is not None and not self.paused:
            self._play(by_s)
        if by_s > 0.0 and self._drag_deg is None:
            self.speed_deg_s = (self.angle_deg - before) / by_s
        return self.angle_deg

    def _play(self, by_s: float) -> None:
        assert self._course is not None
        self._played_s += by_s
        self.angle_deg = float(self._course.at(np.asarray(self._played_s)))
        if self._played_s >= self._course.duration_s:
            self._rest()

    def _follow(self, by_s: float) -> None:
        """Critically damped pursuit of the dragged angle, no faster than a quick arm."""
        assert self._drag_deg is not None
        gap = self._drag_deg - self.angle_deg
        wanted = max(-FASTEST_DEG_S, min(FASTEST_DEG_S, _FOLLOW_PER_S / 2.0 * gap))
        self.speed_deg_s += (wanted - self.speed_deg_s) * (1.0 - math.exp(-2.0 * _FOLLOW_PER_S * by_s))
        self.angle_deg += self.speed_deg_s * by_s
        if abs(gap) < 0.002 and abs(self.speed_deg_s) < 0.1:
            self._rest()

    def _rest(self) -> None:
        self._course, self._drag_deg = None, None
        self._played_s, self.speed_deg_s = 0.0, 0.0
        self.doing, self.paused = "holding", False

    def play(self, course: Motion, doing: str) -> None:
        """Play a course from where the crank is now."""
        self._rest()
        self._course, self.doing = course, doing

    def drag(self, to_deg: float) -> None:
        """Follow a hand that has hold of the crank."""
        self._course, self.doing, self.paused = None, "dragged", False
        self._drag_deg = to_deg

    def stop(self) -> None:
        """Stop as a hand stops: within a sixth of a second."""
        speed = 0.0 if self.paused else self.speed_deg_s
        if abs(speed) < 1e-6:
            self._rest()
            return
        time = np.linspace(0.0, STOPS_WITHIN_S, 40)
        angle = self.angle_deg + speed * (time - time**2 / (2.0 * STOPS_WITHIN_S))
        self.play(Motion(time, angle), "stopping")

    def builder(self) -> Hand:
        """A builder of a course that starts here."""
        return Hand(self.angle_deg, self.manner, self._rng)
