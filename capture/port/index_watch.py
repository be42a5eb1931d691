"""The encoder's index mark against its counts: a coupling that slips, counts that were missed. Pure."""

from __future__ import annotations

from capture.bench import Frame

TOLERANCE_COUNTS = 2


class IndexWatch:
    """Expects the index mark at the same place of every turn.

    The mark is told with the line after it was passed, so the place is known to within the last step.
    """

    def __init__(self, counts_per_turn: int) -> None:
        self._counts_per_turn = counts_per_turn
        self._place: int | None = None
        self._before: int | None = None

    def begin(self) -> None:
        """The counter began again, or the port was reopened: the mark's place is to be found anew."""
        self._place = self._before = None

    def slipped(self, frame: Frame) -> int:
        """Counts by which the mark is away from where it was; 0 when it is in its place or not seen."""
        step = 0 if self._before is None else frame.value - self._before
        self._before = frame.value
        if not frame.index:
            return 0
        place = frame.value % self._counts_per_turn
        if self._place is None:
            self._place = place
            return 0
        half = self._counts_per_turn // 2
        away = (place - self._place + half) % self._counts_per_turn - half
        if abs(away) <= TOLERANCE_COUNTS + 2 * abs(step):
            return 0
        self._place = place
        return away
