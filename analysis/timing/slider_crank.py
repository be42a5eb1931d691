"""Piston motion of a slider-crank with an offset pin, and how it changes with every dimension.

All lengths here are in throws (half the stroke without offset), all angles in radians from the piston's
highest point, growing in the running direction. A positive offset stands to the (major) thrust side: the side
that the throw comes up on. Rod and throw are then in one line before the throw's own upright.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.base import Floats


@dataclass(frozen=True, slots=True)
class Drop:
    """How far the piston stands below its highest point, in throws, with the partial derivatives.

    Attributes
    ----------
    drop, slope : ndarray, shape (m,)
        Drop and its derivative by the crank angle (a radian).
    by_ratio, by_offset : ndarray, shape (m,)
        Derivatives by throw over rod, and by pin offset over throw.
    """

    drop: Floats
    slope: Floats
    by_ratio: Floats
    by_offset: Floats


def piston_drop(angle_rad: Floats, throw_over_rod: float, offset: float = 0.0) -> Drop:
    """Drop of the piston below its highest point.

    Parameters
    ----------
    angle_rad : ndarray, shape (m,)
        Crank angle past the piston's highest point.
    throw_over_rod : float
        Throw divided by rod length, between 0 and 1.
    offset : float
        Pin offset divided by throw, positive to the thrust side.

    Examples
    --------
    >>> import numpy as np
    >>> piston_drop(np.array([np.pi]), 0.3).drop.round(12)
    array([2.])
    """
    rod = 1.0 / throw_over_rod
    top = -math.asin(offset / (rod + 1.0))
    height = math.sqrt((rod + 1.0) ** 2 - offset**2)
    sine, cosine = np.sin(angle_rad + top), np.cos(angle_rad + top)
    aside = sine + offset
    upright = np.sqrt(rod**2 - aside**2)
    slope = sine + aside * cosine / upright
    by_rod = (rod + 1.0) / height - rod / upright + slope * offset / ((rod + 1.0) * height)
    by_offset = -offset / height + aside / upright - slope / height
    return Drop(height - cosine - upright, slope, -(rod**2) * by_rod, by_offset)


def throw_mm(stroke_mm: float, rod_mm: float, pin_offset_mm: float) -> float:
    """Throw of the crank that gives a stroke, with the pin offset taken into account.

    Raises
    ------
    ValueError
        When no such engine can turn.
    """
    throw = 0.5 * stroke_mm
    for _ in range(20):
        if rod_mm - throw <= abs(pin_offset_mm):
            raise ValueError("the rod is too short for the stroke")
        long = math.sqrt((rod_mm + throw) ** 2 - pin_offset_mm**2)
        short = math.sqrt((rod_mm - throw) ** 2 - pin_offset_mm**2)
        throw *= stroke_mm / (long - short)
    return throw


def top_after_upright_deg(throw: float, rod: float, pin_offset: float) -> float:
    """Angle from the throw's upright to the piston's highest point, degrees; lengths in one unit.

    Negative, before it, for a pin that stands to the thrust side.

    >>> round(top_after_upright_deg(40, 140, 1.5), 4)
    -0.4775
    """
    return -math.degrees(math.asin(pin_offset / (rod + throw)))
