"""Benches with one fault of the trade at a random place and of a random size.

``faulted_tdc(name, rng)`` and ``faulted_lobe(name, rng)`` give a `Bench`; `TDC_FAULTS` and `LOBE_FAULTS` list
the names. The truth of such a trace is that of the engine as it stood (before a slip, after a wrong
setting): a number given for it all the same has to agree with that truth or be refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from simulated_devices.faults import crank, drive, gauge
from simulated_devices.traces import Bench, Fault, random_lobe, random_tdc

Rng = np.random.Generator

TDC_FAULTS: Mapping[str, Callable[[], Fault]] = {
    fault.name: fault
    for fault in (
        gauge.PlungerBottoms,
        gauge.PlungerLiftsOff,
        gauge.TooLittleTravel,
        gauge.KnockedStand,
        gauge.ZeroKey,
        gauge.UnitKey,
        gauge.FrozenGauge,
        gauge.DeadGauge,
        gauge.LostReadings,
        crank.EncoderSlip,
        crank.MissedCounts,
        crank.WrongCountsPerTurn,
        crank.StuckCounter,
        crank.LostCrankLines,
        crank.HeldUpLines,
        crank.OneSideOnly,
        crank.NoMovement,
    )
}
"""Faults that show in a trace taken on the piston."""

LOBE_FAULTS: Mapping[str, Callable[[], Fault]] = {
    **{name: fault for name, fault in TDC_FAULTS.items() if name != "plunger_lifts_off"},
    **{
        fault.name: fault
        for fault in (
            gauge.PlungerLiftsOff,
            crank.TurnedBackwards,
            crank.OvershotAndBackedUp,
            drive.BleedingFollower,
            drive.SpringDrivesCam,
            drive.KeyPlay,
            drive.DriveJumps,
            drive.SlackChanges,
            drive.ValveTouchesPiston,
        )
    },
}
"""Faults that show in a trace taken on a valve."""

# Some faults show only on a course of a certain kind.
_TDC_PATTERNS: Mapping[str, tuple[str, ...]] = {
    "encoder_slip": ("rocking", "turns", "back_and_forth", "rock_and_turns"),
    "missed_counts": ("turns", "rock_and_turns"),
    "wrong_counts_per_turn": ("turns", "rock_and_turns"),
    "knocked_stand": ("rocking", "turns", "back_and_forth", "rock_and_turns"),
}
_LOBE_PATTERNS: Mapping[str, tuple[str, ...]] = {
    "missed_counts": ("turns",),
    "wrong_counts_per_turn": ("turns",),
    "turned_backwards": ("turns", "one_pass"),
    "bleeding_follower": ("turns", "nose_rocked"),
    "key_play": ("turns", "nose_rocked"),
    "valve_touches_piston": ("turns", "one_pass"),
    "slack_changes": ("turns", "nose_rocked"),
}


def _pattern(name: str, patterns: Mapping[str, tuple[str, ...]], rng: Rng) -> str | None:
    return str(rng.choice(patterns[name])) if name in patterns else None


def faulted_tdc(name: str, rng: Rng) -> Bench:
    """A trace on the piston with the fault of that name."""
    return random_tdc(rng, _pattern(name, _TDC_PATTERNS, rng), faults=[TDC_FAULTS[name]()])


def faulted_lobe(name: str, rng: Rng) -> Bench:
    """A trace on a valve with the fault of that name."""
    return random_lobe(rng, _pattern(name, _LOBE_PATTERNS, rng), faults=[LOBE_FAULTS[name]()])
