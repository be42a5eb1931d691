"""Whether a builder does a job at this bench by himself, and whether a visitor lets him."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from simulated_devices.machine import CommandError

Mode = Literal["none", "working", "paused", "visitor"]
MODES: dict[str, Mode] = {
    "begin": "working",
    "go_on": "working",
    "pause": "paused",
    "let_me": "visitor",
    "end": "none",
}


@dataclass
class BuilderState:
    """Who has the crank.

    Attributes
    ----------
    mode
        ``none``: there is no builder but the visitor; ``visitor``: the builder stands aside.
    say
        What the builder is about to do, in a sentence.
    """

    mode: Mode = "none"
    say: str = ""

    def told(self, do: str) -> None:
        """Begin, end, pause, go on, or hand over."""
        if self.mode == "none" and do != "begin":
            raise CommandError("no builder works at this bench; the crank is yours")
        self.mode = MODES[do]

    def admit(self, *, builder: bool) -> None:
        """Let one pair of hands at the bench: a visitor's go before the builder's."""
        if builder and self.mode == "visitor":
            raise CommandError("a visitor has the crank; wait until he lets the builder go on")
        if not builder and self.mode in {"working", "paused"}:
            self.mode = "visitor"
