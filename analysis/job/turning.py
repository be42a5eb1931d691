"""Turning the crank: what is minded, what is fitted up before, how it is turned for each kind of measurement.

The makers' figures come first. One turn of the cam is two of the crank: two turns pass a nose once, and a repeat needs
four. Where the maker forbids turning backwards nothing here asks for it; speeds that differ then tell the gauge's lag
instead.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from analysis.timing import Engine

Kind = Literal["bench_check", "tdc", "lobe"]

TURN_BY_HAND = "Plugs out, battery off. Turn by hand, at the crank only."
STOP_ON_RESISTANCE = (
    "Any resistance: stop and find out why. Do not lever: a valve may be standing on a piston."
)
KEEP_CLEAR = "Keep fingers and sleeves clear of belt, chain and gears."
FORWARD_ONLY = (
    "This engine must not be turned backwards: the chain or belt may jump. Past the number: go on forward "
    "two turns and come to it again."
)
CAM_ALONE = "A cam is turned on its own only with every piston well away from its top, best half-way down."
CHECK_PISTONS = "After any change, check valve to piston again."
TAKE_OUT = "Stop, bar, pins and gauges out, socket off the crank, before the starter is used."
MAKERS_FIRST = (
    "The engine maker's and the cam maker's figures come first. This is advice; a competent builder decides "
    "and signs."
)
CLEARANCE_FIRST = (
    "A wrong clearance shifts opening, closing and duration and changes lift; the centre hardly moves."
)
HOLD_THE_CAM = (
    "Hold the cam before its bolts are slackened: an open valve's spring will turn it. Keep the pulley from going "
    "with it: the drive's slack must stay taken up."
)
CRANK_STOP = "A positive stop is met gently, by hand, from both sides; never with the starter."

EVERLASTING = (TURN_BY_HAND, STOP_ON_RESISTANCE, KEEP_CLEAR, CHECK_PISTONS)
"""What holds all through a job: said once, before the crank is first turned, so that it is read."""

LOBE_TURNS = 4
TURNS_DEG: dict[str, float] = {"bench_check": 810.0, "lobe": 360.0 * LOBE_TURNS + 30.0}
"""How far to turn forward: the turns, and what it takes to be past the ramps again."""

_HOW: dict[Kind, str] = {
    "bench_check": "Turn the crank forward, steadily, two full turns and a little more.",
    "tdc": "Turn slowly over the top and back again, twice, well down either side.",
    "lobe": "Turn forward four full turns and a little more, then back until the gauge has moved.",
}
_HOW_FORWARD: dict[Kind, str] = {
    "bench_check": _HOW["bench_check"],
    "tdc": "Turn slowly forward over the top four times, each time at another speed, well down either side.",
    "lobe": "Turn forward four full turns and a little more, two of them slowly and two faster.",
}


def how_to_turn(kind: Kind, *, forward_only: bool) -> str:
    """Return what to do with the crank while something is measured."""
    return (_HOW_FORWARD if forward_only else _HOW)[kind]


def far_enough(*, back: bool) -> str:
    """Return what is left to do once a lobe's nose was passed often enough, the slack still unseen where `back`."""
    return "Far enough: turn back until the gauge has moved, then finish." if back else "Far enough: finish."


def fitting_up(engine: Engine) -> tuple[str, ...]:
    """Return the list of an engine; what nobody has said of it is asked with "if"; common practice, no source."""
    return tuple(_lines(engine))


def _lines(engine: Engine) -> Iterator[str]:
    yield "Cam, journals and followers oiled."
    if engine.followers != "solid":
        yield f"Solid followers in place of hydraulic ones{_if(engine.followers)}: a pumped-up one tells nothing."
    yield "Light checking springs on the valves that are measured."
    if engine.cams_in != "block":
        caps = "Cam caps drawn down evenly, against open valves step by step"
        yield f"{caps}." if engine.cams_in else f"{caps}, if the cam is in the head."
    if engine.drive != "gears":
        yield f"Tensioner locked in the maker's checking state{_if(engine.drive)}."
    if engine.drive == "belt" and len(engine.cams) > 1:
        yield "The other cams locked wherever the belt is loose."
    if engine.variable_timing:
        yield "Moving adjusters (variable timing) pinned at rest."


def _if(said: str) -> str:
    return "" if said else ", if it has any"
