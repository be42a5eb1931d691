"""The job as a pure function of facts: steps, what may be done next, what speaks against a result."""

from analysis.job.before_after import ToldFrom, lobe_changes
from analysis.job.cam import as_found, error_of
from analysis.job.card_match import card_from, rank_cards
from analysis.job.checks import check_job, valve_check_lift_mm
from analysis.job.evidence import Evidence
from analysis.job.opening import SAME_TDC_DEG, STROKE_NEAR_TDC_DEG
from analysis.job.procedure import fact_added, job_state
from analysis.job.room import room_to_valve, rooms
from analysis.job.state import Blocked, CamStanding, JobState, StepState
from analysis.job.steps import Step
from analysis.job.turning import (
    CHECK_PISTONS,
    EVERLASTING,
    MAKERS_FIRST,
    STOP_ON_RESISTANCE,
    TAKE_OUT,
    TURN_BY_HAND,
    TURNS_DEG,
    far_enough,
    fitting_up,
    how_to_turn,
)

__all__ = [
    "CHECK_PISTONS",
    "EVERLASTING",
    "MAKERS_FIRST",
    "SAME_TDC_DEG",
    "STOP_ON_RESISTANCE",
    "STROKE_NEAR_TDC_DEG",
    "TAKE_OUT",
    "TURNS_DEG",
    "TURN_BY_HAND",
    "Blocked",
    "CamStanding",
    "Evidence",
    "JobState",
    "Step",
    "StepState",
    "ToldFrom",
    "as_found",
    "card_from",
    "check_job",
    "error_of",
    "fact_added",
    "far_enough",
    "fitting_up",
    "how_to_turn",
    "job_state",
    "lobe_changes",
    "rank_cards",
    "room_to_valve",
    "rooms",
    "valve_check_lift_mm",
]
