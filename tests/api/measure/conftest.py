"""A bench whose two instruments, on real ports, say what a test gives them."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest
from recorded_instruments import Instruments
from running import running, write_bench
from waiting import until


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Instruments, httpx.Client]]:
    """Give the instruments, and a client of the service that reads them; both ports are open."""
    folder = tmp_path_factory.mktemp("bench")
    write_bench(folder)
    instruments = Instruments(folder)
    try:
        with running(folder) as shop, shop.client() as client:
            until(lambda: _open(client), "both ports are open")
            yield instruments, client
    finally:
        instruments.unplug()


def _open(client: httpx.Client) -> bool:
    channels = client.get("/api/bench").json()["health"]["channels"]
    return bool(channels) and all(one["state"] not in {"offline", "starting"} for one in channels)
