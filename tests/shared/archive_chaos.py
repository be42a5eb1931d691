"""Benches, an archive and the network between them, in which anything is cut, stalled or killed at any moment.

Every bench is two processes over one data folder, as in a shop: one that keeps (runs, readings, measurements, sign-offs)
and one that sends. They reach the server through a relay of this file, which is the network. Truth is what lies in the
folders at the end: it is held, reading by reading and row by row, against what is restored from the archive alone.
"""

from __future__ import annotations

import contextlib
import json
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psycopg
from command import lobewright
from free_ports import free_port
from postgres import Server
from waiting import until

from api.forwarding import prepare, restore_from_archive
from api.records import contents_of
from capture.store import StreamReader

HERE = Path(__file__).parent
AT_ONCE = 65536
SETTLED_WITHIN_S = 180.0


class Network:
    """A relay from a TCP port to the server's own socket, that can be cut, stalled, or go silent.

    Attributes
    ----------
    open
        Set while bytes pass.
    late_s
        How long whatever passes is held back, each way.
    """

    def __init__(self, server: Server) -> None:
        self._upstream = str(server.folder / ".s.PGSQL.5432")
        self.port = free_port()
        self.open = threading.Event()
        self.open.set()
        self._refusing = self._ended = False
        self.late_s = 0.0
        self._pairs: set[tuple[socket.socket, socket.socket]] = set()
        self._unnoticed: set[socket.socket] = set()
        self._listener = socket.create_server(("127.0.0.1", self.port), backlog=64)
        threading.Thread(target=self._accept, daemon=True).start()

    def url(self, database: str, role: str) -> str:
        """Give the address of a database by way of this network."""
        return f"postgresql://{role}@127.0.0.1:{self.port}/{database}?sslmode=disable"

    def cut(self, seconds: float) -> None:
        """End every connection, and let none begin for a while."""
        self._refusing = True
        self._drop()
        time.sleep(seconds)
        self._refusing = False

    def stall(self, seconds: float) -> None:
        """Let nothing pass for a while, and then all of it."""
        self.open.clear()
        time.sleep(seconds)
        self.open.set()

    def go_silent(self, seconds: float) -> None:
        """Let nothing pass, and then end every connection: nobody knows what of it had arrived."""
        self.open.clear()
        time.sleep(seconds)
        self._drop()
        self.open.set()

    def forget(self, seconds: float) -> None:
        """End every connection for the benches, while the server does not notice for a while."""
        pairs = list(self._pairs)
        self._unnoticed.update(near for near, _ in pairs)
        for near, _ in pairs:
            _shut(near)
        time.sleep(seconds)
        for near, far in pairs:
            _shut(far)
            self._unnoticed.discard(near)

    def close(self) -> None:
        """End the network."""
        self._ended = True
        self.open.set()
        self._listener.close()
        self._drop()

    def _drop(self) -> None:
        for pair in list(self._pairs):
            for one in pair:
                _shut(one)

    def _accept(self) -> None:
        while not self._ended:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self._refusing:
                near.close()
                continue
            threading.Thread(target=self._carry, args=(near,), daemon=True).start()

    def _carry(self, near: socket.socket) -> None:
        far = socket.socket(socket.AF_UNIX)
        try:
            far.connect(self._upstream)
        except OSError:  # the server is down
            near.close()
            far.close()
            return
        pair = (near, far)
        self._pairs.add(pair)
        back = threading.Thread(target=self._pump, args=(far, near), daemon=True)
        back.start()
        self._pump(near, far)
        back.join()
        self._pairs.discard(pair)
        near.close()
        far.close()

    def _pump(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while content := source.recv(AT_ONCE):
                self.open.wait()
                time.sleep(self.late_s)
                sink.sendall(content)
        if source not in self._unnoticed:
            _shut(sink)


def _shut(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)


class ChaosBench:
    """One bench: its folder, and the two processes that work on it."""

    def __init__(self, folder: Path, name: str, url: str, seed: int) -> None:
        self.data, self.name, self._url, self._seed = folder / "data", name, url, seed
        self.standing = folder / "standing.json"
        self._folder = folder
        folder.mkdir()
        self.keeper: subprocess.Popen[bytes] | None = None
        self.sender: subprocess.Popen[bytes] | None = None

    def keep(self) -> None:
        """Begin to keep, in a new run."""
        self._seed += 1000
        self.keeper = self._start("keep", str(self.data), str(self._seed))

    def send(self) -> None:
        """Begin to send."""
        self.sender = self._start("send", str(self.data), self._url, self.name, str(self.standing))

    def kill(self, what: str) -> None:
        """Kill one of the two."""
        process = self.keeper if what == "keeper" else self.sender
        assert process is not None
        assert process.poll() is None, f"{self.name}: {what} ended by itself: {self.log()[-2000:]}"
        process.kill()
        process.wait()

    def end_keeping(self) -> None:
        """End the keeper in good order: its last run is whole."""
        assert self.keeper is not None
        begun = f"begun {self.keeper.pid}\n"  # it may have been started a moment ago
        until(lambda: begun in (self.data / "kept").read_text(), "the keeper keeps")
        self.keeper.send_signal(signal.SIGTERM)
        assert self.keeper.wait(60) == 0, self.log()[-2000:]

    def close(self) -> None:
        """End what still runs."""
        for process in (self.keeper, self.sender):
            if process is not None and process.poll() is None:
                process.kill()
                process.wait()

    def log(self) -> str:
        """Give what its processes said."""
        return (self._folder / "log").read_text()

    def state(self, since_s: float) -> str:
        """Give what its sender thinks of the archive, once that was after a moment."""
        told = json.loads(self.standing.read_text())
        return str(told["state"]) if told["at_s"] > since_s else ""

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        with (self._folder / "log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, str(HERE / "archive_bench.py"), *words], stdout=log, stderr=log
            )


class Chaos:
    """So many benches and one archive; `run` spoils, `settle` waits, `judge` counts."""

    def __init__(self, folder: Path, benches: int, seed: int) -> None:
        self.rng = random.Random(seed)
        self.done: Counter[str] = Counter()
        self._folder = folder
        self._meanwhile: list[threading.Thread] = []
        self.server = Server()
        names = [f"bench_{number}" for number in range(benches)]
        prepare(self.server.new_database("shop"), names)
        self.network = Network(self.server)
        self.benches = [
            ChaosBench(folder / name, name, self.network.url("shop", f"lobewright_{name}"), seed + number)
            for number, name in enumerate(names)
        ]

    def run(self, seconds: float) -> None:
        """Let the benches work, and spoil what can be spoilt."""
        for bench in self.benches:
            bench.keep()
            until(lambda one=bench: (one.data / "kept").exists(), "the bench keeps")  # type: ignore[misc]
            bench.send()
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            time.sleep(self.rng.uniform(0.2, 3.0))
            what = self.rng.choices(list(DEEDS), [share for share, _ in DEEDS.values()])[0]
            DEEDS[what][1](self)
            self.done[what] += 1

    def settle(self) -> float:
        """End all keeping in good order and wait until all senders say that nothing waits; gives how long that took."""
        for thread in self._meanwhile:
            thread.join()
        for bench in self.benches:
            bench.end_keeping()
        begun_s = time.time()
        for bench in self.benches:
            until(
                lambda one=bench: one.state(begun_s + 1.0) == "up to date",  # type: ignore[misc]
                f"{bench.name} has sent all: {bench.log()[-500:]}",
                SETTLED_WITHIN_S,
            )
        return time.time() - begun_s

    def judge(self) -> tuple[dict[str, int], list[str]]:
        """Count what is there, and say what is lost, there twice, or not as it was."""
        reader = self.server.url("shop", "lobewright_reader")
        figures: Counter[str] = Counter()
        wrong = []
        proof = lobewright("verify", "--archive", reader)
        if proof.returncode:
            wrong.append(f"verify: {proof.stdout[-2000:]}{proof.stderr}")
        for bench in self.benches:
            new = Path(tempfile.mkdtemp(prefix=f"new_{bench.name}_", dir=self._folder))
            restore_from_archive(reader, bench.name, new)
            wrong += _differences(bench, new, figures)
            wrong += _counted(bench, reader, figures)
        return dict(figures), wrong

    def close(self) -> None:
        """End everything."""
        for bench in self.benches:
            bench.close()
        self.network.close()
        self.server.close()

    # -- what is done to them

    def meanwhile(self, deed: Callable[[float], None], seconds: float) -> None:
        """Spoil the network while other things go on being done."""
        thread = threading.Thread(target=deed, args=(seconds,), daemon=True)
        thread.start()
        self._meanwhile.append(thread)

    def kill_keeper(self) -> None:
        bench = self.rng.choice(self.benches)
        bench.kill("keeper")
        bench.keep()

    def kill_sender(self) -> None:
        bench = self.rng.choice(self.benches)
        bench.kill("sender")
        if self.rng.random() < 0.3:
            time.sleep(self.rng.uniform(0.0, 3.0))
        bench.send()

    def kill_both(self) -> None:
        bench = self.rng.choice(self.benches)
        bench.kill("sender")
        bench.kill("keeper")
        bench.keep()
        bench.send()

    def kill_server(self) -> None:
        self.server.kill()
        time.sleep(self.rng.uniform(0.0, 3.0))
        self.server.start()


DEEDS = {
    "sender killed": (4, Chaos.kill_sender),
    "keeper killed": (2, Chaos.kill_keeper),
    "bench killed": (2, Chaos.kill_both),
    "server killed": (1, Chaos.kill_server),
    "network cut": (2, lambda chaos: chaos.meanwhile(chaos.network.cut, chaos.rng.uniform(0.0, 4.0))),
    "network stalled 2 s": (2, lambda chaos: chaos.meanwhile(chaos.network.stall, 2.0)),
    "network silent, then cut": (
        2,
        lambda chaos: chaos.meanwhile(chaos.network.go_silent, chaos.rng.uniform(0.1, 4.0)),
    ),
    "cut unnoticed by the server": (
        1,
        lambda chaos: chaos.meanwhile(chaos.network.forget, chaos.rng.uniform(0.5, 6.0)),
    ),
}


def _differences(bench: ChaosBench, new: Path, figures: Counter[str]) -> list[str]:
    """Hold a restored folder against the one it comes from, to the last digit of every reading."""
    wrong = []
    if contents_of(bench.data) != contents_of(new):
        wrong.append(f"{bench.name}: {contents_of(bench.data)} here, {contents_of(new)} from the archive")
    here, there = StreamReader(bench.data), StreamReader(new)
    if here.runs() != there.runs():
        wrong.append(f"{bench.name}: other runs")
        return wrong
    for run in here.runs():
        for channel in here.channels(run.id):
            kept, back = (reader.read(run.id, channel.name) for reader in (here, there))
            figures["readings"] += len(kept.t_ns)
            if not all(
                np.array_equal(getattr(kept, name), getattr(back, name)) for name in ("t_ns", "raw", "value")
            ):
                wrong.append(f"{bench.name}: run {run.id}, {channel.name}: other readings")
    return wrong


def _counted(bench: ChaosBench, reader: str, figures: Counter[str]) -> list[str]:
    """Hold counts against the keeper's own notes of what had been committed, which the archive's code never reads."""
    noted = Counter(line.split()[0] for line in (bench.data / "kept").read_text().splitlines())
    with psycopg.connect(reader) as connection:

        def count(words: str) -> int:
            row = connection.execute(f"SELECT {words} AND bench = %s".encode(), (bench.name,)).fetchone()
            assert row is not None
            return int(row[0])

        blocks = count("count(DISTINCT (channel_id, first)) FROM lobewright.blocks WHERE true")
        kept_twice = count(
            "count(*) - count(DISTINCT (channel_id, first, lines)) FROM lobewright.blocks WHERE true"
        )
        engines = count("count(DISTINCT key) FROM lobewright.documents WHERE kind = 'engines'")
        facts = count("count(DISTINCT key) FROM lobewright.documents WHERE kind = 'measurements'")
        seals = count("count(*) FROM lobewright.signoffs WHERE true")
        sealed = count("count(DISTINCT fact) FROM lobewright.signoffs WHERE true")
        last = count("coalesce(max(number), 0) FROM lobewright.signoffs WHERE true")
    figures["blocks"] += blocks
    figures["engines"] += engines
    figures["sign-offs"] += seals
    figures["lost"] += max(0, noted["block"] - blocks) + max(0, noted["engine"] - engines)
    figures["lost"] += max(0, noted["measurement"] - facts) + max(0, noted["signed"] - seals)
    figures["double"] += kept_twice + (seals - sealed)
    wrong = (
        [f"{bench.name}: {noted} were noted, {blocks=} {engines=} {facts=} {seals=}"]
        if figures["lost"]
        else []
    )
    if figures["double"] or last != seals:
        wrong.append(
            f"{bench.name}: {figures['double']} twice; {seals} sign-offs, the last has number {last}"
        )
    return wrong
