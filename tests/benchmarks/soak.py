"""Soak: a bench at full rate for a given time with faults at random, then journal, store and screens compared.

    python tests/benchmarks/soak.py --minutes 30 [--seed 7] [--spare] [--keep FOLDER]

Instruments speak numbered lines over pseudo-terminals (1,000 lines a second of crank, 200 of each of three gauges)
and write down every line that was accepted. `lobewright run` reads them; four screens watch. Every few seconds
something goes wrong: a cable is pulled in mid-line, noise comes in, a screen stops reading, a backup is made and proved,
a trace is brought in, a spoilt file too, strangers on the network try to change things and to stay connected, and more
rarely capture is stopped for two seconds or killed, or the web service is killed or restarted. The last third
spares the processes, so that memory and handles can be judged. Exit code 1 where anything does not add up.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from outsiders import Outsiders
from watched import Lives, Screen

from capture.store import StreamReader
from capture.store.stream_store import integrity

HERE = Path(__file__).parent
LOBEWRIGHT = [sys.executable, "-m", "api"]
INSTRUMENTS: dict[str, dict[str, Any]] = {
    "crank": {"rate_hz": 1000},
    "dial_a": {"rate_hz": 200},
    "dial_b": {"rate_hz": 200},
    "dial_c": {"rate_hz": 200},
}
UPGRADE = (
    "GET /live HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)
ORDERLY_NS = 500_000_000


def fault_bench() -> Any:
    """The bench of the fault tests: its instruments, and the comparison of journal and store."""
    spec = importlib.util.spec_from_file_location("fault_bench", HERE.parent / "faults" / "conftest.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fault_bench"] = module
    spec.loader.exec_module(module)
    return module


# -- the bench and its faults


class Soak:
    def __init__(self, folder: Path, seed: int) -> None:
        module = fault_bench()
        keys = {"crank": {"fastest_rpm": 3000.0}}
        self.bench = module.FaultBench(folder, INSTRUMENTS, keys, data=folder / "data")
        self.bench.start_capture = lambda: None
        self.folder, self.data = folder, folder / "data"
        self.random = random.Random(seed)
        self.service: subprocess.Popen[bytes] | None = None
        self.screens = [Screen(self.data) for _ in range(4)]
        self.stopped: list[socket.socket] = []
        self.done: Counter[str] = Counter()
        self.when: list[tuple[int, str]] = []
        self.log = (folder / "service.log").open("ab")
        self.web = Lives(lambda: json.loads((self.data / "web.json").read_text())["pid"])
        self.capture = Lives(self.capture_pid)
        self.backups = 0
        self.outside = Outsiders(self.data, self.random)

    def capture_pid(self) -> int:
        return int(json.loads((self.data / "capture.json").read_text())["pid"])

    def start_service(self) -> None:
        command = [
            *LOBEWRIGHT,
            "run",
            "--shop",
            "--bench",
            str(self.folder / "bench.toml"),
            "--data",
            str(self.data),
        ]
        self.service = subprocess.Popen([*command, "--port", "0"], stderr=self.log)

    def start(self) -> None:
        self.bench.start()
        self.start_service()
        for screen in self.screens:
            threading.Thread(target=screen.watch, daemon=True).start()

    def rest(self, seconds: float) -> None:
        """Wait, looking at the processes and after the web service meanwhile."""
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            time.sleep(min(1.0, max(0.0, until_s - time.monotonic())))
            self.web.look()
            self.capture.look()
            if self.service is not None and self.service.poll() is not None:
                self.start_service()

    # each fault, by name

    def cable(self) -> None:
        line = self.random.choice(list(INSTRUMENTS))
        half = self.random.choice(["", "12", "+1"])
        self.bench.order("unplug", line, half=half)
        self.rest(self.random.uniform(0.3, 4.0))
        self.bench.order("plug", line)

    def noise(self) -> None:
        line = self.random.choice(list(INSTRUMENTS))
        noise = bytes(
            self.random.choice(b"#~!?xyz\x00\xff\x80") for _ in range(self.random.randrange(1, 300))
        )
        self.bench.order("raw", line, hex=(noise + b"\r\n").hex())

    def stopped_screen(self) -> None:
        with contextlib.suppress(OSError, ValueError, KeyError):
            url = json.loads((self.data / "web.json").read_text())["url"]
            one = socket.create_connection(("127.0.0.1", int(url.rsplit(":", 1)[1])), timeout=3)
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            one.sendall(UPGRADE.encode())
            self.stopped.append(one)

    def backup(self) -> None:
        file = self.folder / "last.lwbackup"
        told = subprocess.run([*LOBEWRIGHT, "backup", str(file), "--data", str(self.data)], check=False)
        self.backups += told.returncode == 0
        self.outside.told["backups NOT made"] += told.returncode != 0

    def hold_capture(self) -> None:
        with contextlib.suppress(OSError, ValueError, KeyError):
            pid = self.capture_pid()
            os.kill(pid, signal.SIGSTOP)
            time.sleep(2.0)
            os.kill(pid, signal.SIGCONT)

    def kill_capture(self) -> None:
        with contextlib.suppress(OSError, ValueError, KeyError):
            os.kill(self.capture_pid(), signal.SIGKILL)

    def kill_web(self) -> None:
        assert self.service is not None
        self.service.kill()
        self.service.wait()

    def restart(self) -> None:
        assert self.service is not None
        self.service.terminate()
        self.service.wait(20)

    def run(self, minutes: float, spare: bool) -> None:
        began_s = time.monotonic()
        small = [self.cable, self.cable, self.cable, self.noise, self.noise, self.stopped_screen, self.backup]
        large = [self.hold_capture, self.kill_capture, self.kill_web, self.restart]
        large_due_s = 20.0
        self.rest(15)
        while (at_s := time.monotonic() - began_s) < minutes * 60:
            if not spare and large_due_s < at_s < minutes * 40:
                fault = self.random.choice(large)
                large_due_s = at_s + self.random.uniform(0.5, 1.5) * minutes * 60 / 30
            else:
                fault = self.random.choice(small)
            self.when.append((time.monotonic_ns(), fault.__name__))
            fault()
            self.done[fault.__name__] += 1
            outside = self.random.choice(
                [self.outside.a_trace, self.outside.spoilt_files, self.outside.strangers]
            )
            outside()
            self.done[outside.__name__] += 1
            self.rest(self.random.uniform(2.0, 10.0))

    def settle(self) -> None:
        """Let the instruments fall silent, and what they said arrive everywhere."""
        for line in INSTRUMENTS:
            self.bench.order("plug", line)
        self.rest(8)
        for line in INSTRUMENTS:
            self.bench.order("set", line, paused=True)
        self.rest(5)

    def end(self) -> int:
        for screen in self.screens:
            screen.stop.set()
        assert self.service is not None
        self.service.terminate()
        code = self.service.wait(20)
        self.outside.leave()
        for one in self.stopped:
            one.close()
        self.bench.stop_sender()
        return code

    def end_whatever_happened(self) -> None:
        with contextlib.suppress(Exception):
            if self.service is not None and self.service.poll() is None:
                self.service.terminate()
                self.service.wait(20)
        self.bench.end()
        self.log.close()


# -- the comparison


def compare(soak: Soak) -> bool:
    """Print what adds up and what does not; true where everything does."""
    reader = StreamReader(soak.data)
    runs = reader.runs()
    ends = [run.ended_mono_ns for run in runs if run.ended_mono_ns]
    good = integrity(reader.path) == "ok"
    print(
        f"\nstore: {len(runs)} runs, integrity {'ok' if good else 'BROKEN'}, {reader.path.stat().st_size:,} bytes"
    )
    print(
        f"{'channel':<8} {'said':>10} {'stored':>10} {'in gaps':>8} {'at a stop':>9} {'lost':>6} {'invented':>8}"
    )
    total, where = 0, list[str]()
    for name in INSTRUMENTS:
        account = soak.bench.account(name)
        at_stop = [one for one in account.unexplained if any(abs(one[1] - end) < ORDERLY_NS for end in ends)]
        lost = len(account.unexplained) - len(at_stop)
        in_gaps = len(account.missing) - len(account.unexplained)
        total += account.stored
        good &= lost == 0 and not account.invented
        told = set(at_stop)
        where += [
            f"{name}: {words}"
            for words in _where(soak, [one for one in account.unexplained if one not in told])
        ]
        print(
            f"{name:<8} {account.journal:>10,} {account.stored:>10,} {in_gaps:>8,} {len(at_stop):>9} {lost:>6} "
            f"{len(account.invented):>8}"
        )
    print(f"readings stored: {total:,}", *where, sep="\n")
    return compare_screens(soak, reader) and good


def _where(soak: Soak, lost: list[tuple[int, int]]) -> list[str]:
    """Say of each stretch of lost lines how long it was and what had been done just before."""
    at_ns = np.array(sorted(one[1] for one in lost), dtype=np.int64)
    stretches = np.split(at_ns, np.flatnonzero(np.diff(at_ns) > ORDERLY_NS) + 1) if at_ns.size else []
    told = []
    for one in stretches:
        before = [(ns, name) for ns, name in soak.when if ns < one[-1]][-2:]
        done = ", ".join(f"{name} {(one[0] - ns) / 1e9:+.2f} s before" for ns, name in before)
        told.append(f"lost {one.size} lines over {(one[-1] - one[0]) / 1e9:.2f} s; {done}")
    return told


def compare_screens(soak: Soak, reader: StreamReader) -> bool:
    """Everything a screen showed is stored, but for the last moment before a kill; the last value is the last."""
    good, shown, unstored, latest = True, 0, 0, 0
    for name in INSTRUMENTS:
        parts = [reader.read(run.id, name) for run in reader.runs()]
        t_ns, value = (np.concatenate([getattr(part, key) for part in parts]) for key in ("t_ns", "value"))
        order = np.argsort(t_ns, kind="stable")
        t_ns, value = t_ns[order], value[order]
        gaps = soak.bench.gaps(name)
        for screen in soak.screens:
            seen = np.array(screen.shown.get(name, []), dtype=np.float64).reshape(-1, 2)
            stamps = np.array([one[0] for one in screen.shown.get(name, [])], dtype=np.int64)
            place = np.clip(np.searchsorted(t_ns, stamps), 0, len(t_ns) - 1)
            same = (t_ns[place] == stamps) & np.isclose(value[place], seen[:, 1], atol=1e-6)
            shown += len(stamps)
            strangers = stamps[~same]
            explained = [
                stamp
                for stamp in strangers
                if any(gap.start_ns <= stamp <= gap.end_ns + ORDERLY_NS for gap in gaps)
            ]
            unstored += len(explained)
            good &= len(explained) == len(strangers)
            latest += bool(len(stamps) and stamps[-1] == t_ns[-1])
    delays = np.array(sorted(delay for screen in soak.screens for delay in screen.delays_ms))
    print(
        f"screens: {shown:,} values shown, all stored but {unstored} within a kill's gap: {'yes' if good else 'NO'}; "
        f"last value shown is the last stored: {latest} of {4 * len(INSTRUMENTS)}; "
        f"connected {[screen.connected for screen in soak.screens]} times"
    )
    print(
        f"delay from wire to screen, ms: median {np.median(delays):.1f}, p99 {np.quantile(delays, 0.99):.1f}, "
        f"largest {delays[-1]:.0f} of {len(delays):,}"
    )
    return good and latest == 4 * len(INSTRUMENTS)


def report(soak: Soak) -> None:
    print("faults: " + ", ".join(f"{name} {count}" for name, count in sorted(soak.done.items())))
    for title, lives in (("web", soak.web), ("capture", soak.capture)):
        longest = max(lives.all, key=lambda life: life.age_s)
        print(f"{title:<8} {len(lives.all):3d} lives, most {max(life.most_mb for life in lives.all):.1f} MB")
        for words, life in (("first", lives.all[0]), ("longest", longest), ("last", lives.all[-1])):
            print(f"   {words:<8}{life}")
        print(f"   longest, MB each minute: {longest.course_mb}")
    log = (soak.folder / "service.log").read_text(errors="replace")
    print(f"log: {len(log.splitlines())} lines, {log.count('Traceback')} tracebacks")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument(
        "--spare", action="store_true", help="no process is stopped or killed: to judge memory"
    )
    parser.add_argument("--keep", type=Path, help="folder to leave everything in")
    options = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = options.keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="lw-soak-")))
        folder.mkdir(parents=True, exist_ok=True)
        soak = Soak(folder, options.seed)
        stack.callback(soak.end_whatever_happened)
        began_s = time.monotonic()
        soak.start()
        soak.run(options.minutes, options.spare)
        soak.settle()
        code = soak.end()
        print(f"ran {(time.monotonic() - began_s) / 60:.1f} minutes, seed {options.seed}; ended with {code}")
        report(soak)
        good = compare(soak) & soak.outside.compare() and code == 0
        print("everything adds up" if good else "SOMETHING DOES NOT ADD UP")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
