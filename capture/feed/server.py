"""The live feed: everything the readers find, as JSON lines on a local socket, to any number of clients.

Messages, told apart by `kind`:

=========  ============================================================================================
hello      first on a connection: run_id, schema, channels [{name, quantity, unit, sign, counts_per_turn}],
           anchor {monotonic_ns, wall_ns}, next {channel: sequence number of its next reading}
readings   channel, segment, first (sequence number), t_ns [], value [] (degrees or millimetres)
gap        channel, reason, start_ns, end_ns, lines
event      t_ns, channel, code, sentence
health     channels [], recorder {}, doubts {}, beating (every thread is alive); at least once a second
saved      channels {name: sequence number of the last reading stored durably}
answer     id, ok, sentence, and more by command: to a client's command
=========  ============================================================================================

A client sends commands as JSON lines: ``{"id": 1, "command": "flush"}`` (store now; answered with
``saved``), ``{"id": 2, "command": "accept_device", "channel": "plunger"}``, ``{"id": 3, "command":
"health"}``. A client that does not read is cut off after a few seconds, one that came over TCP
and does not say the secret as soon; nobody waits for either.
"""

from __future__ import annotations

import contextlib
import json
import logging
import secrets
import selectors
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from capture.base import Event, Gap, Readings
from capture.feed.client import AsyncLiveClient, LiveClient, decoded
from capture.feed.client_slot import ClientSlot
from capture.feed.endpoint import Endpoint

__all__ = ["FEED_SCHEMA", "AsyncLiveClient", "LiveClient", "LiveFeed"]

log = logging.getLogger(__name__)
FEED_SCHEMA = 1
TICK_S = 0.008
IDLE_TICK_S = 0.1
MOST_CLIENTS = 32

Message = dict[str, Any]
Answer = Callable[[Message], None]
Command = Callable[[Message, Answer], None]


