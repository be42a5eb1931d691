"""Lobes measured again, from a job's facts and its stored measurements."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.base import ENCODER_LINE
from analysis.job import ToldFrom
from analysis.timing import Fact, LobeMeasured
from api.records import Measurement, MeasurementReader

MOST_OF_A_JOB = 1000


def told_from(facts: Sequence[Fact], measurements: MeasurementReader, job_id: int) -> dict[int, ToldFrom]:
    """Give the true TDC that each measured lobe of a job was told from, by number of its fact."""
    stored = {str(one.id): one for one in measurements.listed(job_id=job_id, limit=MOST_OF_A_JOB)}
    return {
        fact.number: tdc_of(stored[fact.what.measurement_id])
        for fact in facts
        if isinstance(fact.what, LobeMeasured) and fact.what.measurement_id in stored
    }


def tdc_of(measurement: Measurement) -> ToldFrom:
    """Give the true TDC that a measurement of a lobe was told from."""
    settings = measurement.settings
    lines = (measurement.detail or {}).get("budget", [])
    turn_u = math.fsum(line["u_deg"] for line in lines if line["source"] == ENCODER_LINE)
    return ToldFrom(float(settings.get("tdc_deg") or 0.0), float(settings.get("tdc_u_deg") or 0.0), turn_u)
