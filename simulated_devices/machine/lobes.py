"""Cam lobes by several laws of the trade, each a lift over cam degrees from its nose.

A lobe is the sum of a *profile* (what lifts the valve) and a *ramp* (the slow part that takes up the
clearance). Profiles come in families so that whoever reads the traces cannot rely on one formula:

- `LawProfile`: a handbook law (harmonic, cycloidal, 3-4-5, 4-5-6-7, modified sine) for each flank, with or
  without a flat nose,
- `PolynomialProfile`: flanks by a polynomial with a chosen nose curvature,
- `ArcProfile`: circular flanks and nose under a flat follower,
- `TangentProfile`: straight flanks and a round nose under a roller.

All angles in this module are *cam* degrees, 0 at the nose, negative on the opening side.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def harmonic(x: Floats) -> Floats:
    """Simple harmonic rise from 0 to 1 over x from 0 to 1."""
    return 0.5 - 0.5 * np.cos(np.pi * x)


def cycloidal(x: Floats) -> Floats:
    """Cycloidal rise from 0 to 1 over x from 0 to 1."""
    return x - np.sin(2.0 * np.pi * x) / (2.0 * np.pi)


def polynomial_345(x: Floats) -> Floats:
    """3-4-5 polynomial rise from 0 to 1 over x from 0 to 1."""
    return x**3 * (10.0 + x * (-15.0 + x * 6.0))


def polynomial_4567(x: Floats) -> Floats:
    """4-5-6-7 polynomial rise from 0 to 1 over x from 0 to 1."""
    return x**4 * (35.0 + x * (-84.0 + x * (70.0 - x * 20.0)))


def modified_sine(x: Floats) -> Floats:
    """Modified sine rise: quarter sines of period 1/2 at the ends, of period 3/2 between."""
    scale = 1.0 / (4.0 + math.pi)
    mirrored = np.minimum(x, 1.0 - x)
    end = scale * (np.pi * mirrored - 0.25 * np.sin(4.0 * np.pi * mirrored))
    middle = scale * (2.0 + np.pi * mirrored - 2.25 * np.sin(4.0 * np.pi * mirrored / 3.0 + np.pi / 3.0))
    half = np.where(mirrored < 0.125, end, middle)
    return np.asarray(np.where(x <= 0.5, half, 1.0 - half), dtype=np.float64)


LAWS: dict[str, Callable[[Floats], Floats]] = {
    "harmonic": harmonic,
    "cycloidal": cycloidal,
    "3-4-5": polynomial_345,
    "4-5-6-7": polynomial_4567,
    "modified_sine": modified_sine,
}


class Profile(Protocol):
    """The part of a lobe that lifts the valve."""

    @property
    def lift_mm(self) -> float:
        """Greatest lift, mm."""

    @property
    def opening_deg(self) -> float:
        """Cam degrees from the first lift to the nose."""

    @property
    def closing_deg(self) -> float:
        """Cam degrees from the nose to the last lift."""

    def flank(self, from_nose_deg: Floats, opening: bool) -> Floats:
        """Lift, mm, at distances from the nose (not negative, cam degrees) along one flank."""


@dataclass(frozen=True, slots=True)
class LawProfile:
    """A handbook law on each flank, with an optional flat on the nose (`flat_deg`, split evenly)."""

    lift_mm: float
    opening_deg: float
    closing_deg: float
    opening_law: str = "modified_sine"
    closing_law: str = "modified_sine"
    flat_deg: float = 0.0

    def flank(self, from_nose_deg: Floats, opening: bool) -> Floats:
        """Lift along one flank; see `Profile.flank`."""
        reach = (self.opening_deg if opening else self.closing_deg) - self.flat_deg / 2.0
        law = LAWS[self.opening_law if opening else self.closing_law]
        along = np.clip((from_nose_deg - self.flat_deg / 2.0) / reach, 0.0, 1.0)
        return self.lift_mm * law(1.0 - along)


@lru_cache(maxsize=256)
def _nose_polynomial(fullness: float) -> tuple[float, ...]:
    """Coefficients c0..c6 of the unit fall y(u): y(0)=1, y'=0, y''=-fullness, y'''=0; y(1)=y'(1)=y''(1)=0."""
    powers = np.arange(7)
    rows, right = [], []
    for at, order, value in (
        (0.0, 0, 1.0), (0.0, 1, 0.0), (0.0, 2, -fullness), (0.0, 3, 0.0),
        (1.0, 0, 0.0), (1.0, 1, 0.0), (1.0, 2, 0.0),
    ):  # fmt: skip
        factor = np.array([math.perm(int(p), order) if p >= order else 0 for p in powers], dtype=float)
        rows.append(factor * at ** np.maximum(powers - order, 0))
        right.append(value)
    return tuple(float(c) for c in np.linalg.solve(np.array(rows), np.array(right)))


