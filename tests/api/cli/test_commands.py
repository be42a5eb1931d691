"""`lobewright run`, `ports` and `demo` as processes: told mistakes, clean ends."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
from pathlib import Path

import httpx
import pytest
from free_ports import free_port
from on_file import GAUGE_BENCH
from waiting import LOBEWRIGHT, until


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*LOBEWRIGHT, *words], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("was", "now", "words"),
    [
        ('"/dev/ttyNONE0"', '"tty none"', ["line 2", "is not the name of a port"]),
        ('"count"', '"counts"', ["line 3", "'counts' is not a frame kind"]),
        ("counts_per_turn", "count_per_turn", ["count_per_turn"]),
        ("3600", '"many"', ["line 4"]),
        ("[[gauge]]", "[[gauge]", ["line 6", "not valid TOML"]),
    ],
)
def test_a_mistake_in_the_bench_file_is_told_with_its_line(
    tmp_path: Path, was: str, now: str, words: list[str]
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(GAUGE_BENCH.replace(was, now, 1))
    done = command("run", "--bench", str(bench), "--data", str(tmp_path / "data"), "--port", "0")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("lobewright: ")
    for word in words:
        assert word in done.stderr
    assert not (tmp_path / "data" / "shop.db").exists()


def test_a_busy_port_is_told_in_one_line_and_starts_nothing(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(GAUGE_BENCH)
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        data = tmp_path / "data"
        done = command("run", "--bench", str(tmp_path / "bench.toml"), "--data", str(data), "--port", port)
    assert done.returncode == 2
    assert done.stderr.startswith(f"lobewright: port {port} on 127.0.0.1 cannot be used")
    assert len(done.stderr.splitlines()) == 1
    assert not (data / "capture.json").exists()


def test_ports_that_are_not_there_do_not_stop_the_service_and_dead_capture_is_replaced(
    tmp_path: Path,
) -> None:
    bench, data = tmp_path / "bench.toml", tmp_path / "data"
    bench.write_text(GAUGE_BENCH)
    words = ["run", "--bench", str(bench), "--data", str(data), "--port", "0"]
    service = subprocess.Popen([*LOBEWRIGHT, *words])
    try:
        url = until(lambda: json.loads((data / "web.json").read_text())["url"], "the service has an address")
        told = until(lambda: httpx.get(f"{url}/api/bench").json()["health"]["channels"], "the bench is told")
        assert {channel["state"] for channel in told} == {"offline"}
        assert "/dev/ttyNONE0 is not there" in told[0]["sentence"]
        second = command(*words)
        assert second.returncode == 2
        assert f"another Lobewright (process {service.pid}) uses" in second.stderr
        first = json.loads((data / "capture.json").read_text())["pid"]
        os.kill(first, signal.SIGKILL)
        until(lambda: json.loads((data / "capture.json").read_text())["pid"] != first, "capture runs again")
        until(lambda: httpx.get(f"{url}/api/health").status_code == 200, "the service reads again")
        last = json.loads((data / "capture.json").read_text())["pid"]
    finally:
        service.terminate()
        assert service.wait(30) == 0
    assert not Path(f"/proc/{last}").exists()


def test_the_demo_plays_its_script_and_leaves_nothing_behind(tmp_path: Path) -> None:
    """From the command to the first finished measurement, then Ctrl-C as a terminal sends it."""
    port, control = free_port(), free_port()
    data, kept = tmp_path / "data", tmp_path / "tmp"
    kept.mkdir()
    options = [
        "--script",
        "measure",
        "--port",
        str(port),
        "--control-port",
        str(control),
        "--data",
        str(data),
    ]
    demo = subprocess.Popen(
        [*LOBEWRIGHT, "demo", *options],
        env=os.environ | {"TMPDIR": str(kept), "XDG_RUNTIME_DIR": ""},
        start_new_session=True,
    )
    url = f"http://127.0.0.1:{port}"
    try:
        until(lambda: httpx.get(url).status_code == 200, "the first page")
        assert "Simulated bench" in httpx.get(url).text
        found = until(
            lambda: httpx.get(f"{url}/api/measurements?state=finished").json()["measurements"], "true TDC", 90
        )
        assert (found[-1]["what"], found[-1]["touches"]) == ("tdc", "piston_1")
        until(lambda: httpx.get(f"{url}/api/measurements?state=running").json()["measurements"], "a lobe", 30)
        processes = family(demo.pid)
        assert len(processes) >= 2, "the simulator and capture"
    finally:
        os.killpg(demo.pid, signal.SIGINT)
        assert demo.wait(30) in {0, 130}
    assert [pid for pid in processes if Path(f"/proc/{pid}").exists()] == []
    assert [path.name for path in kept.iterdir()] == []


def test_a_demo_whose_simulator_is_gone_ends_and_says_so(tmp_path: Path) -> None:
    port, control = free_port(), free_port()
    words = ["demo", "--script", "none", "--port", str(port), "--control-port", str(control)]
    demo = subprocess.Popen(
        [*LOBEWRIGHT, *words, "--data", str(tmp_path / "data")],
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        until(lambda: httpx.get(f"http://127.0.0.1:{port}/api/health").status_code == 200, "the demo is up")
        until(lambda: httpx.get(f"http://127.0.0.1:{control}/state"), "the simulator answers")
        for child in family(demo.pid):
            if b"simulated_devices" in Path(f"/proc/{child}/cmdline").read_bytes():
                os.kill(child, signal.SIGKILL)
        told = demo.communicate(timeout=30)[1].splitlines()
        assert demo.returncode == 2
    finally:
        demo.kill()
    assert told[-1].startswith("lobewright: the simulator ended by itself")


def family(parent: int) -> list[int]:
    """Every process begun by `parent`, and by those."""
    children = [int(pid) for pid in Path(f"/proc/{parent}/task/{parent}/children").read_text().split()]
    return children + [pid for child in children for pid in family(child)]
