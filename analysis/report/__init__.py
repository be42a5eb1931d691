"""What kept traces tell of a cam: its report, one profile against another."""

from analysis.report.cam_report import (
    CHECK_LIFTS_IN,
    CHECK_LIFTS_MM,
    MM_PER_INCH,
    AtLift,
    CamReport,
    Profile,
    Ramp,
    cam_report,
    report_lobe,
)
from analysis.report.reading_off import Figure

__all__ = [
    "CHECK_LIFTS_IN",
    "CHECK_LIFTS_MM",
    "MM_PER_INCH",
    "AtLift",
    "CamReport",
    "Figure",
    "Profile",
    "Ramp",
    "cam_report",
    "report_lobe",
]
