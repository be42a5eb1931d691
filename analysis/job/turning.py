"""How the crank is turned for each kind of measurement, in words and degrees.

One turn of the cam is two of the crank: two turns pass a nose once, and a repeat needs four. Where the maker forbids
turning backwards nothing here asks for it; speeds that differ then tell the gauge's lag instead.
"""

from __future__ import annotations

from typing import Literal

Kind = Literal["bench_check", "tdc", "lobe"]

LOBE_TURNS = 4
TURNS_DEG: dict[str, float] = {"bench_check": 810.0, "lobe": 360.0 * LOBE_TURNS + 30.0}
"""How far to turn forward: the turns, and what it takes to be past the ramps again."""

_HOW: dict[Kind, str] = {
    "bench_check": "Turn the crank forward, steadily, two full turns and a little more.",
    "tdc": "Turn slowly over the top and back again, twice, well down either side.",
    "lobe": "Turn forward four full turns and a little more, then some way back.",
}
_HOW_FORWARD: dict[Kind, str] = {
    "bench_check": _HOW["bench_check"],
    "tdc": "Turn slowly forward over the top four times, each time at another speed, well down either side.",
    "lobe": "Turn forward four full turns and a little more, two of them slowly and two faster.",
}


def how_to_turn(kind: Kind, *, forward_only: bool) -> str:
    """Return what to do with the crank while something is measured."""
    return (_HOW_FORWARD if forward_only else _HOW)[kind]


def far_enough(*, forward_only: bool) -> str:
    """Return what is left to do once a lobe's nose was passed often enough."""
    return "Far enough: finish." if forward_only else "Far enough: turn some way back, then finish."
