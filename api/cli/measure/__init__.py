"""``lobewright measure``: what is asked of trace files, measured, and told as tables or JSON."""

from api.cli.measure.asked import gauge_facts, lobe_settings, supposed_limits
from api.cli.measure.commands import Task, finish, lobe_options, measure
from api.cli.measure.tables import columns

__all__ = [
    "Task",
    "columns",
    "finish",
    "gauge_facts",
    "lobe_options",
    "lobe_settings",
    "measure",
    "supposed_limits",
]
