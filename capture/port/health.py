"""How every channel is, in a word, figures and one sentence; and what changed.

An old reading never looks new: `age_s` is the time since the newest accepted reading.
"""

from __future__ import annotations

import re
import threading
from collections import deque
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from capture.base import Event, Listener
from capture.port.intake import Intake

RATE_WINDOW_NS = 3_000_000_000
GARBLED_LINES = 5
RESTART_S = 3.0
PAUSE_NS = 250_000_000
"""A board that restarts when its port is opened speaks after this at the latest."""


class ChannelState(StrEnum):
    """A channel's state, the word that people and programs are shown."""

    STARTING = "starting"
    ONLINE = "online"
    SILENT = "silent"
    GARBLED = "garbled"
    MUTE = "mute"
    SHARED = "shared"
    IN_DOUBT = "in_doubt"
    OFFLINE = "offline"
    BUSY = "busy"
    DENIED = "denied"
    UNUSABLE = "unusable"


@dataclass(slots=True)
class ChannelStatus:
    """What a reader thread says about its port; read by `HealthBoard` from another thread.

    Attributes
    ----------
    port_state : ChannelState
        `ONLINE` while the port is open, whatever comes out of it.
    port_sentence : str
        Why the port is not open.
    restarts : bool
        The device may begin again whenever the port is opened, and is waited for.
    """

    intake: Intake
    port: str
    silent_after_s: float
    restarts: bool = False
    asked: bool = False
    port_state: ChannelState = ChannelState.STARTING
    port_sentence: str = ""
    opened_ns: int = 0
    beat_ns: int = 0
    mute: bool = False
    others: str = ""

    def opened(self, now_ns: int) -> None:
        """The port is open."""
        self.port_state, self.port_sentence, self.opened_ns = ChannelState.ONLINE, "", now_ns

    def closed(self, state: str, sentence: str) -> None:
        """The port is not open, or its device waits for a person."""
        self.port_state, self.port_sentence = ChannelState(state), sentence


@dataclass(slots=True)
class _Seen:
    """Counts over the last few seconds, and the state told last."""

    samples: deque[tuple[int, int, int]] = field(default_factory=deque)
    state: ChannelState | None = None

    def add(self, now_ns: int, accepted: int, rejected: int) -> None:
        """Count on, and forget what is older than the window."""
        self.samples.append((now_ns, accepted, rejected))
        while len(self.samples) > 2 and self.samples[1][0] <= now_ns - RATE_WINDOW_NS:
            self.samples.popleft()

    @property
    def accepted(self) -> int:
        """How many frames were taken within the window."""
        return self.samples[-1][1] - self.samples[0][1]

    @property
    def rejected(self) -> int:
        """How many were not."""
        return self.samples[-1][2] - self.samples[0][2]

    @property
    def rate_hz(self) -> float:
        """How many were taken a second."""
        seconds = (self.samples[-1][0] - self.samples[0][0]) / 1e9
        return self.accepted / seconds if seconds > 0 else 0.0


class HealthBoard:
    """Looks at every channel a few times a second and says what changed.

    Parameters
    ----------
    out : Listener
        Given an `Event` whenever a channel's state changes.
    """

    def __init__(self, statuses: list[ChannelStatus], out: Listener) -> None:
        self._statuses = statuses
        self._out = out
        self._seen = {status.intake.channel.name: _Seen() for status in statuses}
        self._lock = threading.Lock()

    def tick(self, now_ns: int) -> None:
        """Look once."""
        with self._lock:
            for status in self._statuses:
                self._look(status, now_ns)

    def channels(self, now_ns: int) -> list[dict[str, Any]]:
        """One mapping a channel.

        Keys: name, quantity, state, age_s, rate_hz, accepted, rejected, sentence, last_lines (oldest first, each
        with its text and whether it could be read).
        """
        with self._lock:
            return [self._described(status, now_ns) for status in self._statuses]

    def doubts(self) -> dict[str, dict[str, float]]:
        """What cannot be told, as rates: share of lines rejected, and share that may be wrong unseen."""
        return {
            status.intake.channel.name: {
                "rejected_share": rejected_share(status.intake),
                "undetected_share": undetected_share(status.intake),
            }
            for status in self._statuses
        }

    def _look(self, status: ChannelStatus, now_ns: int) -> None:
        seen = self._seen[status.intake.channel.name]
        seen.add(now_ns, status.intake.accepted, status.intake.rejected)
        state, sentence = _judge(status, seen, now_ns)
        if (seen.state is not None and state != seen.state) or (seen.state is None and state != "starting"):
            self._out.event(Event(now_ns, status.intake.channel.name, f"channel_{state}", sentence))
            seen.state = state

    def _described(self, status: ChannelStatus, now_ns: int) -> dict[str, Any]:
        intake, seen = status.intake, self._seen[status.intake.channel.name]
        if not seen.samples:
            seen.add(now_ns, intake.accepted, intake.rejected)
        state, sentence = _judge(status, seen, now_ns)
        return {
            "name": intake.channel.name,
            "quantity": intake.channel.quantity,
            "state": str(state),
            "age_s": _age_s(intake, now_ns),
            "rate_hz": round(seen.rate_hz, 2),
            "accepted": intake.accepted,
            "rejected": intake.rejected,
            "sentence": sentence,
            "last_lines": [
                {"text": as_text(line), "read": read} for line, read in intake.decoder.latest.copy()
            ],
        }


