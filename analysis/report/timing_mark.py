"""A damper's or flywheel's mark held against true TDC: its error in degrees, and in mm along the rim."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.base import EntryError
from analysis.report.reading_off import Figure

_LEAST_RIM_MM, _MOST_RIM_MM = 20.0, 3000.0
_MOST_TDC_U95_DEG = 10.0
_MARK_U95_DEG = 0.2
"""How surely the mark is brought under the pointer."""


@dataclass(frozen=True, slots=True)
class MarkError:
    """Where a mark stands under its pointer.

    Attributes
    ----------
    late_deg
        Crank degrees at which the mark comes under the pointer, from true TDC: positive is after TDC, so that an
        ignition set by it fires that much later than it says.
    along_rim_mm
        The same along the rim: how far the mark or the pointer is to be moved.
    """

    late_deg: Figure
    along_rim_mm: Figure

    @property
    def words(self) -> str:
        """What a builder does about it."""
        size = abs(self.late_deg.value)
        told = f"{size:.2f} ± {self.late_deg.u95:.2f} deg"
        if not self.late_deg.told:
            return f"The mark stands true within {self.late_deg.u95:.2f} deg."
        when = "after" if self.late_deg.value > 0.0 else "before"
        way = "with" if self.late_deg.value > 0.0 else "against"
        return (
            f"The mark comes under the pointer {told} {when} true TDC, {abs(self.along_rim_mm.value):.2f} mm on the rim: "
            f"a new mark belongs that far from the old one, {way} the running direction."
        )


def mark_error(mark_deg: float, tdc_deg: float, rim_mm: float, *, tdc_u95_deg: float = 0.0) -> MarkError:
    """Hold a mark against true TDC.

    Parameters
    ----------
    mark_deg : float
        What the encoder showed with the mark under its pointer, turning forward.
    tdc_deg : float
        True TDC in the same degrees; either dead centre of the two turns of a cycle.
    rim_mm : float
        Diameter at the mark.

    Raises
    ------
    EntryError

    Notes
    -----
    Counted on the fingers: the crank turns on, and the mark arrives when TDC is past by 2 degrees. At TDC the mark was
    2 degrees short of the pointer, so metal that is 2 degrees *further on* in the running direction stood under the
    pointer, and there the new mark belongs.

    Examples
    --------
    >>> round(mark_error(92.0, 90.0, 180.0).along_rim_mm.value, 3)
    3.142
    """
    if not (math.isfinite(rim_mm) and _LEAST_RIM_MM <= rim_mm <= _MOST_RIM_MM):
        raise EntryError(
            "bad_rim",
            f"A rim of {rim_mm:g} mm cannot be; measure its diameter, {_LEAST_RIM_MM:g} to {_MOST_RIM_MM:g} mm.",
        )
    if not (math.isfinite(mark_deg) and math.isfinite(tdc_deg)):
        raise EntryError(
            "bad_angle", "The mark and true TDC are angles of the encoder; give both as numbers."
        )
    if not 0.0 <= tdc_u95_deg <= _MOST_TDC_U95_DEG:
        raise EntryError(
            "bad_interval",
            f"An interval of true TDC of {tdc_u95_deg:g} deg cannot be; give 0 to {_MOST_TDC_U95_DEG:g} deg.",
        )
    late = (mark_deg - tdc_deg + 180.0) % 360.0 - 180.0
    u95 = math.hypot(_MARK_U95_DEG, tdc_u95_deg)
    to_mm = rim_along_mm(1.0, rim_mm)
    return MarkError(Figure(late, u95), Figure(late * to_mm, u95 * to_mm))


def rim_along_mm(deg: float, rim_mm: float) -> float:
    """Length along a rim of so many degrees, mm."""
    return math.pi * rim_mm * deg / 360.0
