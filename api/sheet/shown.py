"""Everything that pages show of a job and need no fit for, made once: does a job open?"""

from __future__ import annotations

from analysis.job import Evidence, check_job, job_state
from api.jobs import job_line, job_view
from api.records import JobReader, MeasurementReader
from api.sheet.measurements import measurement_lines
from api.sheet.words import card_lines, clearance_lines, engine_lines, happenings
from api.store import Asking

MOST_MEASUREMENTS = 100_000


def show_job(ask: Asking, job_id: int) -> None:
    """Make the views of a job, and throw them away; raises whatever keeps them from being made."""
    jobs, measurements = JobReader(ask), MeasurementReader(ask)
    row, facts = jobs.job(job_id), jobs.facts(job_id)
    state, evidence = job_state(row.job, facts), Evidence.of(row.job, facts)
    measured = {one.id: one for one in measurements.listed(job_id=job_id, limit=MOST_MEASUREMENTS)}
    adoptions = jobs.adoptions(job_id)
    job_line(row, None).model_dump_json()
    job_view(
        row, state, facts, adoptions, measurement=None, guide=None, is_open=False
    ).model_dump_json().encode()
    for one in measured.values():
        one.view().model_dump_json().encode()
        one.analysis_settings()
        one.gauge_facts()
    check_job(row.job, evidence.facts)
    measurement_lines(row.job, evidence, facts, measured)
    for lines in (engine_lines(row.job.engine), card_lines(row.job), happenings(facts)):
        str(lines).encode()
    clearance_lines(row.job, list(evidence.facts))
    jobs.sources(job_id)
