"""True TDC out of its readings: found whole from a trace, or followed while the crank is turned."""

from analysis.tdc.find import find_tdc
from analysis.tdc.follower import TdcFollower

__all__ = [
    "TdcFollower",
    "find_tdc",
]
