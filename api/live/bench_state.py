"""What the service knows of the bench at this moment, from capture's live feed. No I/O, no clock."""

from __future__ import annotations

import datetime as dt
from collections import deque
from typing import Any

from pydantic import ValidationError

from api.base import BenchEvent, ChannelHealth, Health, Latest, RecorderHealth

FeedMessage = dict[str, Any]
SILENT_NS = 2_500_000_000
KEPT_EVENTS = 50

NO_INSTRUMENTS = "No instruments here: read disc and gauge, and type what they show on the job's page."


class BenchState:
    """Follows the live feed, message by message."""

    def __init__(self, *, instruments: bool = True) -> None:
        self.instruments = instruments
        """Whether there are any: a shop that reads disc and gauge by eye has no bench file, and no capture."""
        self.run_id: int | None = None
        self.specs: dict[str, FeedMessage] = {}
        self.latest: dict[str, Latest] = {}
        self.channels: list[ChannelHealth] = []
        self.recorder: RecorderHealth | None = None
        self.events: deque[BenchEvent] = deque(maxlen=KEPT_EVENTS)
        self.saved: dict[str, int] = {}
        self.damage = ""
        """Which file of the shop is damaged and what to do; empty where all are whole."""
        self._wall_less_monotonic_ns = 0
        self._heard_ns: int | None = None

    def hello(self, message: FeedMessage, now_ns: int) -> bool:
        """Take the feed's first message; `True` if another run than before has begun."""
        fresh = bool(message["run_id"] != self.run_id)
        self.run_id = message["run_id"]
        self.specs = {spec["name"]: spec for spec in message["channels"]}
        anchor = message["anchor"]
        self._wall_less_monotonic_ns = anchor["wall_ns"] - anchor["monotonic_ns"]
        self._heard_ns = now_ns
        if fresh:
            self.latest = {}
        return fresh

    def readings(self, message: FeedMessage, now_ns: int) -> None:
        """Keep the newest of some readings."""
        self._heard_ns = now_ns
        if message["t_ns"]:
            t_ns = message["t_ns"][-1]
            self.latest[message["channel"]] = Latest(
                value=message["value"][-1], wire_ns=t_ns, wall_ms=self.wall_ms(t_ns)
            )

    def health(self, message: FeedMessage, now_ns: int) -> None:
        """Take the state of every channel; fields that a later capture adds are left out."""
        self._heard_ns = now_ns
        self.channels = [known_fields(ChannelHealth, one) for one in message.get("channels", [])]
        recorder = message.get("recorder")
        self.recorder = known_fields(RecorderHealth, recorder) if recorder else None

    def event(self, message: FeedMessage, now_ns: int) -> BenchEvent:
        """Keep something that happened."""
        self._heard_ns = now_ns
        at = dt.datetime.fromtimestamp(self.wall_ms(message["t_ns"]) / 1e3, dt.UTC)
        event = BenchEvent(
            channel=message["channel"], code=message["code"], sentence=message["sentence"], at=at.isoformat()
        )
        self.events.append(event)
        return event

    def clock_set(self, wall_ns: int, wire_ns: int) -> None:
        """This machine's clock was set: what comes from now on is told by it."""
        self._wall_less_monotonic_ns = wall_ns - wire_ns

    def lost(self) -> None:
        """The feed's connection ended."""
        self._heard_ns = None

    def alive(self, now_ns: int) -> bool:
        """Tell whether capture has spoken lately, or nothing is wanted of it."""
        return not self.instruments or (self._heard_ns is not None and now_ns - self._heard_ns < SILENT_NS)

    def wall_ms(self, t_ns: int) -> float:
        """Turn capture's monotonic stamp into wall-clock milliseconds."""
        return (t_ns + self._wall_less_monotonic_ns) / 1e6

    def health_now(self, now_ns: int, wire_now_ns: int) -> Health:
        """Give the state of every channel with its age at this moment: an old reading never looks new.

        Parameters
        ----------
        now_ns : int
            Now in this process, as in every message taken.
        wire_now_ns : int
            Now on the instruments' wires.
        """
        alive = self.alive(now_ns)
        channels = [self._aged(channel, wire_now_ns, alive) for channel in self.channels]
        return Health(
            channels=channels,
            recorder=self.recorder,
            capture_alive=alive,
            sentence=f"{self.damage} {_sentence(alive, channels) if self.instruments else NO_INSTRUMENTS}".strip(),
        )

    def _aged(self, channel: ChannelHealth, wire_now_ns: int, alive: bool) -> ChannelHealth:
        newest = self.latest.get(channel.name)
        age_s = channel.age_s if newest is None else round((wire_now_ns - newest.wire_ns) / 1e9, 3)
        change: dict[str, Any] = {"age_s": age_s}
        if not alive:
            change |= {
                "state": "unknown",
                "rate_hz": 0.0,
                "sentence": "Capture is not running; nothing is read.",
            }
        return channel.model_copy(update=change)

    def gauges(self) -> list[str]:
        """Name the gauges of the bench."""
        return [name for name, spec in self.specs.items() if spec["quantity"] == "gauge"]

    def crank(self) -> str | None:
        """Name the crank's channel."""
        return next((name for name, spec in self.specs.items() if spec["quantity"] == "crank"), None)


def known_fields(model: type[Any], message: FeedMessage) -> Any:
    """Make a message of ours out of capture's, leaving out what it has besides."""
    try:
        return model(**{name: message[name] for name in model.model_fields if name in message})
    except ValidationError as error:
        raise ValueError(f"capture sent a {model.__name__} that cannot be used: {error}") from error


def _sentence(alive: bool, channels: list[ChannelHealth]) -> str:
    if not alive:
        return "Capture is not running. It is started again by itself; what was stored is safe."
    unwell = [channel for channel in channels if channel.state != "online"]
    if not channels:
        return "The bench has not told its channels yet."
    if not unwell:
        return "All instruments are online."
    return " ".join(f"{channel.told.rstrip('.')}." for channel in unwell)
