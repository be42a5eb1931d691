"""What capture passes on: readings of one channel, and the segment they belong to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Quantity = Literal["crank", "gauge"]
MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of the bench: what its raw integers mean.

    Attributes
    ----------
    name : str
        ``crank``, or the gauge's name from the bench file.
    quantity : str
        ``crank`` (values in degrees) or ``gauge`` (values in millimetres).
    unit : str
        ``deg``, ``mm`` or ``in``: what the device speaks.
    sign : int
        +1 or -1. A crank's integers already grow in the running direction, so only a gauge has -1.
    counts_per_turn : float
        Counts in one crank turn, which a shaft at another speed may make no whole number; 0 for a gauge.
    """

    name: str
    quantity: Quantity
    unit: Literal["deg", "mm", "in"]
    sign: int = 1
    counts_per_turn: float = 0

    def scale(self, decimals: int) -> float:
        """Degrees or signed millimetres for one unit of the raw integer."""
        if self.quantity == "crank":
            return 360.0 / self.counts_per_turn
        unit_mm = MM_PER_INCH if self.unit == "in" else 1.0
        return self.sign * unit_mm / 10.0**decimals

    @property
    def offset(self) -> float:
        """What is added to the raw integer before scaling: a count stands for its middle.

        A counter steps at edges, so a count says "somewhere between this edge and the next".
        """
        return 0.5 if self.quantity == "crank" else 0.0

    def value(self, raw: int, decimals: int) -> float:
        """Degrees or millimetres of one raw integer."""
        if self.quantity == "crank":
            return (raw + 0.5) * 360.0 / self.counts_per_turn
        millimetres = self.sign * raw / 10.0**decimals
        return millimetres * MM_PER_INCH if self.unit == "in" else millimetres


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one channel with nothing broken inside it.

    A new one begins whenever what came before and what comes after may not belong together: the port was
    reopened, the counter began again, the gauge changed its resolution, the process had been stopped.

    Attributes
    ----------
    number : int
        Counts from 0 in a run.
    reason : str
        Why it began: ``start``, ``reopened``, ``counter_reset``, ``resolution``, ``late``, ``fresh``,
        ``restarted``, ``accepted``.
    shift : int
        What was added to the device's own count (in the running direction) so that the angle does not
        jump when a counter begins again; 0 for a gauge.
    decimals : int
        Decimals of the gauge's lines in this segment; the raw integers are in units of the last one.
    """

    number: int
    reason: str
    shift: int = 0
    decimals: int = 0


@dataclass(frozen=True, slots=True)
class Readings:
    """Consecutive readings of one channel, in one segment.

    Attributes
    ----------
    first : int
        Sequence number of the first reading; counts every accepted reading of the channel in the run.
    t_ns : tuple of int
        Arrival stamps, monotonic clock, nanoseconds, rising.
    raw : tuple of int
        Unwrapped counts in the running direction, or gauge readings in units of their last decimal.
    """

    channel: Channel
    segment: Segment
    first: int
    t_ns: tuple[int, ...]
    raw: tuple[int, ...]

    def values(self) -> list[float]:
        """The readings in degrees or millimetres."""
        channel, decimals = self.channel, self.segment.decimals
        return [channel.value(raw, decimals) for raw in self.raw]


@dataclass(frozen=True, slots=True)
class Gap:
    """Lines that were sent, or may have been, and are not stored; nothing is dropped without one.

    Attributes
    ----------
    reason : str
        ``closed`` (the port was not open), ``partial`` (a line without its head), ``rejected``,
        ``overflow``, ``implausible``, ``in_doubt`` (the device waits for a person), ``not_kept`` (memory
        was full while the disk could not be written), ``unread`` (the process ended before it stored).
    start_ns, end_ns : int
        From the last stored reading before to the first after, as far as known.
    lines : int or None
        How many lines, when that is known.
    """

    channel: str
    reason: str
    start_ns: int
    end_ns: int
    lines: int | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at the bench, in one sentence for people.

    `channel` is empty when it concerns the whole bench.
    """

    t_ns: int
    channel: str
    code: str
    sentence: str
