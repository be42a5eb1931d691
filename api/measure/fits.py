"""Fits of measurements, each made once: handed on by whoever ended a measurement, else made when first asked for.

What remembers here is the newest fits in memory, for the jobs, and drawings on the disk, for the pages.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.base import LobeSettings
from api.base import MisuseError, with_service_errors
from api.live import FitOutcome, estimate
from api.measure.kept_drawings import POINTS, KeptDrawings, packed
from api.measure.trace_view import trace_view
from api.records import Measurement, MeasurementReader, StoredInterval, StoredStreams

if TYPE_CHECKING:
    from analysis.report import CamReport

REMEMBERED = 64


class Fits:
    """The fits of one data folder; any thread may ask."""

    def __init__(self, data_dir: Path, measurements: MeasurementReader, stored: StoredStreams) -> None:
        self._measurements = measurements
        self._stored = stored
        self._drawings = KeptDrawings(data_dir)
        self._outcomes: OrderedDict[int, FitOutcome] = OrderedDict()
        self._reports: OrderedDict[int, CamReport] = OrderedDict()
        self._lock = threading.Lock()

    def hand_on(self, measurement: Measurement, interval: StoredInterval, outcome: FitOutcome) -> None:
        """Take what was just fitted, so that nobody has to fit it again."""
        self._remember(measurement, outcome)
        self._drawings.keep(measurement, interval, outcome)

    def of(self, number: int) -> tuple[Measurement, FitOutcome]:
        """Give a measurement with its fit; raises `ServiceError`."""
        measurement = self._measurements.get(number)
        with self._lock:
            outcome = self._outcomes.get(number)
        if outcome is None:
            outcome = _fitted(measurement, self._stored.of(measurement))
            self._remember(measurement, outcome)
        return measurement, outcome

    def interval(self, measurement: Measurement) -> StoredInterval:
        """Give the stored readings that a measurement was fitted to; raises `ServiceError`."""
        return self._stored.of(measurement)

    def drawing(self, number: int, max_points: int) -> bytes:
        """Give what a page draws of a measurement, a gzipped `TraceView` in JSON; raises `ServiceError`."""
        measurement = self._measurements.get(number)
        for_keeps = measurement.end_ns is not None and max_points == POINTS
        if for_keeps and (kept := self._drawings.of(measurement)) is not None:
            return kept
        interval = self._stored.of(measurement)
        outcome = _fitted(measurement, interval)
        if for_keeps:
            return self._drawings.keep(measurement, interval, outcome)
        return packed(trace_view(measurement, interval, outcome, max_points))

    def report(self, number: int) -> tuple[Measurement, CamReport]:
        """Give a lobe's measurement with all that its trace tells of the cam; raises `ServiceError`."""
        measurement = self._measurements.get(number)
        settings = measurement.analysis_settings()
        if not isinstance(settings, LobeSettings):
            raise MisuseError(
                "not_a_lobe", f"Trace {number} is of a piston; a cam report is made of a lobe's."
            )
        if measurement.end_ns is None:
            raise MisuseError("still_measuring", f"Trace {number} is still being measured; finish it first.")
        with self._lock:
            report = self._reports.get(number)
        if report is None:
            from analysis.report import report_lobe  # here: it would hold up the first page

            streams = self._stored.of(measurement).streams()
            report = with_service_errors(report_lobe)(streams, settings, measurement.gauge_facts())
            with self._lock:
                self._reports[number] = report
                while len(self._reports) > REMEMBERED:
                    self._reports.popitem(last=False)
        return measurement, report

    def _remember(self, measurement: Measurement, outcome: FitOutcome) -> None:
        if measurement.end_ns is None:
            return  # it grows
        with self._lock:
            self._outcomes[measurement.id] = outcome
            self._outcomes.move_to_end(measurement.id)
            while len(self._outcomes) > REMEMBERED:
                self._outcomes.popitem(last=False)


def _fitted(measurement: Measurement, interval: StoredInterval) -> FitOutcome:
    return estimate(interval.streams(), measurement.analysis_settings(), measurement.gauge_facts())
