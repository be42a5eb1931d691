"""The one error root of the simulator."""

from __future__ import annotations


class SimulatorError(Exception):
    """Root of everything the simulator raises; the message is one sentence for a person.

    SimulatorError
    ├── ScenarioError     a scenario file that cannot be used: where, why, what to do
    └── CommandError      something asked of the running bench that it cannot do
    """


class ScenarioError(SimulatorError):
    """A scenario file that cannot be used."""


class CommandError(SimulatorError):
    """Something asked of the running bench that it cannot do."""
