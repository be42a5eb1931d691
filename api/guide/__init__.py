"""What the builder is told to do next, out of the job and the bench."""

from api.guide.contexts import GuideContexts
from api.guide.guidance import Action, Guidance, GuideContext, KnownLobe, token_of
from api.guide.job_guide import guidance_in, guide_in, overlap_here
from api.guide.pistons import NO_VALVE_CURVE, drop_source, less_clearance_mm
from api.guide.verdicts import with_reason

__all__ = [
    "NO_VALVE_CURVE",
    "Action",
    "Guidance",
    "GuideContext",
    "GuideContexts",
    "KnownLobe",
    "drop_source",
    "guidance_in",
    "guide_in",
    "less_clearance_mm",
    "overlap_here",
    "token_of",
    "with_reason",
]
