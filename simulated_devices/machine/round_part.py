"""What is turned by the crank beneath a gauge: a part of known outline, a journal or a damper; a flange's face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RoundPart:
    """A part's outline about its own middle, and where the axis runs that it is turned about.

    Attributes
    ----------
    lobes : tuple of (int, float, float)
        How many times round, height in mm above the mean radius, and where on the part its top stands, degrees.
    off_axis_mm, off_towards_deg : float
        How far the part's middle lies off the axis, and towards which place of the part.
    drift_mm : float
        How far the stand gives over the whole trace.
    """

    radius_mm: float
    lobes: tuple[tuple[int, float, float], ...] = ()
    off_axis_mm: float = 0.0
    off_towards_deg: float = 0.0
    drift_mm: float = 0.0

    def outline_mm(self, place_deg: Floats) -> Floats:
        """Radius about the part's own middle at places round it."""
        waves = [high * np.cos(times * np.radians(place_deg - top)) for times, high, top in self.lobes]
        return np.asarray(self.radius_mm + sum(waves, np.zeros(np.shape(place_deg))))

    def under_gauge_mm(self, crank_deg: Floats) -> Floats:
        """Distance from the axis to the surface where the gauge stands.

        The gauge stands still and the part turns on beneath it: after 90 degrees the place that was 90 degrees
        ahead has come back under it. Told so that place p is under the gauge when the crank stands at p.
        """
        towards = np.radians(crank_deg)
        middle = self.off_axis_mm * np.exp(1j * np.radians(self.off_towards_deg))
        far = np.full(np.shape(crank_deg), self.radius_mm)
        for _ in range(30):
            surface = far * np.exp(1j * towards) - middle
            wanted = self.outline_mm(np.degrees(np.angle(surface)))
            far = far + (wanted - np.abs(surface))
        return np.asarray(far)


@dataclass(frozen=True, slots=True)
class Face:
    """A plane that turns about an axis it is not square to, and where a gauge along the axis stands on it.

    Attributes
    ----------
    from_axis_mm : float
        How far from the axis the gauge stands.
    leans_deg, leans_towards_deg : float
        Between the plane's normal and the axis, and the place of the part towards which the normal leans.
    """

    from_axis_mm: float
    leans_deg: float
    leans_towards_deg: float = 0.0

    def under_gauge_mm(self, crank_deg: Floats) -> Floats:
        """How far the plane stands out along the axis, towards the gauge, where the gauge meets it.

        The plane's normal and the gauge's line in space: the normal turns with the part, the line stands still.
        """
        leans = np.radians(self.leans_deg)
        towards = np.radians(np.asarray(crank_deg) - self.leans_towards_deg)
        normal = np.sin(leans) * np.cos(towards), np.sin(leans) * np.sin(towards), np.cos(leans)
        x_mm, y_mm = self.from_axis_mm, 0.0
        return np.asarray(-(normal[0] * x_mm + normal[1] * y_mm) / normal[2])
