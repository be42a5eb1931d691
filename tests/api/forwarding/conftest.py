"""A server for all tests here, an archive for each."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from benches_of_one_archive import Shop
from postgres import Server

from api.forwarding import prepare

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
def shop(server: Server, archive: str, tmp_path: Path) -> Shop:
    return Shop(server, archive, tmp_path)
