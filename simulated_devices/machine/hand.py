"""The hand on the crank: courses of the crank angle over time, as a person turns it.

A `Motion` is a finished course; a `Hand` builds one move after another. Pure: the same seed gives the same
course.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GRID_S = 0.002
"""Spacing of a course's knots: at 500 deg/s² the straight line between two is 0.0003 deg off."""


@dataclass(frozen=True, slots=True)
class Motion:
    """A course of the crank, straight between its knots.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Knots, rising.
    crank_deg : ndarray, shape (n,)
        Unwrapped crank angle at the knots.
    """

    time_s: Floats
    crank_deg: Floats

    @property
    def duration_s(self) -> float:
        """Length of the course in time."""
        return float(self.time_s[-1] - self.time_s[0])

    def at(self, time_s: Floats) -> Floats:
        """Crank angle at any times; before and after the course the crank stands still."""
        return np.interp(time_s, self.time_s, self.crank_deg)

    def with_pause(self, at_s: float, seconds: float) -> Motion:
        """This course with the crank held still for a while from `at_s` on."""
        place = int(np.searchsorted(self.time_s, at_s, side="right"))
        angle = float(self.at(np.asarray(at_s)))
        return Motion(
            np.concatenate([self.time_s[:place], [at_s, at_s + seconds], self.time_s[place:] + seconds]),
            np.concatenate([self.crank_deg[:place], [angle, angle], self.crank_deg[place:]]),
        )

    def until(self, end_s: float) -> Motion:
        """The part of this course up to `end_s`."""
        keep = self.time_s < end_s
        return Motion(
            np.append(self.time_s[keep], end_s),
            np.append(self.crank_deg[keep], float(self.at(np.asarray(end_s)))),
        )

    def then(self, other: Motion) -> Motion:
        """This course and after it another, which starts where and when this one ends."""
        return Motion(
            np.concatenate([self.time_s, self.time_s[-1] + other.time_s[1:] - other.time_s[0]]),
            np.concatenate([self.crank_deg, self.crank_deg[-1] + other.crank_deg[1:] - other.crank_deg[0]]),
        )


@dataclass(frozen=True, slots=True)
class Manner:
    """How a hand turns.

    Attributes
    ----------
    speed_deg_s : float
        Speed aimed at.
    wander : float
        Relative standard deviation of the speed, wandering over a second or so; 0.3 is a clumsy hand.
    ease_s : float
        Time to reach the speed and to stop again.
    """

    speed_deg_s: float = 30.0
    wander: float = 0.0
    ease_s: float = 0.25


def move(start_deg: float, by_deg: float, manner: Manner, rng: np.random.Generator) -> Motion:
    """One move from rest to rest: `by_deg` in the given manner (negative: backwards)."""
    ease = min(manner.ease_s, abs(by_deg) / manner.speed_deg_s)
    duration = abs(by_deg) / manner.speed_deg_s + ease
    knots = max(int(np.ceil(duration / GRID_S)), 4) + 1
    time = np.linspace(0.0, duration, knots)
    speed = _eased(time, duration, ease) * _wandering(time, manner.wander, rng)
    travelled = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))])
    return Motion(time, start_deg + by_deg * travelled / travelled[-1])


def _eased(time_s: Floats, duration_s: float, ease_s: float) -> Floats:
    """Rising from 0 to 1 over `ease_s`, and falling back at the end."""
    if ease_s <= 0.0:
        return np.ones_like(time_s)
    edge = np.clip(np.minimum(time_s, duration_s - time_s) / ease_s, 0.0, 1.0)
    return np.asarray(edge * edge * (3.0 - 2.0 * edge))


