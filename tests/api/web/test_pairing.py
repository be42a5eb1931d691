"""Pairing of screens: codes, tries, the file of screens, the command."""

from __future__ import annotations

import datetime as dt
import json
import re
import stat
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from command import lobewright
from hypothesis import given
from hypothesis import strategies as st
from on_file import CRANK_BENCH
from waiting import LOBEWRIGHT

from api.base import ConflictError, MisuseError, NotFoundError, StoreError, own_ip_addresses
from api.web.access import PairedScreens, Pairing, TooManyTriesError, paired_screens, pairing
from api.web.access.pairing import WrongCodeError


class Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def desk(tmp_path: Path, clock: Clock) -> Pairing:
    return Pairing(tmp_path, clock)


# -- codes


def test_a_code_pairs_one_screen_and_works_once(desk: Pairing, clock: Clock) -> None:
    code = desk.new_code().digits
    assert re.fullmatch(r"\d{8}", code)
    token = desk.pair(f" {code[:4]} {code[4:]} ", "Bench tablet")
    assert desk.screens.knows(token)
    with pytest.raises(WrongCodeError):
        desk.pair(code, "A second one")
    assert [one.name for one in desk.screens.listed()] == ["Bench tablet"]


def test_a_code_lives_for_two_minutes(desk: Pairing, clock: Clock) -> None:
    code = desk.new_code().digits
    clock.now_s += pairing.CODE_LIVES_S
    with pytest.raises(WrongCodeError):
        desk.pair(code, "Late")
    assert desk.screens.listed() == []


def test_a_new_code_ends_the_one_before(desk: Pairing) -> None:
    first, second = desk.new_code().digits, desk.new_code().digits
    assert first != second
    with pytest.raises(WrongCodeError):
        desk.pair(first, "Old")
    assert desk.pair(second, "New")


def test_nobody_pairs_while_no_code_is_out(desk: Pairing) -> None:
    for typed in ("", "x" * 8, "00000000", "\ud800" * 8):
        with pytest.raises(WrongCodeError):
            desk.pair(typed, "Visitor")


def test_five_tries_a_minute_even_the_right_one_waits(desk: Pairing, clock: Clock) -> None:
    code = desk.new_code().digits
    wrong = str(10**8 - 1 - int(code)).zfill(8)
    for _ in range(pairing.TRIES_A_MINUTE):
        with pytest.raises(WrongCodeError):
            desk.pair(wrong, "Visitor")
    with pytest.raises(TooManyTriesError) as told:
        desk.pair(code, "Visitor")
    assert told.value.status == 429
    assert 59 <= told.value.wait_s <= 60
    clock.now_s += 60.0
    assert desk.pair(code, "Owner")


@pytest.mark.parametrize(
    "name", ["", "   ", "x" * 41, "a\x00b", "a\x1b[31mb", "a\u202eb", "\u3164\u2800", "\u200b"]
)
def test_a_screen_needs_a_plain_name_and_a_bad_one_costs_no_code(desk: Pairing, name: str) -> None:
    code = desk.new_code().digits
    with pytest.raises(MisuseError):
        desk.pair(code, name)
    assert desk.pair(code, "Bench tablet")


def test_of_many_screens_that_type_one_code_at_once_one_gets_in(desk: Pairing) -> None:
    code = desk.new_code().digits

    def one(number: int) -> bool:
        try:
            return bool(desk.pair(code, f"screen {number}"))
        except (WrongCodeError, TooManyTriesError):
            return False

    with ThreadPoolExecutor(5) as screens:
        assert sum(screens.map(one, range(5))) == 1


# -- the file of screens


def test_tokens_are_kept_hashed_in_a_file_for_its_owner_alone(tmp_path: Path) -> None:
    token = PairedScreens(tmp_path).add("Bench tablet")
    path = tmp_path / paired_screens.FILE_NAME
    assert token not in path.read_text()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert PairedScreens(tmp_path).knows(token)


@given(token=st.text(max_size=120))
def test_no_other_token_is_known(tmp_path_factory: pytest.TempPathFactory, token: str) -> None:
    screens = PairedScreens(tmp_path_factory.getbasetemp() / "nowhere")
    assert not screens.knows(token)


