"""Asking a gauge that answers only when asked. A pure state machine: times are handed in.

Answers carry no number, so an answer is only believed when exactly one question can have caused it.
After a question went unanswered, the next answer may be the late one: it is let go, the line is left
quiet, and a fresh question is asked. A reading is stamped half-way between question and answer. What
no counting can tell is an answer that comes more than the quiet second after the one before it.

Questions come at uneven times. A gauge that measures by a clock of its own answers with its newest measurement, and how old
that is goes with where in its tick it was asked. Asked evenly, at nearly its own pace, it would be met at nearly the same
place for a whole measurement and at another for the next: a lag that wanders by a tick unseen. Asked unevenly it is met at
every place alike, and what its tick does shows as scatter, which the readings tell.
"""

from __future__ import annotations

import math

MOST_TRIES = 3
MUTE_PAUSE_NS = 2_000_000_000
LEAST_QUIET_NS = 1_000_000_000
_GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


class Asker:
    """When to ask, and whether to believe what comes back.

    Parameters
    ----------
    interval_ns : int
        From one question to the next in the mean; each comes after half of it to one and a half.
    answer_within_ns : int
        How long an answer is waited for.
    """

    def __init__(self, interval_ns: int, answer_within_ns: int) -> None:
        self._interval_ns, self._within_ns = interval_ns, answer_within_ns
        self._quiet_ns = max(LEAST_QUIET_NS, 4 * answer_within_ns)
        self._asked = 0
        self.mute = False
        self.begin(0)

    def begin(self, now_ns: int) -> None:
        """The port was opened and emptied: no question is open."""
        self._outstanding = 0
        self._tries = 0
        self._waiting = False
        self._settling = False
        self._sent_ns = 0
        self._due_ns = now_ns

    @property
    def due_ns(self) -> int:
        """When `wants_to_ask` is worth calling again."""
        return self._due_ns

    @property
    def unanswered(self) -> int:
        """Questions in a row without an answer."""
        return self._tries

    def wants_to_ask(self, now_ns: int) -> bool:
        """Whether a question should be sent now."""
        if now_ns < self._due_ns:
            return False
        if self._settling:
            self._settling, self._outstanding, self._tries = False, 0, 0
            return True
        if not self._waiting:
            return True
        self._waiting = False
        if self._tries >= MOST_TRIES:
            self.mute = True
            self._due_ns = now_ns + MUTE_PAUSE_NS
            return False
        return True

    def asked(self, now_ns: int) -> None:
        """A question was sent."""
        self._outstanding += 1
        self._tries += 1
        self._waiting, self._sent_ns = True, now_ns
        self._due_ns = now_ns + self._within_ns

    def _pause_ns(self) -> int:
        """Give the next pause: multiples of the golden ratio fill its range evenly, and fit no clock."""
        self._asked += 1
        return round(self._interval_ns * (0.5 + self._asked * _GOLDEN % 1.0))

    def heard(self, now_ns: int) -> None:
        """Bytes came that make no answer: while settling, the quiet starts again."""
        if self._settling:
            self._due_ns = now_ns + self._quiet_ns

    def answered(self, now_ns: int) -> int | None:
        """An answer came.

        Returns
        -------
        int or None
            Its stamp, or `None` when it cannot be told which question it answers.
        """
        if self._waiting and self._outstanding == 1:
            stamp = (self._sent_ns + now_ns) // 2
            self._due_ns = max(self._sent_ns + self._pause_ns(), now_ns)
            self._outstanding, self._tries, self._waiting, self.mute = 0, 0, False, False
            return stamp
        self._waiting, self._settling = False, True
        self._due_ns = now_ns + self._quiet_ns
        return None
