"""A server for all tests here, an archive for each, and two benches that send to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from postgres import Server

from api.forwarding import Forwarder, prepare
from api.shop import Benches

BENCHES = ("east", "west")


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    server = Server()
    try:
        yield server
    finally:
        server.close()


@pytest.fixture
def archive(server: Server) -> str:
    """Name of a database that is an archive with two benches."""
    prepare(server.new_database("shop"), BENCHES)
    return "shop"


@pytest.fixture
def reader(server: Server, archive: str) -> str:
    return server.url(archive, "lobewright_reader")


@pytest.fixture
def send(server: Server, archive: str) -> Callable[[Path, str], None]:
    """Send all that a folder has to the archive, as a bench."""

    def sent(data: Path, name: str) -> None:
        forwarder = Forwarder(data, server.url(archive, f"lobewright_{name}"), name)
        try:
            while forwarder.step():
                pass
        finally:
            forwarder.close()

    return sent


@pytest.fixture
def benches(reader: str, tmp_path: Path) -> Iterator[Benches]:
    """A shop that takes its rounds when it is told to."""
    (tmp_path / "cache").mkdir()
    shop = Benches.open(reader, tmp_path / "cache")
    yield shop
    shop.stop()
