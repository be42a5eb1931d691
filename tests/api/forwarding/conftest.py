"""A server for all tests here, an archive for each."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
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
