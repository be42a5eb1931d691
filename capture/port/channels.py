"""The channels that one port feeds: nearly always one; on a counter board the crank and its gauges."""

from __future__ import annotations

from collections.abc import Sequence

from capture.base import Listener
from capture.bench import CrankInstrument, GaugeInstrument
from capture.port.health import ChannelState, ChannelStatus
from capture.port.intake import Intake
from capture.port.stamping import DeviceClock


class PortChannels:
    """Hands what a port gives to the intake of each of its channels, and keeps their statuses alike.

    Parameters
    ----------
    instruments : sequence of CrankInstrument or GaugeInstrument
        All on one port; the first speaks for it.
    """

    def __init__(
        self, instruments: Sequence[CrankInstrument | GaugeInstrument], out: Listener, beat_ns: int
    ) -> None:
        clock = DeviceClock()
        self.intakes = [Intake(instrument, out, clock) for instrument in instruments]
        self.intakes[0].decoder.speaks_for_board = True
        self.statuses = [
            ChannelStatus(
                intake, instrument.port, instrument.silent_after_s, restarts=instrument.dtr, beat_ns=beat_ns
            )
            for intake, instrument in zip(self.intakes, instruments, strict=True)
        ]

    @property
    def names(self) -> list[str]:
        """Names of the channels, the first speaks for the port."""
        return [intake.channel.name for intake in self.intakes]

    def begin(self, reason: str, now_ns: int, closed_ns: int) -> None:
        """See `Intake.begin`."""
        for intake in self.intakes:
            intake.begin(reason, now_ns, closed_ns)

    def hold(self, *, in_doubt: bool) -> None:
        """See `Intake.hold`."""
        for intake in self.intakes:
            intake.hold(in_doubt=in_doubt)

    def take(self, chunk: bytes, read_ns: int, *, late: bool = False) -> None:
        """See `Intake.take`."""
        for intake in self.intakes:
            intake.take(chunk, read_ns, late=late)

    def settle(self, now_ns: int) -> None:
        """See `Intake.settle`."""
        for intake in self.intakes:
            intake.settle(now_ns)

    def finish(self, now_ns: int) -> None:
        """See `Intake.finish`."""
        for intake in self.intakes:
            intake.finish(now_ns)

    def opened(self, now_ns: int) -> None:
        """The port is open."""
        for status in self.statuses:
            status.opened(now_ns)

    def closed(self, state: str | ChannelState, sentence: str) -> None:
        """The port is not open, or its device waits for a person."""
        for status in self.statuses:
            status.closed(state, sentence)
            if state is not ChannelState.IN_DOUBT:
                status.mute, status.others = False, ""

    def shared_with(self, others: str) -> None:
        """Who else has the port open."""
        for status in self.statuses:
            status.others = others
