"""What a builder reads off a disc and a gauge by eye, taken into a job as facts marked so."""

from __future__ import annotations

from typing import Any

from analysis.base import to_plain
from analysis.job import JobState
from analysis.timing import (
    CYCLE_DEG,
    HandTools,
    Job,
    Lobe,
    LobeMeasured,
    Payload,
    StoredLift,
    curve_by_hand,
    lobe_by_hand,
    tdc_by_hand,
)
from api.base import HandEntry, with_service_errors
from api.jobs.measured import touched
from api.jobs.measuring import wanted_drop_mm

Fields = dict[str, Any]


@with_service_errors
def fact_by_hand(job: Job, state: JobState, entry: HandEntry) -> Payload:
    """Give the fact of readings by hand; raises a `ServiceError` with what is wrong with them."""
    cylinder = entry.cylinder or job.engine.reference
    part = touched(job.engine, f"{entry.valve or 'piston'}_{cylinder.lower()}")
    if part.valve is None:
        return tdc_by_hand(entry.pairs, _tools(entry)).fact(part.cylinder)
    return _lobe(job, state, entry, part.lobe)


def _tools(entry: HandEntry) -> HandTools:
    return HandTools(entry.disc_division_deg, entry.gauge_step_mm)


def _lobe(job: Job, state: JobState, entry: HandEntry, lobe: Lobe) -> LobeMeasured:
    """A typed curve that makes none is refused here; it is kept beside the fact, not in it."""
    curve_of(source_of(entry))
    found = lobe_by_hand(
        lobe.valve,
        entry.pairs,
        drop_mm=wanted_drop_mm(job, lobe.valve) if entry.drop_mm is None else entry.drop_mm,
        tools=_tools(entry),
        tdc_u95_deg=state.tdc_u95_deg or 0.0,
        peak_lift_mm=entry.peak_lift_mm,
        firing_offset_deg=job.engine.firing_offset_deg(lobe.cylinder) % CYCLE_DEG,
        read_forward=entry.read_forward,
    )
    return found.fact(lobe.cylinder)


def source_of(entry: HandEntry) -> Fields:
    """Give everything that was typed, to be kept beside the fact."""
    return {
        "by_hand": True,
        "pairs": [to_plain(pair) for pair in entry.pairs],
        "disc_division_deg": entry.disc_division_deg,
        "gauge_step_mm": entry.gauge_step_mm,
        "curve": [[one.deg, one.reading_mm] for one in entry.curve],
        "base_mm": entry.base_mm,
        "polarity": entry.polarity,
    }


def curve_of(source: Fields) -> StoredLift | None:
    """Give the lift curve that was typed, `None` where none was; raises `Refusal` where it makes none."""
    readings = [(deg, reading) for deg, reading in source.get("curve", [])]
    if not readings:
        return None
    return curve_by_hand(readings, base_mm=source["base_mm"], polarity=source["polarity"])
