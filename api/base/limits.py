"""How much one caller may ask: requests a second, tries at a code. No I/O; the clock is passed in."""

from __future__ import annotations

from collections import OrderedDict, deque

MOST_CALLERS = 1024


class Buckets:
    """A bucket of requests for each caller, which fills again at a steady rate.

    Parameters
    ----------
    burst
        Requests that a full bucket holds.
    rate_hz
        Requests a second that are given back.
    """

    def __init__(self, burst: float, rate_hz: float, most_callers: int = MOST_CALLERS) -> None:
        self._burst, self._rate_hz, self._most = burst, rate_hz, most_callers
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, caller: str, now_s: float) -> float:
        """Take one request out; 0 if there was one, else the seconds until there is."""
        left, then_s = self._left.pop(caller, (self._burst, now_s))
        left = min(self._burst, left + (now_s - then_s) * self._rate_hz)
        taken = left >= 1.0
        self._left[caller] = (left - 1.0 if taken else left, now_s)
        if len(self._left) > self._most:
            self._left.popitem(last=False)
        return 0.0 if taken else (1.0 - left) / self._rate_hz


class Tries:
    """At most so many tries in a stretch of time."""

    def __init__(self, most: int, within_s: float) -> None:
        self._most, self._within_s = most, within_s
        self._at: deque[float] = deque()

    def wait_s(self, now_s: float) -> float:
        """Count one try; 0 if it may be made, else the seconds until the next may."""
        while self._at and now_s - self._at[0] >= self._within_s:
            self._at.popleft()
        if len(self._at) < self._most:
            self._at.append(now_s)
            return 0.0
        return self._within_s - (now_s - self._at[0])


class TriesOfMany:
    """Tries of each caller, and of all callers of the network together; the bench's own count apart from both.

    Parameters
    ----------
    most, most_of_all
        In the same stretch of time.
    """

    def __init__(self, most: int, most_of_all: int, within_s: float) -> None:
        self._most, self._within_s = most, within_s
        self._all = Tries(most_of_all, within_s)
        self._own: OrderedDict[str, Tries] = OrderedDict()

    def wait_s(self, caller: str, now_s: float, *, is_here: bool) -> float:
        """Count one try; 0 if it may be made, else the seconds until the next may."""
        own = self._own.pop(caller, None) or Tries(self._most, self._within_s)
        self._own[caller] = own
        if len(self._own) > MOST_CALLERS:
            self._own.popitem(last=False)
        wait_s = own.wait_s(now_s)
        return wait_s if wait_s or is_here else self._all.wait_s(now_s)
