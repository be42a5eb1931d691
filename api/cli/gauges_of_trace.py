"""Which gauges of a trace file are measured, and where each stands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.base import GaugeFacts, Streams
from analysis.timing import Valve
from api.base import MisuseError
from api.records import CRANK, Trace

if TYPE_CHECKING:
    from analysis.together import GaugeOn


def streams_of(trace: Trace, gauge: str | None) -> Streams:
    """Pick the crank and one gauge out of a trace.

    Raises
    ------
    MisuseError
        No such gauge, or several and none named.
    """
    there = sorted(trace.gauges)
    if gauge is None and len(there) > 1:
        raise MisuseError(
            "which_gauge", f"the file has the gauges {', '.join(there)}; choose one with --gauge."
        )
    crank, own = trace.channels[CRANK], trace.gauge_mm(_named(trace, gauge or there[0]))
    return Streams(crank.time_s, crank.value, own.time_s, own.value)


def gauges_of(
    trace: Trace, piston: str, inlet: Sequence[str], exhaust: Sequence[str], facts: GaugeFacts
) -> list[GaugeOn]:
    """Pick the gauges that stand on piston and valves; where no valve's is named, those called after one.

    Raises
    ------
    MisuseError
        No such gauge, one named twice, or none on a valve.
    """
    from analysis.together import GaugeOn

    if not inlet and not exhaust:
        inlet, exhaust = ([valve] if valve in trace.gauges else [] for valve in ("inlet", "exhaust"))
    places: list[tuple[str, Valve | None]] = [
        (piston, None),
        *((name, "inlet") for name in inlet),
        *((name, "exhaust") for name in exhaust),
    ]
    named = [(_named(trace, name), valve) for name, valve in places]
    if len(named) < 2:
        raise MisuseError(
            "no_valve_gauge",
            f"no gauge is said to be on a valve; the file has {', '.join(sorted(trace.gauges))}: say which with "
            "--inlet and --exhaust.",
        )
    twice = [name for name, _ in named if [other for other, _ in named].count(name) > 1]
    if twice:
        raise MisuseError("named_twice", f"gauge {twice[0]} cannot stand in two places; name it once.")
    return [
        GaugeOn(name, valve, own.time_s, own.value, facts)
        for name, valve in named
        for own in [trace.gauge_mm(name)]
    ]


def _named(trace: Trace, gauge: str) -> str:
    """Give the gauge's name as the trace has it, without its unit."""
    name = gauge.removesuffix("_mm").removesuffix("_in")
    if name not in trace.gauges:
        there = ", ".join(sorted(trace.gauges))
        raise MisuseError("no_such_gauge", f"there is no gauge {gauge}; the file has {there}.")
    return name
