"""What kept traces tell of a cam: its report, one profile against another."""

from analysis.report.compression_ratio import Compression, Cylinder, Typed, compression
from analysis.report.crown_reading import CrownTop, crown_top, resting_reading
from analysis.report.deck_height import CrownReadings, CylinderDeck, DeckFound, DeckSettings, deck_heights
from analysis.report.end_float import EndFloat, find_end_float
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
from analysis.report.runout import Runout, Swash, Wave, find_runout, swash_of
from analysis.report.slack_and_stretch import CamSlack, DriveLine, SlackSeen, drive_slack
from analysis.report.timing_mark import MarkError, mark_error, rim_along_mm

__all__ = [
    "CHECK_LIFTS_IN",
    "CHECK_LIFTS_MM",
    "MM_PER_INCH",
    "Against",
    "AtLift",
    "CamReport",
    "CamSlack",
    "Compression",
    "CrownReadings",
    "CrownTop",
    "Cylinder",
    "CylinderDeck",
    "DeckFound",
    "DeckSettings",
    "DriveLine",
    "EndFloat",
    "Figure",
    "KeptProfile",
    "MarkError",
    "Overlap",
    "Place",
    "Profile",
    "Ramp",
    "Runout",
    "SlackSeen",
    "Swash",
    "Typed",
    "Wave",
    "against",
    "cam_report",
    "compression",
    "crown_top",
    "deck_heights",
    "drive_slack",
    "find_end_float",
    "find_runout",
    "kept_profile",
    "mark_error",
    "overlap_of",
    "profile_of_table",
    "report_lobe",
    "resting_reading",
    "rim_along_mm",
    "swash_of",
]
