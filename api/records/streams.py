"""Stored readings of a measurement: from the stream store, or from the trace file an import brought."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.base import (
    USUAL_ENCODER_ERROR_DEG,
    USUAL_GAUGE_ERROR_MM,
    USUAL_RETRACE_MM,
    Floats,
    Streams,
)
from api.base import BenchError, Counts, NotFoundError, StoredPart, streams_from
from api.records.measurement_store import Measurement
from api.records.trace_file import CRANK, Trace, read_trace
from api.store import IMPORTED_FOLDER
from capture.base import BenchFileError, CaptureError, Event
from capture.bench import Bench, parse_bench
from capture.store import ChannelReadings, StreamReader

FOREVER_NS = 2**63 - 1
NEAR_ZERO_S = 3600.0
GONE_NS, SPOKE_NS = 3_000_000_000, 200_000_000


@dataclass(frozen=True, slots=True)
class StoredInterval:
    """Both channels of an interval as stored, arrays of shape (n,) and (m,); times on the run's clock.

    `crank_last`, `gauge_last` are the sequence numbers up to which everything of the interval is here; -1
    for an imported trace.
    """

    start_ns: int
    gauge: str
    crank_t_ns: Counts
    crank_deg: Floats
    gauge_t_ns: Counts
    gauge_mm: Floats
    crank_last: int = -1
    gauge_last: int = -1

    def streams(self) -> Streams:
        """Give what the analysis wants."""
        return streams_from(self.start_ns, self.crank_t_ns, self.crank_deg, self.gauge_t_ns, self.gauge_mm)

    def crank_part(self) -> StoredPart:
        """Give the crank's readings and the number up to which they are complete."""
        return self.crank_t_ns, self.crank_deg, self.crank_last

    def gauge_part(self) -> StoredPart:
        """Give the gauge's readings and the number up to which they are complete."""
        return self.gauge_t_ns, self.gauge_mm, self.gauge_last

    def channels(self) -> dict[str, tuple[Counts, Floats]]:
        """Give the channels under the names of the trace file."""
        return {
            CRANK: (self.crank_t_ns, self.crank_deg),
            f"{self.gauge}_mm": (self.gauge_t_ns, self.gauge_mm),
        }


class StoredStreams:
    """Reads the stored streams of one data folder."""

    def __init__(self, data_dir: Path) -> None:
        self._reader = StreamReader(data_dir)
        self._imported = data_dir / IMPORTED_FOLDER

    def of(self, measurement: Measurement) -> StoredInterval:
        """Read a measurement's streams, wherever they are kept; raises `ServiceError`."""
        if measurement.run_id is None:
            return self.of_file(measurement.imported_file or "", measurement.gauge)
        return self.of_run(measurement.run_id, measurement.gauge, measurement.start_ns, measurement.end_ns)

    def of_run(self, run_id: int, gauge: str, start_ns: int, end_ns: int | None) -> StoredInterval:
        """Read crank and gauge of an interval.

        Raises
        ------
        BenchError
            The store cannot be read.
        NotFoundError
            The run has no such channel.
        """
        until = FOREVER_NS if end_ns is None else end_ns
        try:
            crank_name = self._crank_of(run_id)
            saved = self._reader.saved(run_id)
            crank = self._reader.read_with_neighbours(run_id, crank_name, start_ns, until)
            own = self._reader.read_with_neighbours(run_id, gauge, start_ns, until)
        except KeyError:
            raise NotFoundError("no_such_gauge", f"Run {run_id} has no gauge {gauge}.") from None
        except CaptureError as error:
            raise BenchError("store_unreadable", f"The stored readings cannot be read: {error}") from None
        return StoredInterval(
            start_ns,
            gauge,
            *crank_readings(crank, start_ns, until),
            *gauge_readings(own, start_ns, until),
            max(_last(crank), saved.get(crank_name, -1)),
            max(_last(own), saved.get(gauge, -1)),
        )

    def told_until(self, run_id: int, gauge: str, asked_ns: int) -> int:
        """Give the end that is asked for, or the instant until which crank and gauge have both told, if that is earlier.

        Lines of a channel come in order, so none that is stored later lies before such an end: a line that came behind
        the fit would be in the trace and not in its number. A channel that is silent while it stands holds up nothing,
        nor does one that has been gone for seconds. Raises as `of_run` does.
        """
        try:
            newest_ns = [
                self._spoke_until(run_id, name, asked_ns) for name in (self._crank_of(run_id), gauge)
            ]
        except KeyError:
            raise NotFoundError("no_such_gauge", f"Run {run_id} has no gauge {gauge}.") from None
        except CaptureError as error:
            raise BenchError("store_unreadable", f"The stored readings cannot be read: {error}") from None
        return min(asked_ns, *newest_ns)

    def _spoke_until(self, run_id: int, name: str, asked_ns: int) -> int:
        own = self._reader.read_with_neighbours(run_id, name, asked_ns - GONE_NS, FOREVER_NS)
        if not len(own) or own.t_ns[-1] < asked_ns - GONE_NS:
            return FOREVER_NS
        speaks_at_rest = own.folded[-1] > 0 or (len(own) > 1 and own.raw[-2] == own.raw[-1])
        newest_ns = int(own.t_ns[-1])
        return newest_ns if speaks_at_rest or newest_ns >= asked_ns - SPOKE_NS else FOREVER_NS

    def gauge_marks(self, run_id: int, gauge: str) -> dict[str, float | None]:
        """Give what is stated of a gauge in the bench file that was kept with the run, else what gauges usually keep to."""
        bench = self._bench_of(run_id)
        own = next((one for one in bench.gauge if one.name == gauge), None) if bench else None
        if own is None:
            return {"step_mm": None, "error_mm": USUAL_GAUGE_ERROR_MM, "retrace_mm": USUAL_RETRACE_MM}
        return {
            "step_mm": own.step_mm,
            "error_mm": USUAL_GAUGE_ERROR_MM if own.error_mm is None else own.error_mm,
            "retrace_mm": USUAL_RETRACE_MM if own.retrace_mm is None else own.retrace_mm,
        }

    def encoder_marks(self, run_id: int) -> dict[str, float | bool]:
        """Give the encoder's limit of error over its turn, as stated in the run's bench file or as usually supposed."""
        bench = self._bench_of(run_id)
        stated = bench.crank.error_deg if bench and bench.crank else None
        return {
            "encoder_error_deg": USUAL_ENCODER_ERROR_DEG if stated is None else stated,
            "encoder_supposed": stated is None,
        }

    def events(self, run_id: int) -> list[Event]:
        """Give what happened on a run; raises `CaptureError`."""
        return self._reader.events(run_id)

    def _bench_of(self, run_id: int) -> Bench | None:
        text = next((run.bench for run in self._reader.runs() if run.id == run_id), "")
        try:
            return parse_bench(text.encode())
        except BenchFileError:
            return None

    def of_file(self, name: str, gauge: str) -> StoredInterval:
        """Read an imported trace file; raises `TraceFileError`."""
        return interval_of(read_trace(self._imported / Path(name).name), gauge)

    def _crank_of(self, run_id: int) -> str:
        for channel in self._reader.channels(run_id):
            if channel.channel.quantity == "crank":
                return channel.name
        raise NotFoundError("no_crank", f"Run {run_id} has no crank channel; add [crank] to the bench file.")