@dataclass(frozen=True, slots=True)
class PolynomialProfile:
    """Flanks by a sixth-degree polynomial; `fullness` (3 to 9) sharpens the nose."""

    lift_mm: float
    opening_deg: float
    closing_deg: float
    fullness: float = 5.0

    def flank(self, from_nose_deg: Floats, opening: bool) -> Floats:
        """Lift along one flank; see `Profile.flank`."""
        reach = self.opening_deg if opening else self.closing_deg
        # One nose: the curvature per square degree is that of the opening flank on both sides.
        fullness = self.fullness * (reach / self.opening_deg) ** 2
        along = np.clip(from_nose_deg / reach, 0.0, 1.0)
        fallen = np.polynomial.polynomial.polyval(along, np.array(_nose_polynomial(fullness)))
        return np.asarray(self.lift_mm * np.maximum(fallen, 0.0))


@lru_cache(maxsize=256)
def _arc_joint(lift_mm: float, reach_deg: float, nose_throw_mm: float) -> tuple[float, float]:
    """Joint angle (rad from the nose) and flank size (mm) of an arc lobe: lift and slope agree there."""
    reach = math.radians(reach_deg)

    def gap(joint: float) -> float:
        """By how much a flank that joins the nose there misses the lift."""
        flank = nose_throw_mm * math.sin(joint) / math.sin(reach - joint)
        return flank * (1.0 - math.cos(reach - joint)) - (lift_mm - nose_throw_mm * (1.0 - math.cos(joint)))

    low, high = 1e-9, reach - 1e-9
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if gap(middle) < 0.0 else (low, middle)
    return low, nose_throw_mm * math.sin(low) / math.sin(reach - low)


@dataclass(frozen=True, slots=True)
class ArcProfile:
    """Circular flanks and nose under a flat follower.

    `nose_throw_mm` is the distance of the nose circle's centre from the shaft's; it has to be more than
    ``lift / (1 - cos(reach))`` for the longer flank.
    """

    lift_mm: float
    opening_deg: float
    closing_deg: float
    nose_throw_mm: float

    def flank(self, from_nose_deg: Floats, opening: bool) -> Floats:
        """Lift along one flank; see `Profile.flank`."""
        reach_deg = self.opening_deg if opening else self.closing_deg
        joint, size = _arc_joint(self.lift_mm, reach_deg, self.nose_throw_mm)
        angle = np.radians(from_nose_deg)
        nose = self.lift_mm - self.nose_throw_mm * (1.0 - np.cos(angle))
        left = np.maximum(math.radians(reach_deg) - angle, 0.0)
        return np.where(angle < joint, nose, size * (1.0 - np.cos(left)))


@dataclass(frozen=True, slots=True)
class TangentProfile:
    """Straight flanks tangent to a base circle and a round nose, under a roller."""

    lift_mm: float
    opening_deg: float
    closing_deg: float
    base_radius_mm: float = 16.0
    roller_radius_mm: float = 10.0

    def flank(self, from_nose_deg: Floats, opening: bool) -> Floats:
        """Lift along one flank; see `Profile.flank`."""
        reach = math.radians(self.opening_deg if opening else self.closing_deg)
        pitch = self.base_radius_mm + self.roller_radius_mm
        throw = self.lift_mm / (1.0 - math.cos(reach))
        nose_pitch = pitch - throw * math.cos(reach)
        angle = np.radians(from_nose_deg)
        left = np.maximum(reach - angle, 0.0)
        end_of_flank = math.atan(throw * math.sin(reach) / pitch)
        straight = pitch * (1.0 / np.cos(np.minimum(left, end_of_flank)) - 1.0)
        side = np.minimum(throw * np.sin(angle), nose_pitch)
        nose = throw * np.cos(angle) + np.sqrt(nose_pitch**2 - side**2) - pitch
        return np.where(left > end_of_flank, nose, straight)


