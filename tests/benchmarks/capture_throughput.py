"""Throughput: several ports at full rate through capture, beside a loop that only reads.

    python tests/benchmarks/capture_throughput.py [--ports 4] [--rate 1000] [--seconds 60]

Prints the lines lost (must be 0) and the processor share of the capture process, and in the same run, with
the same senders, that of the least a program could do: one process that polls the same ports and throws
the bytes away.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from capture.feed import LiveClient
from capture.store import StreamReader
from capture.store.stream_store import integrity
from simulated_devices.wire.line import read_journal

SENDER = Path(__file__).parents[1] / "faults" / "sender_process.py"
BARE = """
import os, select, sys, termios, tty
poll, fds = select.poll(), [os.open(name, os.O_RDWR | os.O_NOCTTY) for name in sys.argv[1:]]
for fd in fds:
    tty.setraw(fd)
    poll.register(fd, select.POLLIN)
while True:
    for fd, _ in poll.poll():
        os.read(fd, 4096)
"""


def processor_seconds(pid: int) -> float:
    """Processor time that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def share_of(process: subprocess.Popen[bytes], seconds: float) -> float:
    """Share of one core that a process takes over some seconds."""
    began_s, used_s = time.monotonic(), processor_seconds(process.pid)
    time.sleep(seconds)
    return (processor_seconds(process.pid) - used_s) / (time.monotonic() - began_s)


def send(folder: Path, names: list[str], rate_hz: int) -> subprocess.Popen[str]:
    """Start the senders and wait until their ports are there."""
    settings = {name: {"kind": "count", "rate_hz": rate_hz} for name in names}
    sender = subprocess.Popen(
        [sys.executable, SENDER, folder, json.dumps(settings)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert sender.stdout
    sender.stdout.readline()
    return sender


def end(*processes: subprocess.Popen[str] | subprocess.Popen[bytes]) -> None:
    """End what was started."""
    for process in processes:
        process.terminate()
        process.wait(20)


def bare_share(folder: Path, names: list[str], rate_hz: int, seconds: float) -> float:
    """Processor share of the bare read loop."""
    folder.mkdir()
    sender = send(folder, names, rate_hz)
    bare = subprocess.Popen([sys.executable, "-c", BARE, *(str(folder / name) for name in names)])
    time.sleep(1)
    share = share_of(bare, seconds)
    end(bare, sender)
    return share


def bench_text(folder: Path, names: list[str]) -> str:
    """A bench file: the first is the crank, the others count too, so that every line costs the same."""
    crank, *gauges = names
    text = (
        f'[crank]\nport = "{folder / crank}"\nframe = "count"\ncounts_per_turn = 3600\nfastest_rpm = 1200.0\n'
    )
    for name in gauges:
        text += f'[[gauge]]\nname = "{name}"\nport = "{folder / name}"\nframe = "pattern"\n'
        text += "pattern = '(?P<value>[0-9]+)'\n"
    return text


def lost_lines(data: Path, folder: Path, name: str) -> tuple[int, int]:
    """Lines accepted between the first and the last stored one, and how many of them are not stored."""
    reader = StreamReader(data)
    stored = [int(raw) for raw in reader.read(1, name).every_raw()]
    said = [int(sent) for _, sent, spoiled in read_journal(folder / f"{name}.journal") if not spoiled]
    inside = [number for number in said if stored[0] <= number <= stored[-1]]
    return len(inside), len(inside) - len(stored)


def main() -> int:
    """Run the benchmark and print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--ports", type=int, default=4)
    parser.add_argument("--rate", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    names = ["crank", *(f"g{number}" for number in range(1, options.ports))]
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        bare = bare_share(root / "bare", names, options.rate, min(15.0, options.seconds))
        folder = root / "full"
        folder.mkdir()
        sender = send(folder, names, options.rate)
        (folder / "bench.toml").write_text(bench_text(folder, names))
        capture = subprocess.Popen(
            [sys.executable, "-m", "capture", "--bench", folder / "bench.toml", "--data", folder / "data"]
        )
        while not (folder / "data" / "capture.json").exists():
            time.sleep(0.05)
        time.sleep(1)
        share = share_of(capture, options.seconds)
        with LiveClient(folder / "data") as client:
            client.ask("flush")
        capture.send_signal(signal.SIGTERM)
        capture.wait(20)
        end(sender)
        counts = [lost_lines(folder / "data", folder, name) for name in names]
        size = sum(file.stat().st_size for file in (folder / "data").glob("streams.db*"))
        whole = integrity(folder / "data" / "streams.db")
    lines, lost = sum(count for count, _ in counts), sum(count for _, count in counts)
    print(f"{options.ports} ports at {options.rate} lines/s for {options.seconds:.0f} s")
    print(
        f"lines accepted {lines}, lost {lost}; {size / max(lines, 1):.1f} bytes a reading; integrity {whole}"
    )
    print(f"processor: capture {100 * share:.1f} %, bare read loop {100 * bare:.1f} % of a core")
    print(f"ratio capture / bare read loop: {share / bare:.1f}")
    return 0 if lost == 0 and whole == "ok" else 1


if __name__ == "__main__":
    sys.exit(main())
