"""Waiting longer and longer between tries; the sleep is the caller's."""

from __future__ import annotations

FIRST_PAUSE_S = 0.1
LONGEST_PAUSE_S = 1.0


class BackOff:
    """Pauses between tries to open a port: 0.1 s, then double, at most 1 s.

    The longest is short because people stand and wait for a cable that they have just plugged in.
    """

    def __init__(self) -> None:
        self._next_s = FIRST_PAUSE_S

    def next_pause_s(self) -> float:
        """The pause before the next try."""
        pause, self._next_s = self._next_s, min(2 * self._next_s, LONGEST_PAUSE_S)
        return pause

    def succeeded(self) -> None:
        """A try worked: the next failure is tried again soon."""
        self._next_s = FIRST_PAUSE_S