def as_text(line: bytes) -> str:
    """A device's line as harmless text: what is not printable ASCII is written as ``\\xNN``."""
    return re.sub(r"[^ -~]", lambda match: f"\\x{ord(match[0]):02x}", line[:80].decode("latin-1"))


def rejected_share(intake: Intake) -> float:
    """Share of the lines that were damaged, since the start; cut lines after opening do not count."""
    lines = intake.accepted + intake.damaged
    return intake.damaged / lines if lines else 0.0


def undetected_share(intake: Intake) -> float:
    """Share of accepted lines that may be wrong without any sign of it, judged by those that show it.

    Lines carry no checksum. If noise turns single bits, three in eight turned bits of a digit make
    another digit, and the line still looks right; from the share of lines that were seen to be damaged
    follows how many were not.
    """
    line = intake.last_line
    digits = sum(48 <= byte <= 57 for byte in line)
    unseen = 0.375 * digits / (len(line) + 1)  # the terminator can be hit too
    seen = rejected_share(intake)
    return min(1.0, seen * unseen / (1.0 - unseen)) if line else 0.0


def _age_s(intake: Intake, now_ns: int) -> float | None:
    return round((now_ns - intake.last_ns) / 1e9, 3) if intake.last_ns else None


def _judge(status: ChannelStatus, seen: _Seen, now_ns: int) -> tuple[ChannelState, str]:
    """The state and its sentence, most pressing first."""
    name = status.intake.channel.name
    if status.port_state is not ChannelState.ONLINE:
        return status.port_state, status.port_sentence or f"{name}: opening {status.port}"
    if _restarting(status, now_ns):
        return ChannelState.STARTING, f"{name}: the port was opened with DTR raised; its board is waited for"
    return _unheard(status, seen) or _quiet(status, now_ns) or _heard(status)


def _unheard(status: ChannelStatus, seen: _Seen) -> tuple[ChannelState, str] | None:
    name = status.intake.channel.name
    if seen.rejected >= GARBLED_LINES and seen.rejected > seen.accepted:
        line = as_text(status.intake.decoder.rejects.last_line)[:40]
        return ChannelState.GARBLED, (
            f"{name}: what comes in cannot be read (last: {line}); "
            "check baud, framing and frame in the bench file"
        )
    if status.mute:
        return ChannelState.MUTE, (
            f"{name}: does not answer when asked; check that it is on, and request and baud in the bench file"
        )
    return None


def _heard(status: ChannelStatus) -> tuple[ChannelState, str]:
    name = status.intake.channel.name
    if status.others:
        return ChannelState.SHARED, (
            f"{name}: {status.others} also has {status.port} open and may take readings away; close it"
        )
    return ChannelState.ONLINE, _online_sentence(status)


def _restarting(status: ChannelStatus, now_ns: int) -> bool:
    """Whether what comes, or does not come, may be a board's last words, its banner or its pause."""
    fresh = now_ns - status.opened_ns < RESTART_S * 1e9
    quiet_ns = now_ns - max(status.intake.last_ns, status.opened_ns)
    return status.restarts and fresh and (status.intake.last_ns < status.opened_ns or quiet_ns > PAUSE_NS)


def _quiet(status: ChannelStatus, now_ns: int) -> tuple[ChannelState, str] | None:
    name = status.intake.channel.name
    quiet_s = (now_ns - max(status.intake.last_ns, status.opened_ns)) / 1e9
    if quiet_s > status.silent_after_s:
        return ChannelState.SILENT, (
            f"{name}: the port is open, but nothing has come for {quiet_s:.0f} s; is the instrument on?"
        )
    return None


def _online_sentence(status: ChannelStatus) -> str:
    share = undetected_share(status.intake)
    name, damaged = status.intake.channel.name, 100 * rejected_share(status.intake)
    if status.intake.damaged < GARBLED_LINES or damaged < 0.01:
        return f"{name}: readings come in"
    return (
        f"{name}: {damaged:.2g} % of the lines arrive damaged; "
        f"about {1e6 * share:.0f} in a million may be wrong without showing it; check cable and earth"
    )
