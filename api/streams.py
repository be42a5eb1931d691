"""Stored readings of a measurement: from the stream store, or from the trace file an import brought."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.streams import Floats, Streams
from api.errors import BenchError, NotFoundError
from api.interval import Counts, StoredPart, streams_from
from api.measurement_store import Measurement
from api.trace_file import CRANK, read_trace
from capture.bench import parse_bench
from capture.errors import BenchFileError, CaptureError
from capture.stream_reader import ChannelReadings, StreamReader

FOREVER_NS = 2**63 - 1
IMPORTED_FOLDER = "imported"


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
            crank = self._reader.read(run_id, crank_name, start_ns, until)
            own = self._reader.read(run_id, gauge, start_ns, until)
        except KeyError:
            raise NotFoundError("no_such_gauge", f"Run {run_id} has no gauge {gauge}.") from None
        except CaptureError as error:
            raise BenchError("store_unreadable", f"The stored readings cannot be read: {error}") from None
        crank = _standing_from(start_ns, crank)
        return StoredInterval(
            start_ns,
            gauge,
            crank.t_ns,
            crank.value,
            own.t_ns,
            own.value,
            max(_last(crank), saved.get(crank_name, -1)),
            max(_last(own), saved.get(gauge, -1)),
        )

    def gauge_marks(self, run_id: int, gauge: str) -> dict[str, float | None]:
        """Give the step and the stated error of a gauge, from the bench file that was kept with the run."""
        text = next((run.bench for run in self._reader.runs() if run.id == run_id), "")
        try:
            instruments = parse_bench(text.encode()).gauge
        except BenchFileError:
            instruments = ()
        own = next((one for one in instruments if one.name == gauge), None)
        return {"step_mm": own.step_mm if own else None, "error_mm": own.error_mm if own else None}

    def of_file(self, name: str, gauge: str) -> StoredInterval:
        """Read an imported trace file."""
        trace = read_trace(self._imported / Path(name).name)
        crank, own = trace.channels[CRANK], trace.gauge_mm(gauge)
        start_s = min(crank.time_s[0], own.time_s[0])
        return StoredInterval(
            0, gauge, _ns(crank.time_s - start_s), crank.value, _ns(own.time_s - start_s), own.value
        )

    def _crank_of(self, run_id: int) -> str:
        for channel in self._reader.channels(run_id):
            if channel.channel.quantity == "crank":
                return channel.name
        raise NotFoundError("no_crank", f"Run {run_id} has no crank channel; add [crank] to the bench file.")


def _standing_from(start_ns: int, crank: ChannelReadings) -> ChannelReadings:
    """Let a crank that stood still at the start be known from the start.

    Of a standing stretch the store keeps the first and the last reading and counts the others. Where the
    interval begins inside one, only the last is in it, with the count of the others before it.
    """
    if not len(crank) or not crank.folded[0] or crank.t_ns[0] <= start_ns:
        return crank
    first = {field.name: getattr(crank, field.name)[:1] for field in dataclasses.fields(crank)}
    first |= {"t_ns": np.array([start_ns]), "folded": first["folded"] * 0, "sequence": first["sequence"] - 1}
    whole = {name: np.concatenate((value, getattr(crank, name))) for name, value in first.items()}
    return ChannelReadings(**whole)


def _last(readings: ChannelReadings) -> int:
    return int(readings.sequence[-1]) if len(readings) else -1


def _ns(time_s: Floats) -> Counts:
    return np.round(time_s * 1e9).astype(np.int64)
