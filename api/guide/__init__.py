"""What the builder is told to do next, out of the job and the bench."""

from api.guide.contexts import GuideContexts
from api.guide.deeds import Deed, deed
from api.guide.following import (
    ASKED_AFTER_DEG,
    Wanted,
    ends_now,
    is_of,
    matching,
    metal_moved,
    question,
    wanted,
    zero_of,
)
from api.guide.guidance import Action, Guidance, GuideContext, KnownLobe, Watch, token_of
from api.guide.job_guide import guidance_in, guide_in, overlap_here
from api.guide.jobless import (
    BenchContext,
    bench_doubt,
    bench_enough,
    bench_guidance,
    bench_guide,
    bench_matching,
    bench_question,
    bench_token,
    bench_zero,
)
from api.guide.measuring import Enough
from api.guide.pistons import NO_VALVE_CURVE, drop_of, drop_source, less_clearance_mm
from api.guide.verdicts import with_reason

__all__ = [
    "ASKED_AFTER_DEG",
    "NO_VALVE_CURVE",
    "Action",
    "BenchContext",
    "Deed",
    "Enough",
    "Guidance",
    "GuideContext",
    "GuideContexts",
    "KnownLobe",
    "Wanted",
    "Watch",
    "bench_doubt",
    "bench_enough",
    "bench_guidance",
    "bench_guide",
    "bench_matching",
    "bench_question",
    "bench_token",
    "bench_zero",
    "deed",
    "drop_of",
    "drop_source",
    "ends_now",
    "guidance_in",
    "guide_in",
    "is_of",
    "less_clearance_mm",
    "matching",
    "metal_moved",
    "overlap_here",
    "question",
    "token_of",
    "wanted",
    "with_reason",
    "zero_of",
]
