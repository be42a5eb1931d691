"""How near valves come to pistons and to one another, and how far a cam may go."""

from analysis.clearance.clearance_map import MAP_SHIFTS_DEG, CylinderMap, MapEdge, Pushed, piston_map
from analysis.clearance.valve_to_piston import (
    DropMeasured,
    PistonClearance,
    find_piston_clearance,
    minimum_of,
    piston_below_top_mm,
)
from analysis.clearance.valve_to_valve import Heads, ValvesTouched, find_valves_apart, valves_apart_words

__all__ = [
    "MAP_SHIFTS_DEG",
    "CylinderMap",
    "DropMeasured",
    "Heads",
    "MapEdge",
    "PistonClearance",
    "Pushed",
    "ValvesTouched",
    "find_piston_clearance",
    "find_valves_apart",
    "minimum_of",
    "piston_below_top_mm",
    "piston_map",
    "valves_apart_words",
]
