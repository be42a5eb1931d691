"""Jobs and their facts: what was entered, measured and decided, and how it is viewed."""

from api.jobs.by_hand import curve_of, fact_by_hand, source_of
from api.jobs.changes import told_from
from api.jobs.entries import card_of, engine_of, job_of
from api.jobs.entry_names import LONGEST_WORDS, refuse_bad_name
from api.jobs.entry_questions import refuse_impossible_card, refuse_impossible_engine, refuse_impossible_job
from api.jobs.jobs import SCREEN, Jobs, tell_where
from api.jobs.left_to_measure import lobes_left, lobes_measured, piston_of
from api.jobs.lift_tables import lift_table
from api.jobs.measured import touched
from api.jobs.measuring import JobMeasuring
from api.jobs.repeatability import RepeatabilityView, repeatability_view
from api.jobs.turned import TurnedView, turned_view
from api.jobs.views import job_line, job_view

__all__ = [
    "LONGEST_WORDS",
    "SCREEN",
    "JobMeasuring",
    "Jobs",
    "RepeatabilityView",
    "TurnedView",
    "card_of",
    "curve_of",
    "engine_of",
    "fact_by_hand",
    "job_line",
    "job_of",
    "job_view",
    "lift_table",
    "lobes_left",
    "lobes_measured",
    "piston_of",
    "refuse_bad_name",
    "refuse_impossible_card",
    "refuse_impossible_engine",
    "refuse_impossible_job",
    "repeatability_view",
    "source_of",
    "tell_where",
    "told_from",
    "touched",
    "turned_view",
]
