"""Jobs and their facts: what was entered, measured and decided, and how it is viewed."""

from api.jobs.by_hand import curve_of, fact_by_hand, source_of
from api.jobs.changes import told_from
from api.jobs.jobs import SCREEN, Jobs, tell_where
from api.jobs.left_to_measure import lobes_left, lobes_measured, piston_of
from api.jobs.lift_tables import lift_table
from api.jobs.measured import touched
from api.jobs.measuring import JobMeasuring
from api.jobs.parts import (
    PartLine,
    PartRecord,
    curve_csv,
    kept_source,
    lines_csv,
    part_line,
    part_measured,
    part_record,
    part_source,
    parts_csv,
)
from api.jobs.repeatability import RepeatabilityView, repeatability_view
from api.jobs.turned import TurnedView, turned_view
from api.jobs.views import job_line, job_view

__all__ = [
    "SCREEN",
    "JobMeasuring",
    "Jobs",
    "PartLine",
    "PartRecord",
    "RepeatabilityView",
    "TurnedView",
    "curve_csv",
    "curve_of",
    "fact_by_hand",
    "job_line",
    "job_view",
    "kept_source",
    "lift_table",
    "lines_csv",
    "lobes_left",
    "lobes_measured",
    "part_line",
    "part_measured",
    "part_record",
    "part_source",
    "parts_csv",
    "piston_of",
    "repeatability_view",
    "source_of",
    "tell_where",
    "told_from",
    "touched",
    "turned_view",
]
