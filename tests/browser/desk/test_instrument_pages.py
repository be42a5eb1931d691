"""The instruments page: a new bench set up by moving one thing after another, and where the bench is found."""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from capture.bench import load_bench

pytestmark = pytest.mark.browser

PACE_S = 0.02


class Device:
    """A device on a pseudo-terminal, moved from outside."""

    def __init__(self, line: Callable[[int], str]) -> None:
        self.moving = threading.Event()
        self._line = line
        self._device, self._end = os.openpty()
        self.port = os.ttyname(self._end)
        self._stop = threading.Event()
        os.set_blocking(self._device, False)
        self._thread = threading.Thread(target=self._speak)
        self._thread.start()

    def _speak(self) -> None:
        places = itertools.count()
        at = next(places)
        while not self._stop.wait(PACE_S):
            at = next(places) if self.moving.is_set() else at
            with contextlib.suppress(BlockingIOError):
                os.write(self._device, f"{self._line(at)}\r\n".encode())

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._device)
        os.close(self._end)


@pytest.fixture
def devices() -> Iterator[tuple[Device, Device]]:
    """An encoder whose count falls as it is turned, and a gauge."""
    both = Device(lambda at: str(50_000 - 6 * at)), Device(lambda at: f"+{0.02 * at:.2f}")
    yield both
    for device in both:
        device.close()


def _listened(page: Page, button: str, device: Device) -> None:
    device.moving.set()
    page.get_by_role("button", name=button).click()
    expect(page.locator("#setup-told")).to_contain_text(f"{device.port} moved", timeout=60_000)
    device.moving.clear()


def test_a_bench_is_set_up_by_turning_and_pushing(still_demo, shared_tab, devices, tmp_path: Path) -> None:
    page, (encoder, gauge) = shared_tab, devices
    page.goto(f"{still_demo.url}/instruments")
    page.wait_for_selector("body[data-ready]")
    page.evaluate("document.querySelector('#setup').dataset.seconds = 1")  # these hands are quick
    page.get_by_role("button", name="List the ports").click()
    expect(page.locator("#setup-listen")).to_be_visible()
    for box in page.locator('#setup-ports input[type="checkbox"]').all():
        box.uncheck()  # this machine's own ports, if it has any, are not asked
    for device in devices:
        page.fill("#setup-port", device.port)
        page.get_by_role("button", name="Add it").click()
    for box in page.locator('#setup-ports input[type="checkbox"]').all():
        box.set_checked(box.get_attribute("value") in {encoder.port, gauge.port})
    _listened(page, "Listen while I turn the crank", encoder)
    expect(page.locator("#setup-told")).to_contain_text("that is the encoder")
    _listened(page, "Listen while I push a plunger", gauge)
    page.get_by_role("button", name="Save the bench file").click()
    expect(page.locator("#setup-notes")).to_contain_text("how many counts the encoder makes in a turn")
    page.get_by_label("Counts in a turn").fill("3600")
    page.get_by_label("Name, as written on the gauge").fill("Dial C")
    with page.expect_download() as coming:
        page.get_by_role("button", name="Save the bench file").click()
    coming.value.save_as(tmp_path / "bench.toml")
    bench = load_bench(tmp_path / "bench.toml")
    assert bench.crank is not None
    assert (bench.crank.port, bench.crank.counts_per_turn, bench.crank.direction) == (encoder.port, 3600, -1)
    assert [(one.name, one.port) for one in bench.gauge] == [("dial_c", gauge.port)]


def test_the_bench_is_found_by_address_and_code(still_demo, shared_tab) -> None:
    page = shared_tab
    page.goto(f"{still_demo.url}/instruments")
    expect(page.locator("#addresses a").first).to_have_attribute("href", still_demo.url)
    code = page.get_by_alt_text(f"QR code of {still_demo.url}")
    expect(code).to_be_visible()
    assert code.evaluate("image => image.naturalWidth") > 100


def test_every_instrument_is_told_with_its_last_lines_and_what_it_is(still_demo, shared_tab) -> None:
    page = shared_tab
    page.goto(f"{still_demo.url}/instruments")
    gauge = page.locator('[data-channel="dial_a"]')
    expect(gauge.locator("h2")).to_have_text("dial a")
    expect(gauge.locator(".what")).to_have_text("Readings come in")
    expect(gauge.locator(".last-lines code")).to_have_count(8)
    expect(gauge.locator(".last-lines code").first).to_have_text(re.compile(r"^[ +-]*\d+\.\d+$"))
    expect(page.locator('[data-channel="crank"] .spec')).to_contain_text("3600")
