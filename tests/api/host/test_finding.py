"""Finding the bench: addresses that work, a name only where it was announced, and no failure that stops a bench."""

from __future__ import annotations

import builtins
import sys
from typing import Any

import pytest

from api.base import qr_code, shop_addresses
from api.host.finding import announced, say_where


def test_a_bench_of_this_machine_alone_is_announced_to_nobody() -> None:
    with announced("127.0.0.1", 8720) as name:
        assert name == ""


PORT = 8731  # no other service of this machine is told by that name


def test_the_announced_name_is_one_that_a_resolver_of_the_network_finds() -> None:
    zeroconf = pytest.importorskip("zeroconf")
    with announced("0.0.0.0", PORT) as name:
        if not name:
            pytest.skip("this machine has no network that takes multicast")
        asker = zeroconf.Zeroconf()
        try:
            host = name.removesuffix(".local")
            found = asker.get_service_info(
                "_http._tcp.local.", f"Lobewright on {host}, port {PORT}._http._tcp.local."
            )
            assert found is not None
            assert (found.port, found.server) == (PORT, f"{name}.")
        finally:
            asker.close()


def test_without_the_package_there_is_no_name_and_no_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "zeroconf":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.delitem(sys.modules, "zeroconf", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    with announced("0.0.0.0", 8720) as name:
        assert name == ""


def test_a_name_is_told_only_where_it_was_announced() -> None:
    assert not any(".local" in address for address in shop_addresses("0.0.0.0", 8720))
    assert "http://bench.local:8720" in shop_addresses("0.0.0.0", 8720, "bench.local")
    assert shop_addresses("127.0.0.1", 8720) == ["http://127.0.0.1:8720"]


def test_the_start_tells_where_other_screens_find_the_pages(capsys: pytest.CaptureFixture[str]) -> None:
    say_where(
        "http://127.0.0.1:8720", ["http://192.0.2.7:8720", "http://bench.local:8720", "http://127.0.0.1:8720"]
    )
    told = capsys.readouterr().err.splitlines()
    assert told == [
        "Lobewright is at http://127.0.0.1:8720",
        "Other screens of the shop: http://192.0.2.7:8720, http://bench.local:8720",
    ]


def test_this_machine_alone_tells_of_no_other_screens(capsys: pytest.CaptureFixture[str]) -> None:
    say_where("http://127.0.0.1:8720", ["http://127.0.0.1:8720", "http://[::1]:8720"])
    assert capsys.readouterr().err == "Lobewright is at http://127.0.0.1:8720\n"


def test_the_code_is_a_picture_that_needs_nothing_from_outside() -> None:
    assert qr_code("http://192.0.2.7:8720").startswith("data:image/svg+xml")