def test_a_revoked_screen_is_known_no_more_even_to_another_process(tmp_path: Path) -> None:
    here, elsewhere = PairedScreens(tmp_path), PairedScreens(tmp_path)
    tokens = [here.add(f"screen {number}") for number in range(3)]
    assert all(elsewhere.knows(token) for token in tokens)
    assert elsewhere.revoke(2) == 1
    assert [here.knows(token) for token in tokens] == [True, False, True]
    with pytest.raises(NotFoundError):
        here.revoke(2)
    assert here.revoke(None) == 2
    assert not any(elsewhere.knows(token) for token in tokens)
    assert here.add("again")
    assert here.listed()[0].number == 4, "a number is never given twice"


def test_a_pairing_lapses_when_its_cookie_would(tmp_path: Path) -> None:
    screens = PairedScreens(tmp_path)
    token = screens.add("Old tablet")
    path = tmp_path / paired_screens.FILE_NAME
    file = json.loads(path.read_text())
    long_ago = dt.datetime.now(dt.UTC) - dt.timedelta(days=paired_screens.LIFETIME_DAYS + 1)
    file["screens"][0]["paired_at"] = long_ago.isoformat()
    path.write_text(json.dumps(file))
    assert not screens.knows(token)
    assert screens.listed() == []


@pytest.mark.parametrize(
    "damage", [b"", b"{", b'{"format": 1, "screens": [{}]}', b"\xff\xfe", b'{"more": 1}']
)
def test_a_damaged_list_lets_nobody_in_and_says_so(tmp_path: Path, damage: bytes) -> None:
    screens = PairedScreens(tmp_path)
    token = screens.add("Bench tablet")
    (tmp_path / paired_screens.FILE_NAME).write_bytes(damage)
    assert not screens.knows(token)
    with pytest.raises(StoreError, match="pair again"):
        screens.listed()


def test_there_is_an_end_to_paired_screens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paired_screens, "MOST_SCREENS", 2)
    screens = PairedScreens(tmp_path)
    screens.add("one")
    screens.add("two")
    with pytest.raises(ConflictError, match="revoke one"):
        screens.add("three")


# -- the command


def test_pairing_by_command_needs_a_service_listing_does_not(tmp_path: Path) -> None:
    PairedScreens(tmp_path).add("Bench tablet")
    none = lobewright("pair", "--data", str(tmp_path))
    assert none.returncode == 2
    assert "lobewright run" in none.stderr
    assert none.stderr.count("\n") == 1
    listed = lobewright("pair", "--data", str(tmp_path), "list")
    assert listed.returncode == 0
    assert "Bench tablet" in listed.stdout
    for words in ((), ("1", "--all")):
        misused = lobewright("pair", "--data", str(tmp_path), "revoke", *words)
        assert misused.returncode == 2
        assert "--all" in misused.stderr
    assert lobewright("pair", "--data", str(tmp_path), "revoke", "1").stdout == "1 revoked.\n"
    gone = lobewright("pair", "--data", str(tmp_path), "revoke", "1")
    assert (gone.returncode, gone.stderr) == (2, "lobewright: there is no paired screen 1.\n")


def test_a_service_on_one_network_address_still_hears_its_own_machine(tmp_path: Path) -> None:
    addresses = sorted(str(one) for one in own_ip_addresses() if one.version == 4)
    if not addresses:
        pytest.skip("this machine has no network address")
    bench, data = tmp_path / "bench.toml", tmp_path / "data"
    bench.write_text(CRANK_BENCH)
    options = ["--bench", str(bench), "--data", str(data), "--host", addresses[0], "--port", "0"]
    service = subprocess.Popen([*LOBEWRIGHT, "run", *options], stderr=subprocess.PIPE, text=True)
    try:
        assert service.stderr is not None
        line = next(line for line in service.stderr if line.startswith("Lobewright is at "))
        far = line.split()[-1]
        assert addresses[0] in far
        deadline = time.monotonic() + 20
        while (shown := lobewright("pair", "--data", str(data))).returncode and time.monotonic() < deadline:
            time.sleep(0.2)
        assert shown.returncode == 0, shown.stderr
        code = shown.stdout.splitlines()[0]
        assert httpx.post(f"{far}/api/pairing/code").status_code == 403
        assert httpx.post(f"{far}/pair", data={"code": code, "name": "Tablet"}).status_code == 303
    finally:
        service.terminate()
        service.communicate(timeout=15)
