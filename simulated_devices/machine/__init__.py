"""An engine, the hand that turns it and the instruments on it, as physics has them."""

from simulated_devices.machine.clock import BENCH_CLOCK, BENCH_PACE, BenchClock, MachineClock, clock_asked_for
from simulated_devices.machine.engine import (
    CRANK_END,
    Cam,
    Crown,
    Engine,
    LobeTruth,
    SliderCrank,
    Valve,
    ValveRoom,
    firing_offsets,
    open_block,
)
from simulated_devices.machine.errors import CommandError, ScenarioError, SimulatorError
from simulated_devices.machine.hand import Hand, Manner, Motion
from simulated_devices.machine.instruments import (
    MM_PER_INCH,
    CrankReading,
    DialDevice,
    DialIndicator,
    Encoder,
    EncoderDevice,
    GaugeReading,
    Mounting,
)
from simulated_devices.machine.lobes import (
    LAWS,
    ArcProfile,
    Hollow,
    LawProfile,
    Lobe,
    PolynomialProfile,
    Profile,
    Ramp,
    TangentProfile,
)
from simulated_devices.machine.moves import Angle, Move, Speed
from simulated_devices.machine.round_part import RoundPart
from simulated_devices.machine.svg import drawing

__all__ = [
    "BENCH_CLOCK",
    "BENCH_PACE",
    "CRANK_END",
    "LAWS",
    "MM_PER_INCH",
    "Angle",
    "ArcProfile",
    "BenchClock",
    "Cam",
    "CommandError",
    "CrankReading",
    "Crown",
    "DialDevice",
    "DialIndicator",
    "Encoder",
    "EncoderDevice",
    "Engine",
    "GaugeReading",
    "Hand",
    "Hollow",
    "LawProfile",
    "Lobe",
    "LobeTruth",
    "MachineClock",
    "Manner",
    "Motion",
    "Mounting",
    "Move",
    "PolynomialProfile",
    "Profile",
    "Ramp",
    "RoundPart",
    "ScenarioError",
    "SimulatorError",
    "SliderCrank",
    "Speed",
    "TangentProfile",
    "Valve",
    "ValveRoom",
    "clock_asked_for",
    "drawing",
    "firing_offsets",
    "open_block",
]
