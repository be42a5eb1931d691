"""What kept traces tell of a cam: its report, one profile against another."""

from analysis.report.held_against import Against, Place, against
from analysis.report.kept_profile import KeptProfile, kept_profile, profile_of_table
from analysis.report.lobe_report import (
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
from analysis.report.overlap import Overlap, overlap_of
from analysis.report.reading_off import Figure
from analysis.report.runout import Runout, Wave, find_runout

__all__ = [
    "CHECK_LIFTS_IN",
    "CHECK_LIFTS_MM",
    "MM_PER_INCH",
    "Against",
    "AtLift",
    "CamReport",
    "Figure",
    "KeptProfile",
    "Overlap",
    "Place",
    "Profile",
    "Ramp",
    "Runout",
    "Wave",
    "against",
    "cam_report",
    "find_runout",
    "kept_profile",
    "overlap_of",
    "profile_of_table",
    "report_lobe",
]
