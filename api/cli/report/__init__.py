"""``lobewright report``: what kept readings tell of a cam and its fitting."""

from api.cli.report.commands import report

__all__ = ["report"]
