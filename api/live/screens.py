"""The live feed to screens: each has one latest-value slot for each kind of message, and 5 s to take it.

A screen that is slow misses values in between, never the newest; one that stops is cut, and the others
never wait for it. The bench, the paired screens and strangers have places of their own, and a paired screen that
is revoked is cut.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import Callable
from dataclasses import dataclass

from starlette.websockets import WebSocket, WebSocketDisconnect

from api.base import CurvePoints, Hello, Latest, Message, Readings, Standing
from api.live.curve_points import WORTH_DRAWING, CurvePointsSoFar

SEND_S = 5.0
LEAST_GAP_S = 1 / 60
MOST_SCREENS = 64
MOST_STRANGERS, MOST_OF_ONE_ADDRESS = 32, 12
LOOK_AGAIN_S = 0.3
KEPT_EVENTS = 20
TRY_AGAIN_LATER = 1013
NOT_ALLOWED = 1008


@dataclass(frozen=True, slots=True)
class Watcher:
    """Who watches.

    Attributes
    ----------
    standing
        What it is; each standing has so many places.
    address
        Where it is; no address takes all places of strangers.
    is_still
        Tells whether it still is what it was when it came.
    """

    standing: Standing = Standing.BENCH
    address: str = ""
    is_still: Callable[[], bool] = lambda: True


class Screen:
    """What one screen has still to be sent."""

    def __init__(self, watcher: Watcher | None = None) -> None:
        self.watcher = watcher or Watcher()
        self._slots: dict[str, str] = {}
        self._events = itertools.count()
        self._wake = asyncio.Event()
        self.readings_due = False
        self.points_of: int | None = None
        self.points_sent = 0

    def put(self, slot: str, text: str) -> None:
        """Let a message take the place of an older one of its slot."""
        self._slots.pop(slot, None)
        self._slots[slot] = text
        self._wake.set()

    def put_event(self, text: str) -> None:
        """Add something that happened; the oldest are dropped by a screen that is far behind."""
        self.put(f"event {next(self._events)}", text)
        waiting = [slot for slot in self._slots if slot.startswith("event ")]
        for slot in waiting[:-KEPT_EVENTS]:
            del self._slots[slot]

    def wake(self) -> None:
        """Tell the sender that readings are due."""
        self.readings_due = True
        self._wake.set()

    async def taken(self) -> list[str]:
        """Wait for something to send and empty the slots."""
        await self._wake.wait()
        self._wake.clear()
        texts = list(self._slots.values())
        self._slots.clear()
        return texts


class Screens:
    """All live screens; everything is called from the event loop."""

    def __init__(self, hello: Callable[[], Hello], latest: Callable[[], dict[str, Latest]]) -> None:
        self._hello = hello
        self._latest = latest
        self._screens: set[Screen] = set()
        self._last_tick_s = 0.0
        self._tick: asyncio.TimerHandle | None = None
        self._composed: dict[int, tuple[str, int]] = {}
        self._points: tuple[int, CurvePointsSoFar] | None = None

    def __len__(self) -> int:
        return len(self._screens)

    def publish(self, message: Message) -> None:
        """Send a message to every screen; a newer one of its kind takes its place."""
        kind: str = message.kind  # type: ignore[attr-defined]
        number = getattr(message, "measurement_id", None) or getattr(
            getattr(message, "measurement", None), "id", ""
        )
        text = message.model_dump_json()
        for screen in self._screens:
            if kind == "event":
                screen.put_event(text)
            else:
                screen.put(f"{kind} {number}", text)

    def draw(self, measurement_id: int | None, points: CurvePointsSoFar | None) -> None:
        """Say which measurement's points the screens draw from now on; also when its points began anew."""
        self._points = None if measurement_id is None or points is None else (measurement_id, points)
        self._composed.clear()
        for screen in self._screens:
            screen.points_of, screen.points_sent = None, 0

    def readings_changed(self) -> None:
        """Send the newest readings, at most 60 times a second."""
        if self._tick is not None or not self._screens:
            return
        loop = asyncio.get_running_loop()
        wait_s = max(0.0, self._last_tick_s + LEAST_GAP_S - loop.time())
        self._tick = loop.call_later(wait_s, self._wake_all, loop)

    def _wake_all(self, loop: asyncio.AbstractEventLoop) -> None:
        self._tick = None
        self._last_tick_s = loop.time()
        self._composed.clear()
        for screen in self._screens:
            screen.wake()

    def _readings_for(self, screen: Screen) -> str:
        """Compose readings once for all screens that have seen as much."""
        first = self._first_point(screen)
        if first not in self._composed:
            points = self._new_points(first)
            text = Readings(latest=self._latest(), points=points).model_dump_json()
            self._composed[first] = text, first + (0 if points is None else len(points.way))
        text, screen.points_sent = self._composed[first]
        screen.points_of = None if self._points is None else self._points[0]
        return text

    def _first_point(self, screen: Screen) -> int:
        if self._points is None:
            return 0
        number, points = self._points
        if screen.points_of != number or screen.points_sent > len(points):
            screen.points_sent = 0 if len(points) <= WORTH_DRAWING else len(points) - 1
        return screen.points_sent

    def _new_points(self, first: int) -> CurvePoints | None:
        if self._points is None or first == len(self._points[1]):
            return None
        number, points = self._points
        return CurvePoints(
            measurement_id=number,
            first=first,
            crank_deg=points.crank_deg[first:],
            gauge_mm=points.gauge_mm[first:],
            way=points.way[first:],
        )

    async def serve(self, socket: WebSocket, watcher: Watcher) -> None:
        """Serve one screen until it goes, or is cut because it takes nothing or may no longer watch."""
        await socket.accept()
        full = self._full(watcher)
        if full:
            await socket.close(TRY_AGAIN_LATER, full)
            return
        screen = Screen(watcher)
        screen.put("hello", self._hello().model_dump_json())
        screen.wake()
        self._screens.add(screen)
        parts = (self._send(socket, screen), _listen(socket), _cut_when_revoked(socket, watcher))
        tasks = [asyncio.create_task(part) for part in parts]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._screens.discard(screen)
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _full(self, watcher: Watcher) -> str:
        """Say why there is no place for one more, where there is none."""
        kin = [one.watcher for one in self._screens if one.watcher.standing is watcher.standing]
        is_stranger = watcher.standing is Standing.STRANGER
        most = MOST_STRANGERS if is_stranger else MOST_SCREENS
        if len(kin) >= most:
            return f"{most} screens are open already; close one."
        beside = sum(1 for one in kin if one.address == watcher.address)
        if is_stranger and beside >= MOST_OF_ONE_ADDRESS:
            return f"{beside} screens of this address are open already; close one."
        return ""

    async def _send(self, socket: WebSocket, screen: Screen) -> None:
        with contextlib.suppress(TimeoutError, WebSocketDisconnect, RuntimeError, OSError):
            while True:
                for text in await screen.taken():
                    await _send_text(socket, text)
                if screen.readings_due:
                    screen.readings_due = False
                    await _send_text(socket, self._readings_for(screen))


async def _send_text(socket: WebSocket, text: str) -> None:
    async with asyncio.timeout(SEND_S):  # not wait_for, which before Python 3.12 can lose a cancelling
        await socket.send_text(text)


async def _cut_when_revoked(socket: WebSocket, watcher: Watcher) -> None:
    while watcher.is_still():
        await asyncio.sleep(LOOK_AGAIN_S)
    with contextlib.suppress(RuntimeError, OSError, TimeoutError):
        async with asyncio.timeout(SEND_S):
            await socket.close(NOT_ALLOWED, "This screen is no longer paired.")


async def _listen(socket: WebSocket) -> None:
    """Read what a screen says, which means nothing, until it goes."""
    with contextlib.suppress(WebSocketDisconnect, RuntimeError, OSError):
        while True:
            await socket.receive_text()
