"""Does the encoder still count from the zero that true TDC was found with?

Every angle of a job rests on true TDC in the encoder's own degrees. When capture begins anew, or the counter
does, it may count from elsewhere: one more true TDC proves that the zero stands, or shows by how much not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from typing import Literal, Protocol

from analysis.job import SAME_TDC_DEG, JobState
from analysis.timing import Fact, TdcMeasured, nearest
from api.records import Measurement, MeasurementReader
from capture.base import CaptureError, Event

ANEW = frozenset({"counter_reset", "counter_jump", "counts_lost"})


class Events(Protocol):
    """Whatever knows what happened on a run."""

    def events(self, run_id: int) -> list[Event]:
        """Give them in order; may raise `CaptureError`."""


@dataclass(frozen=True, slots=True)
class ZeroProof:
    """`stands`: proved on this run. `unproved`: not looked at since. `moved`: `off_deg` from where it was."""

    state: Literal["stands", "unproved", "moved"]
    off_deg: float = 0.0

    @property
    def sentence(self) -> str:
        """Say what is the matter and what to do; empty where the zero stands."""
        if self.state == "unproved":
            return (
                "The encoder was counted anew since true TDC was found, and its zero may be another. Measure "
                "true TDC once more: if it stands, the job goes on where it was."
            )
        if self.state == "moved":
            return (
                f"True TDC is {self.off_deg:+.2f} deg from where it was: the encoder counts from another "
                "zero. Go back to true TDC."
            )
        return ""


def zero_proof(
    state: JobState,
    facts: Sequence[Fact],
    measurements: MeasurementReader,
    reader: Events,
    *,
    run_id: int | None,
    anew_ns: int = 0,
    from_elsewhere: int = 0,
    reference: str = "",
) -> ZeroProof:
    """Tell whether true TDC of the reference cylinder was found with the zero that is counted from now.

    Parameters
    ----------
    run_id
        The run of capture that goes on now, if any.
    anew_ns
        When the live feed said last that the counter began anew; the store may not have it yet.
    from_elsewhere
        So many of the first facts came with a job file: they prove nothing of this bench.
    reference
        The reference cylinder: the TDC of a vee's other bank stands elsewhere and proves nothing of the zero.
    """
    every = [
        fact for fact in facts if isinstance(fact.what, TdcMeasured) and reference in ("", fact.what.cylinder)
    ]
    found = [
        fact.what for fact in every if fact.number > from_elsewhere and isinstance(fact.what, TdcMeasured)
    ]
    if state.tdc_deg is None or run_id is None or not every or any(one.by_hand for one in found):
        return ZeroProof("stands")
    since_ns = max(anew_ns, _counted_anew(reader, run_id))
    for one in reversed(found):
        if not one.measurement_id.isdecimal():
            continue
        measurement = measurements.get(int(one.measurement_id))
        if measurement.run_id == run_id and measurement.start_ns > since_ns:
            return _compared(state, one)
    return ZeroProof("unproved")


def _compared(state: JobState, newest: TdcMeasured) -> ZeroProof:
    assert state.tdc_deg is not None
    off = nearest(newest.centre_deg - state.tdc_deg, 360.0)
    limit = max(2 * SAME_TDC_DEG, hypot(newest.u95_deg, state.tdc_u95_deg or 0.0))
    return ZeroProof("stands") if abs(off) <= limit else ZeroProof("moved", off)


def _counted_anew(reader: Events, run_id: int) -> int:
    """Give when the counter began anew last on a run; 0 if it never did."""
    try:
        events = reader.events(run_id)
    except CaptureError:
        return 0
    return max((event.t_ns for event in events if event.code in ANEW), default=0)


def tdc_counted_from(
    measurements: MeasurementReader,
    reader: Events,
    run_id: int,
    *,
    touches: str | None = None,
    anew_ns: int = 0,
) -> Measurement | None:
    """Give the last true TDC of a run, or of one piston on it, that was found with the zero that is counted from now."""
    after_ns = max(anew_ns, _counted_anew(reader, run_id))
    return measurements.last_tdc(run_id, touches=touches, after_ns=after_ns)