def _wandering(time_s: Floats, wander: float, rng: np.random.Generator) -> Floats:
    """A factor round 1 that wanders smoothly, never below a fifth."""
    if wander <= 0.0:
        return np.ones_like(time_s)
    frequency, phase = rng.uniform(0.1, 1.5, 5), rng.uniform(0.0, 2.0 * np.pi, 5)
    strength = wander * np.sqrt(2.0 / 5.0)
    waves = np.sin(2.0 * np.pi * np.outer(frequency, time_s) + phase[:, None]).sum(axis=0)
    return np.asarray(np.maximum(1.0 + strength * waves, 0.2))


class Hand:
    """Builds a course move by move; every method returns the hand, so moves can be chained.

    Parameters
    ----------
    start_deg : float
        Crank angle at the start.
    manner : Manner
        How it turns unless a move says otherwise.
    rng : numpy.random.Generator
        Where its wandering comes from.
    """

    def __init__(
        self, start_deg: float = 0.0, manner: Manner | None = None, rng: np.random.Generator | None = None
    ) -> None:
        self.manner = manner or Manner()
        self._rng = rng if rng is not None else np.random.default_rng(0)
        self._parts: list[Motion] = []
        self._start_deg = start_deg
        self.angle_deg = start_deg

    def by(self, angle_deg: float, speed_deg_s: float | None = None) -> Hand:
        """Turn by an angle, backwards when negative."""
        if angle_deg == 0.0:
            return self
        manner = self.manner
        if speed_deg_s is not None:
            manner = Manner(speed_deg_s, manner.wander, manner.ease_s)
        part = move(self.angle_deg, angle_deg, manner, self._rng)
        self._parts.append(part)
        self.angle_deg = float(part.crank_deg[-1])
        return self

    def to(self, angle_deg: float, speed_deg_s: float | None = None) -> Hand:
        """Turn to an angle."""
        return self.by(angle_deg - self.angle_deg, speed_deg_s)

    def turns(self, count: float, speed_deg_s: float | None = None) -> Hand:
        """Turn a number of turns."""
        return self.by(360.0 * count, speed_deg_s)

    def pause(self, seconds: float) -> Hand:
        """Hold the crank still."""
        if seconds > 0.0:
            self._parts.append(Motion(np.array([0.0, seconds]), np.full(2, self.angle_deg)))
        return self

    def rock(
        self, about_deg: float, half_width_deg: float, times: int, speeds_deg_s: tuple[float, ...] = ()
    ) -> Hand:
        """Rock over an angle: there and back `times` times, ending where it began (`speeds` in turn)."""
        self.to(about_deg - half_width_deg)
        for number in range(2 * times):
            side = half_width_deg if number % 2 == 0 else -half_width_deg
            self.to(about_deg + side, speeds_deg_s[number % len(speeds_deg_s)] if speeds_deg_s else None)
        return self

    def steps(self, to_deg: float, step_deg: float, pause_s: float, speed_deg_s: float | None = None) -> Hand:
        """Go to an angle in steps, with a pause after each."""
        step = np.copysign(abs(step_deg), to_deg - self.angle_deg)
        while abs(to_deg - self.angle_deg) > abs(step) * 1.0001:
            self.by(float(step), speed_deg_s).pause(pause_s)
        return self.to(to_deg, speed_deg_s).pause(pause_s)

    def falter(
        self, to_deg: float, every_deg: float, back_deg: float, speed_deg_s: float | None = None
    ) -> Hand:
        """Go to an angle, slipping back a little now and then as a bar changes hands."""
        step = np.copysign(abs(every_deg), to_deg - self.angle_deg)
        while abs(to_deg - self.angle_deg) > abs(step):
            self.by(float(step), speed_deg_s).by(-float(np.sign(step)) * back_deg, speed_deg_s).pause(0.2)
        return self.to(to_deg, speed_deg_s)

    def done(self) -> Motion:
        """The whole course so far, from time 0."""
        time, angle = [np.zeros(1)], [np.array([self._start_deg])]
        now = 0.0
        for part in self._parts:
            time.append(now + part.time_s[1:])
            angle.append(part.crank_deg[1:])
            now += part.duration_s
        return Motion(np.concatenate(time), np.concatenate(angle))
