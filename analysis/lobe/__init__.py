"""A lobe out of its readings: found whole from a trace, or followed while the crank is turned."""

from analysis.lobe.faults import encoder_not_stated
from analysis.lobe.find import find_lobe
from analysis.lobe.follower import LobeFollower

__all__ = [
    "LobeFollower",
    "encoder_not_stated",
    "find_lobe",
]
