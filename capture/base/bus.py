"""From the readers to whoever listens: each listener on its own, so that one that fails harms no other."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Protocol

from capture.base.reading import Event, Gap, Readings

log = logging.getLogger(__name__)


class Listener(Protocol):
    """Takes what the readers find. Called from reader threads: must return at once and never block."""

    def readings(self, readings: Readings) -> None:
        """Consecutive readings of one channel."""

    def gap(self, gap: Gap) -> None:
        """Lines that are not among the readings."""

    def event(self, event: Event) -> None:
        """Something happened at the bench."""


class Bus:
    """Passes everything on to every listener.

    Parameters
    ----------
    on_failure : callable, optional
        Told the listener and its exception, at most once for each listener until it works again.
    """

    def __init__(self, on_failure: Callable[[Listener, Exception], None] | None = None) -> None:
        self._listeners: tuple[Listener, ...] = ()
        self._failed: set[int] = set()
        self._on_failure = on_failure

    def add(self, listener: Listener) -> None:
        """Add a listener; it hears everything from now on."""
        self._listeners += (listener,)

    def readings(self, readings: Readings) -> None:
        """Pass readings on."""
        for listener in self._listeners:
            self._call(listener, lambda to: to.readings(readings))

    def gap(self, gap: Gap) -> None:
        """Pass a gap on."""
        for listener in self._listeners:
            self._call(listener, lambda to: to.gap(gap))

    def event(self, event: Event) -> None:
        """Pass an event on."""
        for listener in self._listeners:
            self._call(listener, lambda to: to.event(event))

    def _call(self, listener: Listener, act: Callable[[Listener], None]) -> None:
        try:
            act(listener)
            self._failed.discard(id(listener))
        except Exception as error:
            if id(listener) in self._failed:
                return
            self._failed.add(id(listener))
            log.exception("a listener failed; the others go on")
            if self._on_failure:
                self._on_failure(listener, error)
