"""A bench set up by hand and eye: listen to ports while the crank is turned or a plunger pushed, see which one moves.

Listening only: nothing is ever sent to a device that nobody has named yet, and a port that the bench reads already
is left alone.
"""

from __future__ import annotations

import time
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from capture.base import PortError
from capture.bench import CRANK_KINDS, GaugeInstrument, make_decoder
from capture.port import ListedPort, Port, as_text, sniff

LAST_LINES = 4
MOST_PORTS = 12
MOVED_COUNTS = 3
"""A count that trembles on an edge has not been turned."""
MOVED_DECIMALS = 5
"""Nor has a gauge that flickers in its last decimal been pushed."""
FAR_MORE = 4.0


@dataclass(frozen=True, slots=True)
class Heard:
    """What one port said while it was listened to.

    Attributes
    ----------
    frame, framing : str
        Empty where nothing could be recognised.
    first, last : float or None
        First and last value: counts, or the gauge's own unit.
    travel : float
        Largest less least value, in counts or units of the last decimal.
    lines : list of str
        Its last lines, as harmless text.
    sentence : str
        All of this for people.
    """

    name: str
    frame: str
    baud: int
    framing: str
    first: float | None
    last: float | None
    travel: float
    lines: list[str]
    sentence: str

    @property
    def quantity(self) -> str:
        """Give ``crank`` or ``gauge``, empty where nothing was recognised."""
        return "" if not self.frame else "crank" if self.frame in CRANK_KINDS else "gauge"

    @property
    def moved(self) -> bool:
        """Tell whether its value changed by more than a flicker."""
        return self.travel > (MOVED_COUNTS if self.quantity == "crank" else MOVED_DECIMALS)


def listen(names: list[str], seconds: float) -> list[Heard]:
    """Listen to several ports at once, each found out first where it has to be.

    Parameters
    ----------
    names : list of str
        Ports, at most `MOST_PORTS`.
    seconds : float
        How long to listen once the way of speaking is known.
    """
    with ThreadPoolExecutor(max_workers=MOST_PORTS, thread_name_prefix="listen") as threads:
        return list(threads.map(lambda name: _heard(name, seconds), names))


def mover(heard: list[Heard]) -> Heard | None:
    """Give the one port that moved; `None` where none did, or where it cannot be told which."""
    moved = sorted((one for one in heard if one.moved), key=lambda one: one.travel, reverse=True)
    clear = len(moved) == 1 or (len(moved) > 1 and moved[0].travel > FAR_MORE * moved[1].travel)
    return moved[0] if clear else None


def verdict(heard: list[Heard]) -> str:
    """Say which port moved, and what to do where that is not clear."""
    one = mover(heard)
    if one is not None:
        by = f"{one.travel:g} counts" if one.quantity == "crank" else f"{one.travel:g} of its last decimal"
        what = "the encoder" if one.quantity == "crank" else "the gauge you pushed"
        return f"{one.name} moved by {by}: that is {what}."
    if any(one.moved for one in heard):
        names = ", ".join(one.name for one in heard if one.moved)
        return f"{names} moved alike. Hold everything still but one, and try again."
    if not any(one.frame for one in heard):
        return "No port sent anything that can be read. See that the instruments are on, and try again."
    return "Nothing moved. Turn or push while it listens, and try again."


def _heard(name: str, seconds: float) -> Heard:
    found = sniff(ListedPort(name, ""))
    if not found.frame:
        lines = [found.sample] if found.sample else []
        return Heard(name, "", 0, "", None, None, 0.0, lines, found.sentence)
    try:
        values, lines, decimals = _values(name, found.frame, found.baud, found.framing, seconds)
    except PortError as error:
        return Heard(name, "", 0, "", None, None, 0.0, [], f"{name}: {error}")
    told = [value / 10**decimals for value in values]
    first, last = (told[0], told[-1]) if told else (None, None)
    travel = float(max(values) - min(values)) if values else 0.0
    return Heard(name, found.frame, found.baud, found.framing, first, last, travel, lines, found.sentence)


def _values(
    name: str, frame: str, baud: int, framing: str, seconds: float
) -> tuple[list[int], list[str], int]:
    """Read values for a while; the gauge's finest decimals are those of all."""
    instrument = GaugeInstrument(name="listened", port=name, baud=baud, framing=framing, frame="decimal")
    decoder = make_decoder(frame)
    read: list[tuple[int, int]] = []
    lines: deque[str] = deque(maxlen=LAST_LINES)
    until = time.monotonic() + seconds
    with Port(instrument) as port:
        while time.monotonic() < until:
            for one in decoder.feed(port.read(0.1)):
                read.append((one.value, one.decimals))
                lines.append(as_text(one.text))
    decimals = max((places for _, places in read), default=0)
    return [value * 10 ** (decimals - places) for value, places in read], list(lines), decimals