class LiveFeed:
    """A `Listener` that publishes what it hears.

    Parameters
    ----------
    hello : callable
        Makes the `hello` message (without `next`) for a new client.
    commands : dict
        Name to a function (message, answer); `answer` may be called later, from any thread.
    """

    def __init__(self, hello: Callable[[], Message], commands: dict[str, Command]) -> None:
        self._hello, self._commands = hello, commands
        self._endpoint = Endpoint(MOST_CLIENTS)
        self.path, self.facts = self._endpoint.path, self._endpoint.facts
        self._listening = self._endpoint.listening
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listening, selectors.EVENT_READ)
        self._clients: list[ClientSlot] = []
        self._heard: deque[Readings | Message] = deque()
        self._answers: deque[tuple[ClientSlot, Message]] = deque()
        self._next: dict[str, int] = {}
        self._stop = False
        self._thread: threading.Thread | None = None
        self.beat_ns = time.monotonic_ns()
        self.cut_clients = 0

    # --- what others call, from any thread ----------------------------------------------------------

    def start(self) -> None:
        """Start the thread, or start it again."""
        self._thread = threading.Thread(target=self._run, name="live feed", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def readings(self, readings: Readings) -> None:
        """Publish readings; returns at once."""
        self._heard.append(readings)

    def gap(self, gap: Gap) -> None:
        """Publish a gap."""
        self._heard.append(
            {
                "kind": "gap",
                "channel": gap.channel,
                "reason": gap.reason,
                "start_ns": gap.start_ns,
                "end_ns": gap.end_ns,
                "lines": gap.lines,
            }
        )

    def event(self, event: Event) -> None:
        """Publish an event."""
        self._heard.append(
            {
                "kind": "event",
                "t_ns": event.t_ns,
                "channel": event.channel,
                "code": event.code,
                "sentence": event.sentence,
            }
        )

    def saved(self, channels: dict[str, int]) -> None:
        """Publish what is stored durably."""
        self._heard.append({"kind": "saved", "channels": channels})

    def health(self, message: Message) -> None:
        """Publish the state of every channel and of the recorder."""
        self._heard.append({"kind": "health", **message})

    def stop(self, timeout_s: float = 1.0) -> None:
        """Send what is waiting, say goodbye by closing, end the thread."""
        self._stop = True
        if self._thread:
            self._thread.join(timeout_s)
        for client in self._clients:
            client.close()
        self._endpoint.close()

    # --- the thread ---------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            stopping = self._stop
            try:
                self._turn()
            except Exception:
                log.exception("the live feed stumbled; it goes on")
                time.sleep(TICK_S)
            if stopping:
                return

    def _turn(self) -> None:
        """One round: hear, send, and cut whoever is too slow or never says who it is."""
        for key, _ in self._selector.select(TICK_S if self._clients else IDLE_TICK_S):
            if key.fileobj is self._listening:
                self._publish_heard()
                self._welcome()
            else:
                self._hear(key.data)
        self._publish_heard()
        self._send_answers()
        now_s = time.monotonic()
        self.beat_ns = time.monotonic_ns()
        for client in tuple(self._clients):
            if client.overdue(now_s):
                self._cut(client, gone=True)
            elif not client.send(now_s):
                self._cut(client, gone=client.gone)

    def _welcome(self) -> None:
        connection, _ = self._listening.accept()
        if len(self._clients) >= MOST_CLIENTS:
            connection.close()
            return
        client = ClientSlot(connection)
        client.known = not self._endpoint.secret
        self._clients.append(client)
        self._selector.register(connection, selectors.EVENT_READ, client)
        if client.known:
            self._greet(client)

    def _greet(self, client: ClientSlot) -> None:
        client.add(_line({**self._hello(), "kind": "hello", "next": dict(self._next)}))

    def _admit(self, client: ClientSlot, said: bytes) -> bool:
        """Whether a client that came over TCP said the secret; it is told nothing before."""
        client.known = secrets.compare_digest(said.strip(), self._endpoint.secret)
        if client.known:
            self._publish_heard()
            self._greet(client)
        return client.known

    def _publish_heard(self) -> None:
        """Send to everyone let in what was heard since the last time, numbered on even while nobody listens."""
        heard = [self._heard.popleft() for _ in range(len(self._heard))]
        lines = []
        for item in _coalesced(heard):
            if isinstance(item, Readings):
                self._next[item.channel.name] = item.first + len(item.raw)
            if self._clients:
                lines.append(_line(_readings_message(item) if isinstance(item, Readings) else item))
        if lines:
            everything = b"".join(lines)
            for client in self._clients:
                if client.known:
                    client.add(everything)

    def _hear(self, client: ClientSlot) -> None:
        commands = client.receive()
        if commands is None:
            self._cut(client, gone=True)
            return
        for line in commands:
            if client.known:
                self._obey(client, line)
            elif not self._admit(client, line):
                self._cut(client, gone=True)
                return

    def _obey(self, client: ClientSlot, line: bytes) -> None:
        """Carry out a command; whatever is sent, there is an answer."""
        try:
            message = decoded(line)
            name, number = message["command"], message.get("id")
        except (ValueError, KeyError):
            self._answers.append(
                (client, {"id": None, "ok": False, "sentence": "not a command: send one JSON object a line"})
            )
            return

        def answer(fields: Message) -> None:
            """Put the answer in its turn for the client that asked."""
            self._answers.append((client, {"id": number, **fields}))

        command = self._commands.get(name) if isinstance(name, str) else None
        if command is None:
            known = ", ".join(sorted(self._commands))
            answer({"ok": False, "sentence": f"unknown command {name!r}; known: {known}"})
        else:
            command(message, answer)

    def _send_answers(self) -> None:
        while self._answers:
            client, message = self._answers.popleft()
            client.add(_line({"kind": "answer", **message}))

    def _cut(self, client: ClientSlot, *, gone: bool = False) -> None:
        with contextlib.suppress(KeyError, ValueError):
            self._selector.unregister(client.connection)
        if client in self._clients:
            self._clients.remove(client)
        client.close()
        if not gone:
            self.cut_clients += 1
            log.warning("a client of the live feed did not read and was cut off; it may connect again")


def _coalesced(heard: list[Readings | Message]) -> list[Readings | Message]:
    """Join what follows on directly in one channel and segment, so that a busy bench makes few messages."""
    joined: list[Readings | Message] = []
    last: dict[str, int] = {}
    for item in heard:
        if not isinstance(item, Readings):
            joined.append(item)
            last.clear()
            continue
        place = last.get(item.channel.name)
        before = joined[place] if place is not None else None
        if place is not None and isinstance(before, Readings) and _follows(before, item):
            joined[place] = Readings(
                item.channel, item.segment, before.first, before.t_ns + item.t_ns, before.raw + item.raw
            )
        else:
            last[item.channel.name] = len(joined)
            joined.append(item)
    return joined


def _follows(before: Readings, after: Readings) -> bool:
    return before.segment is after.segment and before.first + len(before.raw) == after.first


def _readings_message(readings: Readings) -> Message:
    return {
        "kind": "readings",
        "channel": readings.channel.name,
        "segment": readings.segment.number,
        "first": readings.first,
        "t_ns": readings.t_ns,
        "value": readings.values(),
    }


def _line(message: Message) -> bytes:
    return json.dumps(message, separators=(",", ":")).encode() + b"\n"