@dataclass(frozen=True, slots=True)
class Ramp:
    """The slow part at the foot of a flank, nearly at constant velocity.

    It takes `length_deg` and begins `before_deg` ahead of the flank's foot; its rest hides under the flank.
    """

    length_deg: float = 20.0
    before_deg: float = 15.0

    def share(self, outside_foot_deg: Floats) -> Floats:
        """Share of the ramp's height gained, 0 to 1, at cam degrees outside the flank's foot."""
        along = np.clip((self.before_deg - outside_foot_deg) / self.length_deg, 0.0, 1.0)
        # Rounded over a tenth of the length at both ends, straight between.
        eased = 0.1
        start = np.minimum(along, eased) ** 2 / (2.0 * eased)
        straight = np.clip(along - eased, 0.0, 1.0 - 2.0 * eased)
        rest = np.clip(along - (1.0 - eased), 0.0, eased)
        return np.asarray((start + straight + rest - rest**2 / (2.0 * eased)) / (1.0 - eased))


@dataclass(frozen=True, slots=True)
class Hollow:
    """Metal gone from one place of a lobe, deepest in its middle and running out smoothly.

    `at_cam_deg` counts from the nose, negative on the opening side; `width_deg` is from edge to edge.
    """

    depth_mm: float
    at_cam_deg: float
    width_deg: float

    def taken(self, cam_deg: Floats) -> Floats:
        """Metal gone, mm, at cam degrees from the nose."""
        along = np.clip(2.0 * (cam_deg - self.at_cam_deg) / self.width_deg, -1.0, 1.0)
        return np.asarray(self.depth_mm * (1.0 - along**2) ** 2)


@dataclass(frozen=True, slots=True)
class Lobe:
    """A whole lobe: profile and ramps; `lift` is zero on the base circle.

    `worn_mm` takes that much off the nose, less down the flanks, as wear does; `hollows` are worn places.
    """

    profile: Profile
    ramp_mm: float = 0.0
    opening_ramp: Ramp = Ramp()
    closing_ramp: Ramp = Ramp()
    worn_mm: float = 0.0
    hollows: tuple[Hollow, ...] = ()

    @property
    def lift_mm(self) -> float:
        """Lobe lift at the nose, mm, before wear."""
        return self.profile.lift_mm + self.ramp_mm

    def lift(self, cam_deg: Floats) -> Floats:
        """Follower lift, mm, at cam degrees from the nose (any range; wrapped to one turn)."""
        angle = np.remainder(np.asarray(cam_deg, dtype=np.float64) + 180.0, 360.0) - 180.0
        distance = np.abs(angle)
        lifted = np.where(angle < 0.0, self._side(distance, True), self._side(distance, False))
        if self.worn_mm:
            share = np.clip(lifted / self.lift_mm, 0.0, 1.0)
            lifted = lifted - self.worn_mm * share**3
        for hollow in self.hollows:
            lifted = np.maximum(lifted - hollow.taken(angle), 0.0)
        return np.asarray(lifted, dtype=np.float64)

    def _side(self, distance_deg: Floats, opening: bool) -> Floats:
        foot = self.profile.opening_deg if opening else self.profile.closing_deg
        lifted = self.profile.flank(np.minimum(distance_deg, foot), opening)
        flank = np.where(distance_deg < foot, lifted, 0.0)
        if self.ramp_mm == 0.0:
            return flank
        ramp = self.opening_ramp if opening else self.closing_ramp
        return flank + self.ramp_mm * ramp.share(distance_deg - foot)
