"""Fault 43: another account on the bench's own machine reads nothing and is not taken for the bench."""

from __future__ import annotations

import re
import stat
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from attacked_shop import AttackedShop, attacked_shop
from on_file import CRANK_BENCH
from waiting import LOBEWRIGHT, until

pytestmark = pytest.mark.faults


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AttackedShop]:
    """A service started under the most careless umask, over a folder that was open to all before."""
    folder = tmp_path_factory.mktemp("shared_machine")
    (folder / "data").mkdir(mode=0o777)
    (folder / "data").chmod(0o777)
    (folder / "data" / "imported").mkdir()
    (folder / "data" / "imported" / "old.csv").write_text("x")
    (folder / "data" / "imported" / "old.csv").chmod(0o666)
    with attacked_shop(folder, "--own-screen", "secret", umask=0) as running:
        yield running


def link_in(text: str) -> str:
    found = re.findall(r"http://\S+/own_screen/\S+", text)
    assert found, text
    return str(found[-1])


def test_folder_and_files_are_for_their_owner_alone(shop: AttackedShop, measured: Any) -> None:
    until((shop.data / "streams.db").exists, "capture keeps readings")
    assert stat.S_IMODE(shop.data.stat().st_mode) == 0o700
    modes = {}
    for one in shop.data.rglob("*"):
        if not one.is_socket() and not one.is_symlink():
            modes[one.relative_to(shop.data)] = stat.S_IMODE(one.stat().st_mode)
    open_ones = {str(name): oct(mode) for name, mode in modes.items() if mode & 0o077}
    assert not open_ones
    assert {"shop.db", "streams.db", "web.json", "shop.lock"} <= {str(name) for name in modes}
    measured(43, "another account on this machine", f"{len(modes)} files and the folder closed to it")


def test_a_caller_of_this_machine_without_the_secret_may_look_and_no_more(
    shop: AttackedShop, measured: Any
) -> None:
    told = shop.bench.post("/api/pairing/code")
    assert (told.status_code, told.json()["code"]) == (403, "bench_only")
    assert shop.bench.post("/api/engines", json={}).status_code == 401
    assert shop.bench.get("/api/pairing/screens").status_code == 403
    assert shop.bench.get("/api/latest").status_code == 200
    for wrong in ("", "x", "A" * 43):
        refused = shop.bench.get(f"/own_screen/{wrong}")
        assert refused.status_code in {403, 404}
        assert "set-cookie" not in refused.headers
        cookie = {"Cookie": f"lobewright_bench={wrong}"}
        assert shop.bench.post("/api/pairing/code", headers=cookie).status_code == 403


def test_the_link_printed_at_start_lets_the_benchs_own_screen_in_once(
    shop: AttackedShop, measured: Any
) -> None:
    link = link_in(shop.logged())
    assert httpx.get(link.replace("127.0.0.1", shop.far)).status_code == 403, "a link of this machine alone"
    with httpx.Client(base_url=f"http://127.0.0.1:{shop.port}") as screen:
        preview = screen.head(link)
        assert "set-cookie" not in preview.headers
        let_in = screen.get(link)
        assert (let_in.status_code, let_in.headers["location"]) == (303, "/")
        flags = {part.strip().lower() for part in let_in.headers["set-cookie"].split(";")[1:]}
        assert {"httponly", "samesite=strict", "path=/"} <= flags
        assert screen.post("/api/pairing/code").status_code == 201
        token = screen.cookies["lobewright_bench"]
    far = httpx.post(f"{shop.far_url}/api/pairing/code", headers={"Cookie": f"lobewright_bench={token}"})
    assert far.status_code == 403, "the secret is of no use from the network"
    assert httpx.get(link).status_code == 403, "the link worked once"
    measured(43, "another account on this machine", "403 without the secret; the link works once")


def test_the_command_of_the_same_account_needs_no_link_and_prints_a_new_one(shop: AttackedShop) -> None:
    data = ["--data", str(shop.data)]
    code = subprocess.run([*LOBEWRIGHT, "pair", *data], capture_output=True, text=True, check=True)
    assert re.match(r"\d{4} \d{4}\n", code.stdout)
    new = subprocess.run([*LOBEWRIGHT, "pair", *data, "link"], capture_output=True, text=True, check=True)
    assert httpx.get(link_in(new.stdout)).status_code == 303


def test_the_service_unit_asks_for_the_secret_and_for_private_files(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(CRANK_BENCH)
    words = ["service", "install", "--bench", str(bench), "--to", str(tmp_path / "unit"), "--user", "ida"]
    told = subprocess.run([*LOBEWRIGHT, *words], capture_output=True, text=True, check=True)
    unit = (tmp_path / "unit" / "lobewright.service").read_text()
    assert "--own-screen secret" in unit
    assert "UMask=0077" in unit
    assert "-m 700" in told.stdout
