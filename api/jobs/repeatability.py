"""How well a stored measurement repeats: its passes among themselves, and others of the same thing beside it."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from analysis.base import Pass
from analysis.timing import CYCLE_DEG, SAME_LIFT_MM, compare, spread_of
from api.jobs.changes import tdc_of
from api.records import Measurement

TURN_DEG = 360.0


class SpreadView(BaseModel):
    """How the passes of one measurement agree; `expected_sd_deg` is what their readings lead one to expect."""

    count: int
    mean_deg: float
    range_deg: float
    sd_deg: float
    expected_sd_deg: float
    sentence: str


class DifferenceView(BaseModel):
    """Another measurement less this one; `call` is null, and `sentence` says why, where they cannot be compared.

    `by_deg` positive is later; `chance` is the probability that two measurements of one thing differ by as much.
    """

    measurement_id: int
    by_deg: float | None = None
    u95_deg: float | None = None
    chance: float | None = None
    call: str | None = None
    sentence: str


class RepeatabilityView(BaseModel):
    """How well a measurement repeats; `spread` is null with fewer than two passes that could stand alone."""

    spread: SpreadView | None
    others: list[DifferenceView]


def repeatability_view(measurement: Measurement, others: list[Measurement]) -> RepeatabilityView:
    """Compare a measurement's passes, and others with it."""
    passes = [_pass(one) for one in (measurement.result or {}).get("passes", [])]
    spread = spread_of(passes, _cycle_deg(measurement))
    return RepeatabilityView(
        spread=None if spread is None else SpreadView.model_validate(spread, from_attributes=True),
        others=[_difference(measurement, other) for other in others],
    )


def _cycle_deg(measurement: Measurement) -> float:
    return TURN_DEG if measurement.what == "tdc" else CYCLE_DEG


def _pass(kept: dict[str, Any]) -> Pass:
    return Pass(
        start_s=kept["start_s"],
        end_s=kept["end_s"],
        direction=kept["direction"],
        speed_deg_s=kept["speed_deg_s"],
        used=kept["used"],
        centre_deg=kept["centre_deg"],
        u_deg=kept["u_deg"],
    )


def _difference(first: Measurement, other: Measurement) -> DifferenceView:
    """By how much two differ; what both owe to one TDC is no difference between them."""
    if first.touches != other.touches:
        return DifferenceView(measurement_id=other.id, sentence="Another part: there is nothing to repeat.")
    before, after = _centre_at(first, None), _centre_at(other, (first.result or {}).get("drop_mm"))
    if before is None or after is None:
        why = "One of the two gave no number, or none at the same drop below full lift."
        return DifferenceView(measurement_id=other.id, sentence=why)
    same_tdc = first.what == "lobe" and tdc_of(first) == tdc_of(other)
    shared = tdc_of(first).shared_u_deg if same_tdc else 0.0
    found = compare(*before, *after, shared_u_deg=shared, cycle_deg=_cycle_deg(first))
    return DifferenceView(
        measurement_id=other.id,
        by_deg=found.by_deg,
        u95_deg=found.u95_deg,
        chance=found.chance,
        call=found.call,
        sentence=found.sentence,
    )


def _centre_at(measurement: Measurement, drop_mm: float | None) -> tuple[float, float] | None:
    """Centre and expanded uncertainty; of a lobe at that drop, where one is asked for."""
    result = measurement.result
    if result is None or not result["u95_deg"]:
        return None
    if drop_mm is None or abs(result["drop_mm"] - drop_mm) <= SAME_LIFT_MM:
        return result["centre_deg"], result["u95_deg"]
    for one in (measurement.detail or {}).get("centres", []):
        if abs(one["drop_mm"] - drop_mm) <= SAME_LIFT_MM and one["u_deg"]:
            return one["centre_deg"], 2.0 * one["u_deg"]
    return None
