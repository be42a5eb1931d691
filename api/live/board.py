"""What all screens share: the bench as it is, the measurement in hand, its newest number, the guide."""

from __future__ import annotations

import time
from collections.abc import Callable

from api.base import Centre, Guide, Health, Hello, MeasurementView
from api.live.bench_state import BenchState
from api.live.estimating import PROGRAM
from api.live.numbers import LiveNumbers, live_numbers
from api.live.screens import Screens
from capture.base import wire_now_ns

GuideMaker = Callable[[Health, MeasurementView | None, Centre | None], Guide]


class Board:
    """Composes what a screen is told; `guide_maker` is set by what knows what to do next."""

    def __init__(self, bench: BenchState) -> None:
        self.bench = bench
        self.measurement: MeasurementView | None = None
        self.centre: Centre | None = None
        self.guide_maker: GuideMaker = lambda health, _view, _centre: Guide(sentence=health.sentence)
        self.screens = Screens(self.hello, lambda: bench.latest)
        self._guide: Guide | None = None

    def hello(self) -> Hello:
        """Give a new screen everything it needs to draw itself from nothing."""
        health = self.health()
        return Hello(
            version=PROGRAM,
            run_id=self.bench.run_id,
            latest=self.bench.latest,
            channels=health.channels,
            recorder=health.recorder,
            measurement=self.measurement,
            centre=self._newest_centre(),
            guide=self.guide(health),
        )

    def health(self) -> Health:
        """Give the bench's health at this moment."""
        return self.bench.health_now(time.monotonic_ns(), wire_now_ns())

    def guide(self, health: Health) -> Guide:
        """Say what to do now."""
        return self.guide_maker(health, self.measurement, self.centre)

    def numbers(self) -> LiveNumbers:
        """Give the numbers of this moment, for what is no screen."""
        health = self.health()
        guide = self.guide(health)
        return live_numbers(health, guide, self.measurement, self._newest_centre(), self.bench.latest)

    def say_hello(self) -> None:
        """Let every screen draw itself anew: another run has begun, or the bench is back."""
        self.screens.publish(self.hello())

    def clear_of_others(self, job_id: int) -> None:
        """Take off the bench what was measured for another job, or for none; what runs stays."""
        shown = self.measurement
        if shown is None or shown.state == "running" or shown.job_id == job_id:
            return
        self.measurement = self.centre = None
        self.screens.draw(None, None)
        self.say_hello()

    def publish_health(self) -> None:
        """Send health, which is every screen's heartbeat, and the guide where it has changed."""
        health = self.health()
        self.screens.publish(health)
        self._publish_changed(self.guide(health))

    def publish_guide(self) -> None:
        """Send the guide where it has changed."""
        self._publish_changed(self.guide(self.health()))

    def _publish_changed(self, guide: Guide) -> None:
        if guide != self._guide:
            self._guide = guide
            self.screens.publish(guide)

    def _newest_centre(self) -> Centre | None:
        """Give number and curve of the measurement in hand: of one that has ended, its last number."""
        view, centre = self.measurement, self.centre
        if view is None or centre is None or centre.measurement_id != view.id:
            return None
        if view.state == "running":
            return centre
        return centre.model_copy(update={"result": view.result, "error": None}) if view.result else None
