"""Told to stop: by a signal, which interrupts the very thread that waits for it."""

from __future__ import annotations

from queue import Empty, SimpleQueue


class StopRequest:
    """Made from a signal handler or any thread, waited for by the main one.

    A `threading.Event` is not enough: its `set` takes the lock that its `wait` holds for moments, and a handler
    that runs within such a moment waits for ever for the thread that it interrupted. A `SimpleQueue` may be put
    into from within its own `get`.
    """

    def __init__(self) -> None:
        self._made: SimpleQueue[None] = SimpleQueue()

    def make(self) -> None:
        """Ask to stop; returns at once, wherever it is called."""
        self._made.put(None)

    def came_within(self, timeout_s: float) -> bool:
        """Wait so long at most; tells whether stopping was asked for."""
        try:
            self._made.get(timeout=timeout_s)
        except Empty:
            return False
        return True
