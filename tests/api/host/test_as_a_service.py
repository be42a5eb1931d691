"""The bench as a service of the machine: the files for review, and what systemd is told by a real process."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from on_file import CRANK_BENCH
from waiting import LOBEWRIGHT

from api.base import MisuseError
from api.host import Installation, write_for_review
from api.host.installing import RULES_NAME, UNIT_NAME, unit_text


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*LOBEWRIGHT, *words], capture_output=True, text=True, check=False)


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(CRANK_BENCH)
    return path


# -- the files


def test_both_files_are_written_for_review_and_nothing_is_installed(bench_file: Path, tmp_path: Path) -> None:
    to, data = tmp_path / "review", tmp_path / "data"
    told = command(
        "service", "install", "--bench", str(bench_file), "--data", str(data), "--to", str(to), "--shop"
    )
    assert told.returncode == 0, told.stderr
    unit, rules = (to / UNIT_NAME).read_text(), (to / RULES_NAME).read_text()
    for line in (
        "Type=notify",
        "WatchdogSec=10",
        "Restart=always",
        "RestartSec=2",
        "StartLimitIntervalSec=0",
    ):
        assert line in unit.splitlines()
    assert "BindsTo" not in unit
    assert f"--bench {bench_file}" in unit
    assert "--shop --viewing open" in unit
    assert 'GROUP="dialout"' in rules
    for step in (
        f"sudo install -m 644 {to / UNIT_NAME}",
        "systemctl daemon-reload",
        "udevadm control --reload",
    ):
        assert step in told.stdout
    assert not data.exists()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here to read the unit")
def test_systemd_finds_nothing_wrong_with_the_unit(bench_file: Path, tmp_path: Path) -> None:
    write_for_review(Installation(bench_file, tmp_path / "a shop's data", "root", "root"), tmp_path)
    told = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tmp_path / UNIT_NAME],
        capture_output=True,
        text=True,
        check=False,
    )
    ours = [line for line in (told.stdout + told.stderr).splitlines() if UNIT_NAME in line]
    assert ours == []


@pytest.mark.skipif(shutil.which("udevadm") is None, reason="no udev here to read the rule")
def test_udev_finds_nothing_wrong_with_the_rule(bench_file: Path, tmp_path: Path) -> None:
    write_for_review(Installation(bench_file, tmp_path, "root"), tmp_path)
    told = subprocess.run(
        ["udevadm", "verify", tmp_path / RULES_NAME], capture_output=True, text=True, check=False
    )
    if "Unknown command" in told.stderr:
        pytest.skip("this udevadm cannot verify rules")
    assert told.returncode == 0, told.stdout + told.stderr


def test_odd_paths_are_quoted_as_systemd_reads_them(tmp_path: Path) -> None:
    wanted = Installation(tmp_path / 'be"nch 100%.toml', Path("/srv/$HOME/da ta"), "ida")
    start = next(line for line in unit_text(wanted).splitlines() if line.startswith("ExecStart="))
    assert 'be\\"nch 100%%.toml"' in start
    assert '"/srv/$$HOME/da ta"' in start


@pytest.mark.parametrize("user", ["", "a b", "x\nExecStart=/bin/evil", "Ä", "-x"])
def test_a_name_that_is_no_account_is_refused(bench_file: Path, tmp_path: Path, user: str) -> None:
    with pytest.raises(MisuseError, match="account"):
        write_for_review(Installation(bench_file, tmp_path, user), tmp_path)
    with pytest.raises(MisuseError):
        unit_text(Installation(tmp_path / "a\nb", tmp_path, "ida"))


def test_a_missing_or_wrong_bench_file_is_told_before_anything_is_written(tmp_path: Path) -> None:
    to = tmp_path / "review"
    for content in (None, "[crank]\n"):
        if content is not None:
            (tmp_path / "b.toml").write_text(content)
        told = command("service", "install", "--bench", str(tmp_path / "b.toml"), "--to", str(to))
        assert told.returncode == 2
        assert "Traceback" not in told.stderr
        assert "b.toml" in told.stderr
        assert not to.exists()


# -- what systemd is told


class Manager:
    """A real datagram socket, as systemd listens on."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "notify"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.path))
        self.told: list[str] = []

    def hear(self, seconds: float, until: str = "") -> list[str]:
        """What is told in so many seconds, or until a word came."""
        heard: list[str] = []
        deadline = time.monotonic() + seconds
        while (left_s := deadline - time.monotonic()) > 0:
            self._socket.settimeout(left_s)
            with contextlib.suppress(TimeoutError):
                heard.append(self._socket.recv(4096).decode())
                if until and heard[-1].startswith(until):
                    break
        self.told += heard
        return heard

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def service(bench_file: Path, tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], Manager, Path]]:
    data = tmp_path / "data"
    with contextlib.closing(Manager(tmp_path)) as manager:
        process = subprocess.Popen(
            [*LOBEWRIGHT, "run", "--bench", str(bench_file), "--data", str(data), "--port", "0"],
            env={**os.environ, "NOTIFY_SOCKET": str(manager.path), "WATCHDOG_USEC": "2000000"},
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            yield process, manager, data
        finally:
            process.terminate()
            process.communicate(timeout=15)


def test_ready_comes_first_then_the_watchdog_is_fed_and_stopping_is_told(service: Any) -> None:
    process, manager, data = service
    first = manager.hear(40, "READY")
    assert first == ["READY=1"]
    web = json.loads((data / "web.json").read_text())
    host, port = web["url"].removeprefix("http://").split(":")
    socket.create_connection((host, int(port)), timeout=5).close()
    assert manager.hear(40, "STATUS=crank"), "what is wrong stands in the status"
    for _ in range(4):
        assert manager.hear(30, "WATCHDOG")[-1] == "WATCHDOG=1"
    process.send_signal(signal.SIGTERM)
    manager.hear(20, "STOPPING")
    assert manager.told[-1] == "STOPPING=1"
    assert process.wait(15) == 0
    assert manager.told.count("READY=1") == 1, "capture tells the service alone, not systemd"
    assert not (data / "web.json").exists()
    assert not (data / "capture.json").exists()


def test_the_watchdog_starves_when_capture_hangs_and_is_fed_again_when_it_goes_on(service: Any) -> None:
    _, manager, data = service
    manager.hear(40, "STATUS=crank")
    pid = json.loads((data / "capture.json").read_text())["pid"]
    os.kill(pid, signal.SIGSTOP)
    try:
        manager.hear(5)
        assert "WATCHDOG=1" not in manager.hear(2)
    finally:
        os.kill(pid, signal.SIGCONT)
    assert manager.hear(20, "WATCHDOG")[-1] == "WATCHDOG=1"


def test_a_capture_that_hangs_is_not_taken_over_but_started_anew(service: Any, bench_file: Path) -> None:
    process, manager, data = service
    manager.hear(40, "STATUS=crank")
    hung = json.loads((data / "capture.json").read_text())["pid"]
    os.kill(hung, signal.SIGSTOP)
    process.kill()
    process.wait(10)
    command_line = [*LOBEWRIGHT, "run", "--bench", str(bench_file), "--data", str(data), "--port", "0"]
    again = subprocess.Popen(command_line, env={**os.environ, "NOTIFY_SOCKET": str(manager.path)})
    try:
        assert manager.hear(60, "STATUS=crank")
        assert json.loads((data / "capture.json").read_text())["pid"] != hung
        assert not Path(f"/proc/{hung}").exists() or "\nState:\tZ" in Path(f"/proc/{hung}/status").read_text()
    finally:
        again.terminate()
        assert again.wait(20) == 0


def test_the_log_says_each_trouble_in_one_line_with_what_to_do_and_not_again_and_again(service: Any) -> None:
    process, manager, _ = service
    began_s = time.monotonic()
    manager.hear(40, "STATUS=crank")
    manager.hear(5)
    process.send_signal(signal.SIGTERM)
    _, log = process.communicate(timeout=15)
    told = [line for line in log.splitlines() if "/dev/ttyNONE0" in line]
    assert 1 <= len(told) <= 2 + (time.monotonic() - began_s) / 10, "at most one in ten seconds"
    assert "plug" in told[0]
    assert "Traceback" not in log
