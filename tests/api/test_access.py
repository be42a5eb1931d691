"""Own hosts and own pages only."""

from __future__ import annotations

import socket

import pytest

from api.access import Access, own_names


def scope(
    host: str | None, called: str = "127.0.0.1", kind: str = "http", method: str = "GET", **headers: str
):
    named = {} if host is None else {"host": host}
    named |= {name.replace("_", "-"): value for name, value in headers.items()}
    raw = [(name.encode(), value.encode()) for name, value in named.items()]
    return {"type": kind, "method": method, "headers": raw, "server": (called, 8720)}


ACCESS = Access(own_names({"bench.shop.example"}))
OWN = socket.gethostname().lower()


@pytest.mark.parametrize(
    ("host", "called"),
    [
        ("127.0.0.1:8720", "127.0.0.1"),
        ("localhost:8720", "127.0.0.1"),
        ("LOCALHOST", "127.0.0.1"),
        ("[::1]:8720", "::1"),
        (f"{OWN}:8720", "192.168.1.7"),
        (f"{OWN.split('.')[0]}.local:8720", "192.168.1.7"),
        (f"{OWN.split('.')[0]}.local.", "192.168.1.7"),
        ("192.168.1.7:8720", "192.168.1.7"),
        ("192.168.1.7:8720", "::ffff:192.168.1.7"),
        ("[fe80::1]:8720", "fe80::1%eth0"),
        ("bench.shop.example", "192.168.1.7"),
    ],
)
def test_own_addresses_and_names_are_served(host: str, called: str) -> None:
    assert ACCESS.denial(scope(host, called)) is None
    assert ACCESS.denial(scope(host, called, "websocket", origin=f"http://{host}")) is None


@pytest.mark.parametrize(
    "host",
    [
        None,
        "",
        "evil.example",
        "evil.example:8720",
        "127.0.0.1.evil.example",
        "192.168.1.8",
        "10.0.0.1:8720",
        "localhost@evil.example",
        "evil.example#localhost",
        "local host",
        "[::1",
        "[::2]",
        "127.0.0.1/x",
        "x" * 300,
    ],
)
def test_other_hosts_are_turned_away(host: str | None) -> None:
    for kind in ("http", "websocket"):
        denial = ACCESS.denial(scope(host, "127.0.0.1", kind))
        assert denial is not None
        assert (denial.status, denial.code) == (400, "wrong_host")


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "null",
        "http://127.0.0.1:9999",
        "http://127.0.0.1",
        "file://",
        "http://[",
        "",
        "ftp://127.0.0.1:8720",
        "http://127.0.0.1:8720.evil.example",
    ],
)
@pytest.mark.parametrize(("kind", "method"), [("http", "POST"), ("http", "GET"), ("websocket", "GET")])
def test_pages_of_other_origins_are_turned_away(origin: str, kind: str, method: str) -> None:
    denial = ACCESS.denial(scope("127.0.0.1:8720", kind=kind, method=method, origin=origin))
    assert denial is not None
    assert (denial.status, denial.code) == (403, "wrong_origin")


def test_a_form_of_another_site_is_turned_away_even_without_an_origin() -> None:
    assert ACCESS.denial(scope("localhost", method="POST", sec_fetch_site="cross-site")) is not None
    assert ACCESS.denial(scope("localhost", method="POST", sec_fetch_site="same-origin")) is None
    assert ACCESS.denial(scope("localhost", method="GET", sec_fetch_site="cross-site")) is None


@pytest.mark.parametrize("name", ["host", "origin"])
def test_a_header_given_twice_is_turned_away(name: str) -> None:
    twice = scope("localhost:8720", origin="http://localhost:8720")
    twice["headers"] += [(name.encode(), dict(twice["headers"])[name.encode()])]
    denial = ACCESS.denial(twice)
    assert denial is not None
    assert denial.status == 400


def test_programs_that_are_no_browser_need_no_origin() -> None:
    assert ACCESS.denial(scope("localhost:8720", method="POST")) is None
