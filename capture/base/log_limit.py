"""A log that nobody has to wade through: one line a subject in ten seconds, and how many were left out."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

LINE_EVERY_S = 10.0


class LimitedLog:
    """Logs at most one line a subject in ten seconds of `clock`."""

    def __init__(self, log: logging.Logger, clock: Callable[[], float] = time.monotonic) -> None:
        self._log, self._clock = log, clock
        self._told_s: dict[str, float] = {}
        self._left_out: dict[str, int] = {}

    def warning(self, subject: str, sentence: str) -> bool:
        """Log a sentence, unless this subject had one just now; tells whether it was logged."""
        now_s = self._clock()
        if now_s - self._told_s.get(subject, -1e9) < LINE_EVERY_S:
            self._left_out[subject] = self._left_out.get(subject, 0) + 1
            self._log.debug("%s", sentence)
            return False
        left_out = self._left_out.pop(subject, 0)
        self._told_s[subject] = now_s
        self._log.warning("%s%s", sentence, f" ({left_out} more of this left out)" if left_out else "")
        return True
