"""May this frame be what the instrument really said? Pure rules, no clock.

Lines carry no checksum. Three things can be told all the same: a stream that is mostly unreadable proves
nothing by a line that happens to look right (`Proof`); a count that leaps further than a hand can turn and
comes back was corrupted, and one that leaps and stays has begun again (`CrankContinuity`); a gauge that
leaps and comes back within one reading was corrupted (`GaugeContinuity`). What cannot be told is
published as a rate (`capture.health`).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass

from capture.base import MM_PER_INCH
from capture.bench import Frame

WINDOW_LINES = 16
UNPROVEN_AT = 8
CONFIRMING_LINES = 3
SPIKE_MM = 1.0
PAUSE_NS = 50_000_000
"""Longer than any adapter gathers lines for: a computer was held up, or the line."""
LATEST_NS = 1_000_000_000
"""No line is counted later than this: where lines are few, a pause follows on a pause and none was held up."""
FORGOTTEN = 0.8
"""What is left of a pause with each line that comes as usual."""
RESTART_WITHIN_NS = 5_000_000_000
RESTART_PAUSE_NS = 250_000_000
AT_NOUGHT = 2


class Proof:
    """Holds frames back until enough of them came in a row.

    Parameters
    ----------
    needed : int
        Frames in a row, with no unreadable line between, that prove the stream.
    """

    def __init__(self, needed: int) -> None:
        self._needed = needed
        self._held: list[tuple[Frame, int]] = []
        self._recent: deque[bool] = deque(maxlen=WINDOW_LINES)
        self.proven = False
        self.dropped = 0

    def begin(self) -> None:
        """The port was opened: nothing is proven."""
        self._lose()

    def disturbed(self, rejects: int) -> None:
        """So many lines could not be read."""
        self._recent.extend([False] * min(rejects, WINDOW_LINES))
        if not self.proven or self._recent.count(False) >= UNPROVEN_AT:
            self._lose()

    def admit(self, frame: Frame, t_ns: int) -> list[tuple[Frame, int]]:
        """Frames, with their stamps, that may go on."""
        if frame.rejects_before:
            self.disturbed(frame.rejects_before)
        self._recent.append(True)
        if self.proven:
            return [(frame, t_ns)]
        self._held.append((frame, t_ns))
        if len(self._held) < self._needed:
            return []
        self.proven = True
        held, self._held = self._held, []
        self._recent.clear()
        return held

    def _lose(self) -> None:
        self.dropped += len(self._held)
        self._held, self.proven = [], False


@dataclass(frozen=True, slots=True)
class Admitted:
    """A reading that passed.

    Attributes
    ----------
    t_ns, raw : int
        Stamp, and the integer that is stored.
    begins : str
        Reason of a new segment that begins with this reading; empty otherwise.
    shift, decimals : int
        As in `capture.reading.Segment`.
    """

    t_ns: int
    raw: int
    begins: str = ""
    shift: int = 0
    decimals: int = 0


class Continuity(ABC):
    """Base of the two rules: frames in, admitted readings out; `implausible` counts what was dropped."""

    def __init__(self) -> None:
        self.implausible = 0

    @abstractmethod
    def admit(self, frame: Frame, t_ns: int) -> list[Admitted]:
        """Readings that this frame lets through, in order; it may be held back itself."""

    @abstractmethod
    def begin(self) -> None:
        """The port was opened again: the next frame is not tied to the one before."""


class Pauses:
    """How long lines may have been on their way: one that came after a pause may be late by all of it.

    On a busy computer lines come in a bunch after a pause, some are lost meanwhile, and what looks like a leap within a
    millisecond is the crank as it was turned on.
    """

    def __init__(self) -> None:
        self._late_ns = 0.0
        self._usual_ns = 0.0
        self._last_ns: int | None = None

    def line(self, t_ns: int) -> None:
        """A line came: after a pause it is late by it, and each that comes sooner than usual by so much less."""
        gap_ns = 0 if self._last_ns is None else t_ns - self._last_ns
        self._last_ns = t_ns
        if gap_ns <= PAUSE_NS and not self.late_ns():  # a bunch does not come at the usual pace
            self._usual_ns += (gap_ns - self._usual_ns) / (WINDOW_LINES if self._usual_ns else 1)
        caught_up = self._usual_ns < 2 * gap_ns <= 2 * PAUSE_NS
        late_ns = self._late_ns * (FORGOTTEN if caught_up else 1.0) + gap_ns - self._usual_ns
        self._late_ns = min(max(late_ns, 0.0), LATEST_NS)

    def late_ns(self) -> float:
        """How late the last line may be; 0 where there was no pause."""
        return self._late_ns if self._late_ns > PAUSE_NS else 0.0

    def lines_lost(self) -> int:
        """So many lines may be missing for it."""
        return round(self.late_ns() / max(self._usual_ns, 1e6))


class CrankContinuity(Continuity):
    """Unwraps counts in the running direction and tells corrupted counts and resets from motion.

    Parameters
    ----------
    counts_per_turn : float
        Of the crank.
    direction : int
        +1 or -1. The other way round, a count c becomes -c - 1, so that the middle of the count stays it.
    wraps_at : int
        The counter's modulus; 0 when it does not wrap.
    fastest_rpm : float
        Faster than this nobody turns the crank.
    restarts : bool
        Opening the port restarts the counter: a count near zero then is a new zero, even where the crank
        could have been turned there; also after the board's pause, which lines from before may precede.
    """

    def __init__(
        self,
        counts_per_turn: float,
        direction: int,
        wraps_at: int,
        fastest_rpm: float,
        *,
        restarts: bool = False,
    ) -> None:
        super().__init__()
        self._restarts = restarts
        self._direction, self._wraps_at = direction, wraps_at
        self._counts_per_ns = fastest_rpm / 60 * counts_per_turn / 1e9
        self._near_zero = max(2, int(counts_per_turn / 36))
        self._last: tuple[int, int, int] | None = None  # count as sent, unwrapped, stamp
        self._step = 0
        self._shift = 0
        self._held: list[tuple[int, int]] = []
        self._pauses = Pauses()
        self._reopened = False
        self._restarts_until_ns = 0

    def begin(self) -> None:
        """The port was opened again; the counter may have begun again meanwhile."""
        self.implausible += len(self._held)
        self._held, self._step, self._reopened = [], 0, True

    def admit(self, frame: Frame, t_ns: int) -> list[Admitted]:
        """See `Continuity.admit`."""
        count = frame.value
        self._pauses.line(t_ns)
        if self._last is None:
            self._last = (count, count, t_ns)
            self._reopened = False
            return [self._admitted(count, t_ns)]
        if self._reopened or self._after_pause(t_ns):
            return self._accept_jump([(count, t_ns)], restarted=self._began_again(count, t_ns))
        follows_last = self._smooth(self._last[0], count, self._step, 1 + len(self._held))
        follows_held = bool(self._held) and (
            self._smooth(self._held[-1][0], count, 0, 1) if follows_last else self._goes_on(count, t_ns)
        )
        if follows_last and follows_held:
            held, self._held = self._held, []
            return [self._accept(*pair) for pair in [*held, (count, t_ns)]]
        if follows_last or not follows_held:
            self.implausible += len(self._held)
            self._held = []
        if follows_last:
            return [self._accept(count, t_ns)]
        self._held.append((count, t_ns))
        if len(self._held) < CONFIRMING_LINES:
            return []
        held, self._held = self._held, []
        return self._accept_jump(held)

    def _after_pause(self, t_ns: int) -> bool:
        """Whether a board that restarts at opening has now made its pause."""
        paused = self._last is not None and t_ns - self._last[2] > RESTART_PAUSE_NS
        return paused and t_ns < self._restarts_until_ns

    def _began_again(self, count: int, t_ns: int) -> bool:
        """Whether a count near nought is a new one: who turns the crank back to just there is rare."""
        if self._reopened:
            self._reopened = False
            self._restarts_until_ns = t_ns + RESTART_WITHIN_NS * self._restarts
        at_nought = self._last is not None and abs(count) <= AT_NOUGHT < abs(self._last[0])
        return self._restarts or at_nought

    def _goes_on(self, count: int, t_ns: int) -> bool:
        """Whether it goes on from the lines that are held, which do not go on from those before: at a speed of its own."""
        (before, before_ns), *earlier = reversed(self._held)
        if earlier:
            return self._smooth(before, count, self._between(earlier[0][0], before), 1)
        return self._in_reach(self._between(before, count), 8, t_ns - before_ns)

    def _in_reach(self, leap: int, beside: int, took_ns: int) -> bool:
        """Whether a hand can have turned so far in that time, or in a pause before it."""
        return abs(leap) <= beside + self._counts_per_ns * (took_ns + self._pauses.late_ns())

    def _smooth(self, before: int, after: int, step: int, lines: int) -> bool:
        """Whether the count went on about as it did from the line before, or from one that a pause swallowed."""
        beyond = abs(self._between(before, after) - step * lines) - (8 + abs(step)) * lines
        return beyond <= 0 or beyond <= 2 * abs(step) * self._pauses.lines_lost()

    def _between(self, before: int, after: int) -> int:
        step = after - before
        if self._wraps_at:
            half = self._wraps_at // 2
            step = (step + half) % self._wraps_at - half
        return step

    def _accept(self, count: int, t_ns: int) -> Admitted:
        before, unwrapped, _ = self._last or (count, count, t_ns)
        self._step = self._between(before, count)
        self._last = (count, unwrapped + self._step, t_ns)
        return self._admitted(self._last[1], t_ns)

    def _accept_jump(self, held: list[tuple[int, int]], *, restarted: bool = False) -> list[Admitted]:
        """A leap that stayed: motion over a gap, or a counter that began again."""
        count, t_ns = held[0]
        before, unwrapped, last_ns = self._last or (count, count, t_ns)
        leap = self._between(before, count)
        from_zero = abs(count) <= self._near_zero and (restarted or self._near_zero < abs(leap))
        reachable = self._in_reach(leap, self._near_zero, t_ns - last_ns)
        if reachable and not from_zero:
            return [self._accept(*pair) for pair in held]
        begins = "counter_reset" if from_zero else "counter_jump"
        self._shift += self._direction * (unwrapped - count)
        self._last, self._step = (count, count, t_ns), 0
        first = Admitted(t_ns, self._raw(count), begins, self._shift)
        return [first, *(self._accept(*pair) for pair in held[1:])]

    def _admitted(self, unwrapped: int, t_ns: int) -> Admitted:
        return Admitted(t_ns, self._raw(unwrapped), shift=self._shift)

    def _raw(self, unwrapped: int) -> int:
        return (unwrapped if self._direction > 0 else -unwrapped - 1) + self._shift


class GaugeContinuity(Continuity):
    """Tells a corrupted line from a moved plunger, and a changed resolution from a lost digit.

    Parameters
    ----------
    unit : str
        ``mm`` or ``in``.
    """

    def __init__(self, unit: str) -> None:
        super().__init__()
        self._spike_units = SPIKE_MM / (MM_PER_INCH if unit == "in" else 1.0)
        self._decimals: int | None = None
        self._last: int | None = None
        self._held: tuple[int, int] | None = None
        self._other: list[tuple[Frame, int]] = []

    def begin(self) -> None:
        """The port was opened again."""
        self.implausible += (self._held is not None) + len(self._other)
        self._held, self._other, self._last = None, [], None

    def admit(self, frame: Frame, t_ns: int) -> list[Admitted]:
        """See `Continuity.admit`."""
        if self._decimals is None:
            self._decimals = frame.decimals
        if frame.decimals != self._decimals:
            return self._other_resolution(frame, t_ns)
        self.implausible += len(self._other)
        self._other = []
        return self._same_resolution(frame.value, t_ns)

    @property
    def decimals(self) -> int:
        """Decimals of the present segment."""
        return self._decimals or 0

    def _other_resolution(self, frame: Frame, t_ns: int) -> list[Admitted]:
        """Another number of decimals is believed once several lines in a row have it."""
        if self._other and self._other[-1][0].decimals != frame.decimals:
            self.implausible += len(self._other)
            self._other = []
        self._other.append((frame, t_ns))
        if len(self._other) < CONFIRMING_LINES:
            return []
        self.implausible += self._held is not None
        other, self._other, self._held = self._other, [], None
        self._decimals, self._last = frame.decimals, frame.value
        first, *rest = other
        return [
            Admitted(first[1], first[0].value, "resolution", decimals=frame.decimals),
            *(self._admitted(held.value, stamp) for held, stamp in rest),
        ]

    def _same_resolution(self, value: int, t_ns: int) -> list[Admitted]:
        """A leap is held until the next line tells whether the count went on from there or was never there."""
        if self._last is None or (self._held is None and not self._leaps(self._last, value)):
            self._last = value
            return [self._admitted(value, t_ns)]
        if self._held is None:
            self._held = (value, t_ns)
            return []
        held, self._held = self._held, None
        came_back = not self._leaps(self._last, value) and self._leaps(held[0], value)
        self._last = value
        if came_back:
            self.implausible += 1
            return [self._admitted(value, t_ns)]
        return [self._admitted(*held), self._admitted(value, t_ns)]

    def _leaps(self, before: int, after: int) -> bool:
        return abs(after - before) > self._spike_units * 10.0**self.decimals

    def _admitted(self, value: int, t_ns: int) -> Admitted:
        return Admitted(t_ns, value, decimals=self.decimals)
