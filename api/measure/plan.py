"""What a measurement is begun with: settings and facts that are known now, and where each came from."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

from api.base import BenchError, NotFoundError
from api.live import BenchState
from api.measure.requests import LobeAsked, MeasurementAsked, TdcAsked
from api.measure.zero import tdc_counted_from
from api.records import Measurement, MeasurementReader, StoredStreams, now_text
from capture.base import wire_now_ns

Fields = dict[str, Any]


@dataclass(frozen=True, slots=True)
class ByItself:
    """What of a measurement goes by itself: it ends so, and began so at an instant that may be past.

    What was turned before it was known what the gauge touches is stored already, and counts.
    """

    since_ns: int | None = None

    @property
    def settings(self) -> Fields:
        """What is kept of it beside the measurement's settings."""
        return {"ends_by_itself": True, "begun_by_itself": self.since_ns is not None}


def planned(
    asked: MeasurementAsked, bench: BenchState, store: MeasurementReader, stored: StoredStreams
) -> Measurement:
    """Give a measurement that is ready to begin, not yet kept.

    Raises
    ------
    BenchError
        Capture is not running, or the bench has no crank or no gauge.
    NotFoundError
        The bench has no gauge of that name.
    """
    run_id = _running_run(bench)
    gauge = _chosen_gauge(asked.gauge, bench)
    if asked.kind == "tdc":
        settings = (asked.tdc or TdcAsked()).model_dump()
    else:
        settings = _lobe_settings(asked, store, stored, run_id)
    settings |= stored.encoder_marks(run_id)
    return Measurement(
        id=0,
        what=asked.kind,
        touches=asked.touches,
        gauge=gauge,
        start_ns=wire_now_ns(),
        state="running",
        started_at=now_text(),
        job_id=asked.job_id,
        run_id=run_id,
        settings=settings,
        facts=_lag(asked, gauge, store) | stored.gauge_marks(run_id, gauge),
    )


def _running_run(bench: BenchState) -> int:
    if not bench.alive(time.monotonic_ns()) or bench.run_id is None:
        raise BenchError(
            "capture_not_running", "Capture is not running, so nothing can be measured; wait or restart it."
        )
    if bench.crank() is None:
        raise BenchError("no_crank", "The bench has no encoder on the crank; add [crank] to the bench file.")
    return bench.run_id


def _chosen_gauge(name: str | None, bench: BenchState) -> str:
    there = bench.gauges()
    if not there:
        raise BenchError("no_gauge", "The bench has no gauge; add a [[gauge]] to the bench file.")
    if name is None and len(there) == 1:
        return there[0]
    if name is None:
        raise BenchError("which_gauge", f"The bench has the gauges {', '.join(there)}; say which.")
    if name not in there:
        raise NotFoundError("no_such_gauge", f"The bench has no gauge {name}; it has {', '.join(there)}.")
    return name


def _lobe_settings(
    asked: MeasurementAsked, store: MeasurementReader, stored: StoredStreams, run_id: int
) -> Fields:
    """Take true TDC from the last one found on this run where none is given: its own piston's, else any.

    What was found before the encoder was counted anew says nothing of where it stands now.
    """
    lobe = asked.lobe or LobeAsked()
    settings = lobe.model_dump(exclude_none=True) | {"tdc_from": None}
    if lobe.tdc_deg is not None:
        return settings
    last = tdc_counted_from(store, stored, run_id, touches=piston_beside(asked.touches))
    last = last or tdc_counted_from(store, stored, run_id)
    if last is None or last.result is None:
        return settings | {"tdc_deg": 0.0, "tdc_u_deg": 0.0}
    found = {"tdc_deg": last.result["centre_deg"], "tdc_u_deg": last.result["u95_deg"] / 2}
    return settings | found | {"tdc_from": last.id}


def piston_beside(touches: str) -> str:
    """Give the piston in whose cylinder a valve is."""
    return f"piston_{touches.partition('_')[2]}"


def _lag(asked: MeasurementAsked, gauge: str, store: MeasurementReader) -> Fields:
    """Take lag, retrace, jitter and clock from the last true TDC found with the same gauge where no lag is given.

    A measurement of TDC finds its retrace and its clock anew.
    """
    facts: Fields = {"lag_s": asked.lag_s, "lag_u_s": asked.lag_u_s, "lag_from": None}
    last = store.last_tdc(gauge=gauge)
    if last is None or last.result is None or last.detail is None:
        return facts
    if asked.kind == "lobe" and last.detail.get("retrace_u_mm"):
        facts |= {
            "found_retrace_mm": last.detail["retrace_mm"],
            "found_retrace_u_mm": last.detail["retrace_u_mm"],
            "jitter_s": last.detail["jitter_s"],
            "tick_s": last.detail.get("tick_s"),  # what was kept before has none
        }
    elif asked.kind != "lobe" and not last.detail.get("tick_s"):
        facts |= {"jitter_s": last.detail["jitter_s"]}
    if asked.lag_s is not None:
        return facts
    known = {"lag_s": last.result["lag_s"], "lag_u_s": last.detail["lag_u_s"]}
    return facts | known | {"lag_from": last.id}
