"""The measurements of a sheet as CSV: a row each, every digit kept."""

from __future__ import annotations

from api.base import csv_text, safe_cell
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
    job = sheet.job
    about = (job.reference, job.engine.name, job.card.name, job.tolerance)
    plain = [one.model_dump() for one in sheet.measurements]
    rows = ([*map(_cell, about), *(_cell(one[name]) for name in COLUMNS)] for one in plain)
    return csv_text([["job", "engine", "card", "tolerance_deg", *COLUMNS], *rows])


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else safe_cell(str(value))
