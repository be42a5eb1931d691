"""``lobewright measure``: what is asked of trace files, measured, and told as tables or JSON."""

from api.cli.measure.asked import Stated
from api.cli.measure.commands import Task, finish, found_in, lobe_options, measure
from api.cli.measure.numbers import ANGLE, GAUGE_LIMIT, INTERVAL, LAG, PIN_OFFSET, ROD, STROKE, Number
from api.cli.measure.tables import columns

__all__ = [
    "ANGLE",
    "GAUGE_LIMIT",
    "INTERVAL",
    "LAG",
    "PIN_OFFSET",
    "ROD",
    "STROKE",
    "Number",
    "Stated",
    "Task",
    "columns",
    "finish",
    "found_in",
    "lobe_options",
    "measure",
]