def interval_of(trace: Trace, gauge: str) -> StoredInterval:
    """Give a trace file's readings of the crank and of one gauge.

    Times keep the file's zero, unless that lies more than an hour before the first reading.
    """
    crank, own = trace.channels[CRANK], trace.gauge_mm(gauge)
    first_s = min(crank.time_s[0], own.time_s[0])
    start_s = 0.0 if 0.0 <= first_s <= NEAR_ZERO_S else first_s
    return StoredInterval(
        0, gauge, _ns(crank.time_s - start_s), crank.value, _ns(own.time_s - start_s), own.value
    )


def gauge_readings(own: ChannelReadings, start_ns: int, end_ns: int) -> tuple[Counts, Floats]:
    """Give every reading of a gauge in an interval, those that were counted without their stamps among them.

    Of a gauge that has stood still for some seconds the store keeps the first and the last reading and counts
    the others. Their values are known; they are spread evenly over the stand, as a gauge sends. Left out,
    they would look like a gauge that fell silent.

    Parameters
    ----------
    own
        The interval's readings with their neighbours.
    """
    each = np.where(np.arange(len(own)) > 0, own.folded + 1, 1)
    row = np.repeat(np.arange(len(own)), each)
    place = np.arange(row.size) - np.repeat(np.cumsum(each) - each, each) + 1
    before_ns = own.t_ns[np.maximum(row - 1, 0)]
    share = place / each[row]
    spread_ns = before_ns + np.round((own.t_ns[row] - before_ns) * share).astype(np.int64)
    t_ns = np.where(place == each[row], own.t_ns[row], spread_ns)
    inside = (t_ns >= start_ns) & (t_ns <= end_ns)
    return t_ns[inside], own.value[row][inside]


def crank_readings(own: ChannelReadings, start_ns: int, end_ns: int) -> tuple[Counts, Floats]:
    """Give the crank's kept readings in an interval; one that stood still across an end is known at that end.

    Parameters
    ----------
    own
        The interval's readings with their neighbours.
    """
    # What lies at an end itself is known there already.
    stood = own.folded > 0
    inside = (own.t_ns >= start_ns) & (own.t_ns <= end_ns)
    t_ns = own.t_ns.copy()
    if np.any(inside) and stood[first := int(np.argmax(inside))] and first > 0 and t_ns[first] > start_ns:
        t_ns[first - 1], inside[first - 1] = start_ns, True
    beyond = int(np.searchsorted(own.t_ns, end_ns, side="right"))
    if 0 < beyond < len(own) and stood[beyond] and own.t_ns[beyond - 1] < end_ns:
        t_ns[beyond], inside[beyond] = end_ns, True
        t_ns[beyond - 1] = max(t_ns[beyond - 1], start_ns)
        inside[beyond - 1] = True
    return t_ns[inside], own.value[inside]


def _last(readings: ChannelReadings) -> int:
    return int(readings.sequence[-1]) if len(readings) else -1


def _ns(time_s: Floats) -> Counts:
    return np.round(time_s * 1e9).astype(np.int64)
