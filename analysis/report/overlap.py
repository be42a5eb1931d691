"""What the two lobes of a cylinder tell together: overlap area, overlap at a check lift, separation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.base import Floats
from analysis.report.lobe_report import CamReport
from analysis.report.reading_off import Figure

_STEP_DEG = 0.25
_MOVED_DEG = 0.25
_CYCLE_DEG = 720.0


@dataclass(frozen=True, slots=True)
class Overlap:
    """Both valves of one cylinder.

    Attributes
    ----------
    area_mm_deg
        Under both curves at once: the lower of the two lifts, summed over the crank degrees at which both are open.
    at_lift_deg
        By check lift, mm: from the inlet's opening to the exhaust's closing; negative where there is none.
    separation_cam_deg
        Half of the crank degrees from the exhaust's lobe centre to the inlet's.
    """

    area_mm_deg: Figure
    at_lift_deg: dict[float, Figure]
    separation_cam_deg: Figure


def overlap_of(inlet: CamReport, exhaust: CamReport) -> Overlap:
    """Tell what two lobes of one cylinder have in common; both in crank degrees from the same TDC."""
    return Overlap(_area(inlet, exhaust), _at_lifts(inlet, exhaust), _separation(inlet, exhaust))


def _signed(deg: float) -> float:
    return (deg + 0.5 * _CYCLE_DEG) % _CYCLE_DEG - 0.5 * _CYCLE_DEG


def _lifts(report: CamReport, crank: Floats, later_deg: float = 0.0) -> tuple[Floats, Floats]:
    profile = report.profile
    around = np.mod(crank - later_deg - profile.crank_deg[0], _CYCLE_DEG) + profile.from_full_lift_deg[0]
    lift, u = (
        np.interp(around, profile.from_full_lift_deg, values, right=0.0)
        for values in (profile.lift_mm, profile.lift_u_mm)
    )
    return np.maximum(lift, 0.0), u


def _area(inlet: CamReport, exhaust: CamReport) -> Figure:
    """Area under both lifts at once, in doubt by where each lobe stands and by its level."""
    crank: Floats = np.arange(0.0, _CYCLE_DEG, _STEP_DEG)

    def area(inlet_later: float = 0.0, exhaust_later: float = 0.0) -> float:
        """Area under both curves where either cam stands so much later."""
        low = np.minimum(_lifts(inlet, crank, inlet_later)[0], _lifts(exhaust, crank, exhaust_later)[0])
        return float(np.sum(low)) * _STEP_DEG

    own = area()
    if own == 0.0:
        return Figure(0.0, 0.0)
    by_inlet = (area(_MOVED_DEG) - area(-_MOVED_DEG)) / (2.0 * _MOVED_DEG)
    by_exhaust = (area(0.0, _MOVED_DEG) - area(0.0, -_MOVED_DEG)) / (2.0 * _MOVED_DEG)
    (low_in, u_in), (low_ex, u_ex) = _lifts(inlet, crank), _lifts(exhaust, crank)
    both = (low_in > 0.0) & (low_ex > 0.0)
    # Errors of neighbouring lifts of one curve go together, so they are added, not their squares.
    level = 2.0 * float(np.sum(np.where(low_in < low_ex, u_in, u_ex)[both])) * _STEP_DEG
    places = (by_inlet * inlet.result.u95_deg, by_exhaust * exhaust.result.u95_deg)
    return Figure(own, float(np.hypot(np.hypot(*places), level)))


def _at_lifts(inlet: CamReport, exhaust: CamReport) -> dict[float, Figure]:
    closes = {at.lift_mm: at.closes_deg for at in exhaust.at_lifts}
    return {
        at.lift_mm: Figure(
            _signed(closes[at.lift_mm].value - at.opens_deg.value),
            float(np.hypot(closes[at.lift_mm].u95, at.opens_deg.u95)),
        )
        for at in inlet.at_lifts
        if at.lift_mm in closes
    }


def _separation(inlet: CamReport, exhaust: CamReport) -> Figure:
    apart = (inlet.result.centre_deg - exhaust.result.centre_deg) % _CYCLE_DEG
    return Figure(0.5 * apart, 0.5 * float(np.hypot(inlet.result.u95_deg, exhaust.result.u95_deg)))
