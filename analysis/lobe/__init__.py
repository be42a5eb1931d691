"""A lobe out of its readings: found whole from a trace, or followed while the crank is turned."""

from analysis.lobe.faults import encoder_not_stated
from analysis.lobe.find import find_lobe, find_lobe_with_fit
from analysis.lobe.follower import LobeFollower
from analysis.lobe.result import Measured, base_rounding_mm
from analysis.lobe.shape import LobeShape, Reading

__all__ = [
    "LobeFollower",
    "LobeShape",
    "Measured",
    "Reading",
    "base_rounding_mm",
    "encoder_not_stated",
    "find_lobe",
    "find_lobe_with_fit",
]
