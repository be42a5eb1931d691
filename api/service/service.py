"""The service as a whole: what is kept, what the bench says, what is being measured, who watches."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Coroutine
from typing import Any

from starlette.requests import HTTPConnection

from api.archive import ImportDesk
from api.base import ServiceConfig, shop_addresses
from api.broker import TELL_EVERY_S, Broker, broker_of
from api.forwarding import Forwarder, Sharer, Teller, forwarder_of
from api.live import BenchState, Board, Feed, FeedMessage
from api.measure import Fits, Measuring, Parts
from api.records import MeasurementStore, StoredStreams
from api.service.file_watch import watch_files
from api.service.job_service import JobService
from api.service.live_word import live_word
from api.service.service_manager import tell_service_manager
from api.store import ShopStore
from capture.base import wire_now_ns

HEARTBEAT_S = 0.5


class Service:
    """Everything behind the pages.

    Made outside the event loop (it opens files, and may raise `StoreError`); lives from `start` to `stop`. One that is
    never started is only looked at: `shop` and `stored` are then those of a copy.
    """

    def __init__(
        self, config: ServiceConfig, shop: ShopStore | None = None, stored: StoredStreams | None = None
    ) -> None:
        self.config = config
        self.shop = shop or ShopStore(config.data_dir)
        self.imports = ImportDesk(config.data_dir)
        self.measurements = MeasurementStore(self.shop)
        self.stored = stored or StoredStreams(config.data_dir)
        self.bench = BenchState(instruments=config.bench_file is not None)
        self.board = Board(self.bench)
        self.feed = Feed(config.data_dir, self)
        self.fits = Fits(config.data_dir, self.measurements, self.stored)
        self.measuring = Measuring(
            self.measurements, self.bench, self.stored, self.board, self.feed.flush, self.fits.hand_on
        )
        self.job_service = JobService(
            Parts(
                config=config,
                shop=self.shop,
                measurements=self.measurements,
                stored=self.stored,
                bench=self.bench,
                board=self.board,
                fits=self.fits,
                measuring=self.measuring,
            )
        )
        self.forwarder: Forwarder | None = forwarder_of(config.data_dir, config.bench_file)
        """Carries what is kept to the shop's archive, where the bench file names one."""
        self.broker: Broker | None = broker_of(config.bench_file)
        """Has the live numbers for the rest of the house, where the bench file names one."""
        self.teller: Teller | None = None if self.forwarder is None else self.forwarder.teller()
        """Tells the archive about once a second what the bench's page shows."""
        self.sharer: Sharer | None = None if self.forwarder is None else self.forwarder.sharer(self.shop)
        """Fetches engines and cards of the other benches, and jobs that are handed over."""
        self.capture_beats = True
        self.port = config.port
        """Where the pages really are, where any free port was asked for."""
        self.local_name = ""
        """The name under ``.local`` by which other screens find the bench, where one was announced."""
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Begin to listen to capture, and go on with what was running."""
        self.measuring.resume()
        self.keep(self.feed.run())
        self.keep(self._beat())
        self.keep(self.job_service.run())
        self.keep(watch_files(self.config.data_dir, self._hear_of_damage))
        self.keep(tell_service_manager(self))
        if self.forwarder is not None:
            self.forwarder.start()
        if self.broker is not None:
            await asyncio.to_thread(self.broker.start)
            self.keep(self._tell(self.broker))
        if self.teller is not None:
            self.teller.start()
        if self.sharer is not None:
            self.sharer.start()

    async def stop(self) -> None:
        """Stop everything; nothing is lost by it."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self.measuring.close()
        if self.forwarder is not None:
            await asyncio.to_thread(self.forwarder.stop)
        if self.broker is not None:
            await asyncio.to_thread(self.broker.stop)
        if self.teller is not None:
            await asyncio.to_thread(self.teller.stop)
        if self.sharer is not None:
            await asyncio.to_thread(self.sharer.stop)
        await asyncio.to_thread(self.imports.close)
        await asyncio.to_thread(self.shop.close)

    def keep(self, work: Coroutine[Any, Any, None]) -> None:
        """Run something until the service stops."""
        self._tasks.add(asyncio.create_task(work))

    # -- what capture says

    def take(self, message: FeedMessage, now_ns: int) -> None:
        """Take one message of the live feed."""
        kind = message.get("kind")
        if kind == "readings":
            self.bench.readings(message, now_ns)
            self.measuring.take_readings(message)
            self.job_service.take_readings(message)
            self.board.screens.readings_changed()
        elif kind == "health":
            self.bench.health(message, now_ns)
            self.capture_beats = message.get("beating", True) is True
        elif kind == "event":
            if message["code"] == "clock_set":
                self.bench.clock_set(time.time_ns(), wire_now_ns())
            self.board.screens.publish(self.bench.event(message, now_ns))
            self.job_service.hear(message)
        elif kind == "hello":
            self.bench.hello(message, now_ns)
            self.measuring.feed_began()
            self.job_service.feed_began()
            self.board.say_hello()

    def lost(self) -> None:
        """Hear that the live feed ended."""
        self.bench.lost()
        self.board.publish_health()

    def _hear_of_damage(self, sentence: str) -> None:
        if sentence != self.bench.damage:
            self.bench.damage = sentence
            self.board.publish_health()

    def _tell_archive(self) -> None:
        if self.teller is not None:
            where = shop_addresses(self.config.host, self.port, self.local_name)
            self.teller.say(live_word(self.board, where))

    async def _beat(self) -> None:
        while True:
            with contextlib.suppress(ValueError):
                self.board.publish_health()
                self._tell_archive()
            await asyncio.sleep(HEARTBEAT_S)

    async def _tell(self, broker: Broker) -> None:
        while True:
            with contextlib.suppress(ValueError):
                await asyncio.to_thread(broker.tell, self.board.numbers())
            await asyncio.sleep(TELL_EVERY_S)


def the_service(connection: HTTPConnection) -> Service:
    """Give the service of an app to a route."""
    service: Service = connection.app.state.service
    return service
