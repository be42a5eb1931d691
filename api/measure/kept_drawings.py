"""What pages draw of ended measurements, kept ready on the disk: a million readings open like a thousand.

A drawing is made by whoever has just fitted a trace, by an import or at the end of a measurement, and otherwise
when it is first asked for. Everything here can be made again from what is stored, so it is no part of a backup;
what is damaged, or was drawn by another program, is drawn anew, and the folder may be emptied at any time.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import logging
import os
import tempfile
import zlib
from pathlib import Path

from api.live import PROGRAM, FitOutcome
from api.measure.trace_view import TraceView, trace_view
from api.records import Measurement, StoredInterval

log = logging.getLogger("lobewright.drawings")
DRAWINGS_FOLDER = "drawings"
POINTS = 6000
"""Points a curve of a kept drawing has at most: what the page of a trace asks for."""
KEPT = 500
"""So many drawings are kept, of about 60 kB each; the ones drawn last."""
MANNER = 1
"""Goes up when a `TraceView` is composed otherwise, so that older drawings are no longer looked at."""
DECIDING = (
    "id",
    "what",
    "gauge",
    "run_id",
    "imported_file",
    "start_ns",
    "end_ns",
    "settings",
    "facts",
    "result",
)


def packed(view: TraceView) -> bytes:
    """Give a drawing as it is kept and sent."""
    return gzip.compress(view.model_dump_json().encode(), 6, mtime=0)


class KeptDrawings:
    """The drawings of one data folder; any thread may ask, and keep."""

    def __init__(self, data_dir: Path) -> None:
        self._folder = data_dir / DRAWINGS_FOLDER

    def of(self, measurement: Measurement) -> bytes | None:
        """Give the kept drawing of an ended measurement, a gzipped `TraceView` in JSON; `None` without one."""
        try:
            drawing = self._path(measurement).read_bytes()
            whole = gzip.decompress(drawing)
        except (OSError, EOFError, zlib.error):
            return None
        return drawing if whole else None  # an empty file unpacks to nothing without a word

    def keep(self, measurement: Measurement, interval: StoredInterval, outcome: FitOutcome) -> bytes:
        """Draw an ended measurement, keep the drawing and give it; a disk that takes no more is only logged."""
        drawing = packed(trace_view(measurement, interval, outcome, POINTS))
        try:
            self._write(self._path(measurement), drawing)
            self._drop_oldest()
        except OSError as error:
            log.warning("the drawing of measurement %d was not kept: %s", measurement.id, error)
        return drawing

    def _path(self, measurement: Measurement) -> Path:
        """Name a drawing after all it was drawn from; a number alone may be given anew in a restored shop."""
        told = [PROGRAM, MANNER, POINTS, *(getattr(measurement, name) for name in DECIDING)]
        name = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:24]
        return self._folder / f"{name}.json.gz"

    def _write(self, path: Path, drawing: bytes) -> None:
        self._folder.mkdir(exist_ok=True)
        handle, part = tempfile.mkstemp(dir=self._folder)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(drawing)
            Path(part).replace(path)
        except BaseException:
            Path(part).unlink(missing_ok=True)
            raise

    def _drop_oldest(self) -> None:
        with os.scandir(self._folder) as there:
            by_age = sorted((entry.stat().st_mtime_ns, entry.path) for entry in there)
        for _, path in by_age[:-KEPT]:
            Path(path).unlink(missing_ok=True)
