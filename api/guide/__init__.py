"""What the builder is told to do next, out of the job and the bench."""

from api.guide.deeds import Deed, KnownLobe, Scene, Told, token_of
from api.guide.job_guide import guide_in, overlap_here, told_in
from api.guide.pistons import drop_source, less_clearance_mm
from api.guide.scene import JobScene

__all__ = [
    "Deed",
    "JobScene",
    "KnownLobe",
    "Scene",
    "Told",
    "drop_source",
    "guide_in",
    "less_clearance_mm",
    "overlap_here",
    "token_of",
    "told_in",
]
