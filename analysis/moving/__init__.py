"""What brings a cam to its card: corrections, what is fitted, slips, the guided move, where to park."""

from analysis.moving.correction import (
    Correction,
    correction_for,
    lift_at_tdc_after,
    setting_of,
    single_cam_after,
    tooth_deg,
)
from analysis.moving.fitted import adjuster_now
from analysis.moving.guided_move import (
    STILL_DEG,
    CrankMove,
    FlankMove,
    MoveView,
    crank_move,
    first_phase,
    flank_move,
    follow_crank,
    follow_flank,
)
from analysis.moving.parking import best_park
from analysis.moving.slip import Slip, expected_mm, find_slip

__all__ = [
    "STILL_DEG",
    "Correction",
    "CrankMove",
    "FlankMove",
    "MoveView",
    "Slip",
    "adjuster_now",
    "best_park",
    "correction_for",
    "crank_move",
    "expected_mm",
    "find_slip",
    "first_phase",
    "flank_move",
    "follow_crank",
    "follow_flank",
    "lift_at_tdc_after",
    "setting_of",
    "single_cam_after",
    "tooth_deg",
]
