"""Own hosts and own pages only; who is at the bench, who is on the network, what each may do."""

from __future__ import annotations

import socket

import pytest

from api.base import Standing
from api.web.access import BENCH_COOKIE, COOKIE, Access, Caller, least_caller, own_names


def scope(
    host: str | None, called: str = "127.0.0.1", kind: str = "http", method: str = "GET", **headers: str
):
    named = {} if host is None else {"host": host}
    named |= {name.replace("_", "-"): value for name, value in headers.items()}
    raw = [(name.encode(), value.encode()) for name, value in named.items()]
    caller = {
        "client": ("127.0.0.1", 50_000),
        "path": "/live" if kind == "websocket" else "/api/measurements",
    }
    return {"type": kind, "method": method, "headers": raw, "server": (called, 8720), **caller}


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
    fetched = scope("localhost", method="GET", sec_fetch_site="cross-site", sec_fetch_mode="no-cors")
    assert ACCESS.denial(fetched) is not None
    follows = {"sec_fetch_mode": "navigate", "sec_fetch_dest": "document"}
    assert ACCESS.denial(scope("localhost", method="GET", sec_fetch_site="cross-site", **follows)) is None


def test_what_a_proxy_sends_on_is_not_the_bench() -> None:
    assert ACCESS.standing(scope("localhost")) is Standing.BENCH
    assert ACCESS.standing(scope("localhost", x_forwarded_for="127.0.0.1")) is Standing.STRANGER
    shared = Access(own_names(), is_own_screen=lambda token: token == "secret")
    assert shared.standing(scope("localhost")) is Standing.STRANGER
    assert shared.standing(scope("localhost", cookie=f"{BENCH_COOKIE}=secret")) is Standing.BENCH
    assert (
        shared.standing(scope("localhost", cookie=f"{BENCH_COOKIE}=secret", via="1.1 a")) is Standing.STRANGER
    )


@pytest.mark.parametrize("name", ["host", "origin"])
def test_a_header_given_twice_is_turned_away(name: str) -> None:
    twice = scope("localhost:8720", origin="http://localhost:8720")
    twice["headers"] += [(name.encode(), dict(twice["headers"])[name.encode()])]
    denial = ACCESS.denial(twice)
    assert denial is not None
    assert denial.status == 400


def test_programs_that_are_no_browser_need_no_origin() -> None:
    assert ACCESS.denial(scope("localhost:8720", method="POST")) is None


# -- who may do what


def asked(client: object, path: str = "/api/measurements", method: str = "POST", cookie: str = ""):
    kind = "websocket" if method == "WS" else "http"
    one = scope("localhost:8720", kind=kind, method=method) | {"path": path, "client": client}
    one["headers"].append((b"cookie", cookie.encode()))
    return one


AT_THE_BENCH = [("127.0.0.1", 5), ("127.9.9.9", 5), ("::1", 5), ("::ffff:127.0.0.1", 5)]
ON_THE_NETWORK = [("192.168.1.9", 5), ("::ffff:192.168.1.9", 5), ("fe80::9%eth0", 5), ("unix", 0), None]


@pytest.mark.parametrize("client", AT_THE_BENCH)
def test_a_caller_on_this_machine_may_do_everything(client: object) -> None:
    for access in (ACCESS, Access(ACCESS.names, viewing_open=False)):
        for path, method in (("/", "GET"), ("/live", "WS"), ("/api/jobs", "POST"), ("/pair/code", "POST")):
            assert access.denial(asked(client, path, method)) is None


@pytest.mark.parametrize("client", ON_THE_NETWORK)
def test_a_caller_on_the_network_changes_nothing_before_it_is_paired(client: object) -> None:
    paired = Access(ACCESS.names, is_paired=lambda token: token == "right")
    for cookie in ("", f"{COOKIE}=wrong", "other=right", f"{COOKIE}=", f"{COOKIE}x=right"):
        denial = paired.denial(asked(client, cookie=cookie))
        assert denial is not None
        assert (denial.status, denial.code) == (401, "not_paired")
        assert "/pair" in denial.message
    assert paired.denial(asked(client, cookie=f"a=b; {COOKIE}=right")) is None


@pytest.mark.parametrize("client", ON_THE_NETWORK)
def test_viewing_is_open_or_by_code_as_the_owner_chooses(client: object) -> None:
    by_code = Access(ACCESS.names, viewing_open=False, is_paired=lambda token: token == "right")
    for path, method in (("/", "GET"), ("/api/bench", "GET"), ("/live", "WS"), ("/openapi.json", "GET")):
        assert ACCESS.denial(asked(client, path, method)) is None
        assert by_code.denial(asked(client, path, method)).code == "not_paired"
        assert by_code.denial(asked(client, path, method, f"{COOKIE}=right")) is None
    for path in ("/pair", "/static/shop.css"):
        assert by_code.denial(asked(client, path, "GET")) is None


@pytest.mark.parametrize(
    "path", ["/pair/code", "/pair/revoke", "/api/pairing/code", "/api/pairing/screens/3"]
)
def test_codes_and_the_list_of_screens_are_for_the_bench_alone(path: str) -> None:
    access = Access(ACCESS.names, is_paired=lambda token: True)
    for method in ("GET", "POST", "DELETE"):
        assert access.denial(asked(("192.168.1.9", 5), path, method, f"{COOKIE}=x")).code == "bench_only"
        assert access.denial(asked(("127.0.0.1", 5), path, method)) is None


@pytest.mark.parametrize(
    ("kind", "method", "path", "least"),
    [
        ("http", "POST", "/static/shop.css", Caller.PAIRED),
        ("http", "PUT", "/pair", Caller.PAIRED),
        ("http", "POST", "/pair/", Caller.BENCH),
        ("http", "GET", "/pairing", Caller.VIEWER),
        ("http", "BREW", "/", Caller.PAIRED),
        ("websocket", "", "/other", Caller.PAIRED),
        ("websocket", "", "/static/x", Caller.PAIRED),
        ("websocket", "", "/pair", Caller.PAIRED),
    ],
)
def test_what_nobody_has_thought_of_needs_pairing(kind: str, method: str, path: str, least: Caller) -> None:
    assert least_caller(kind, method, path) is least
