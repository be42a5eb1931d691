"""The measurements of a sheet as CSV: a row each, every digit kept."""

from __future__ import annotations

import csv
import io

from api.base import safe_cell
from api.sheet.model import Sheet

COLUMNS = (
    "fact",
    "at",
    "by",
    "what",
    "cylinder",
    "valve",
    "cam",
    "stage",
    "method",
    "drop_mm",
    "value_deg",
    "side",
    "u95_deg",
    "card_deg",
    "error_deg",
    "call",
    "peak_lift_mm",
    "full_lift_deg",
    "duration_deg",
    "check_lift_mm",
    "slack_deg",
    "lag_s",
    "gauge",
    "passes",
    "by_hand",
    "counts",
    "measurement_id",
)


def sheet_csv(sheet: Sheet) -> str:
    """Give the measurements with the job's reference, engine and card in every row."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(["job", "engine", "card", "tolerance_deg", *COLUMNS])
    job = sheet.job
    for one in sheet.measurements:
        plain = one.model_dump()
        cells = [_cell(plain[name]) for name in COLUMNS]
        writer.writerow(
            [
                safe_cell(job.reference),
                safe_cell(job.engine.name),
                safe_cell(job.card.name),
                _cell(job.tolerance),
                *cells,
            ]
        )
    return file.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else safe_cell(str(value))
