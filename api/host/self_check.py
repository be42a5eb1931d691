"""The self-test: ports, permissions, bench file, disk, clock, databases, service; one plain sentence each."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from enum import StrEnum
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

from api.archive import look_for_left
from api.base import StoreError
from api.host.asking_service import running_address
from api.records import trouble_in_shop, trouble_in_streams, with_advice
from api.store import FILE_NAME as SHOP_NAME
from api.store import ShopReader, not_readable_words, read_only_words
from capture.base import BenchFileError, CaptureError, FeedError, PortError
from capture.bench import Bench, load_bench
from capture.feed import LiveClient
from capture.port import Port
from capture.store import STORE_NAME, StreamReader, lies_read_only

BYTES_AN_HOUR = 4 * 4000 * 3600
"""Of a full bench: four channels at 1 kHz, about four bytes a reading."""
LITTLE_BYTES, SCARCE_BYTES = 200 << 20, 2 << 30
NOT_BEFORE = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
"""A clock that stands before this was never set."""
AHEAD_S = 60.0


class State(StrEnum):
    """How one thing is."""

    OK = "ok"
    MIND = "mind"
    WRONG = "wrong"


class Finding(NamedTuple):
    """One thing looked at; `sentence` says what is wrong and what to do."""

    topic: str
    state: State
    sentence: str


def self_test(data_dir: Path, bench_file: Path | None, thorough: bool) -> Iterator[Finding]:
    """Look at everything, one after another.

    Parameters
    ----------
    data_dir : Path
        The data folder; it need not exist yet.
    bench_file : Path or None
        `None` leaves the instruments out.
    thorough : bool
        Read the databases to the last byte.
    """
    bench = None
    if bench_file is None:
        yield Finding(
            "bench file", State.MIND, "None was named, so no port was looked at; give --bench FILE."
        )
    else:
        bench, findings = _bench_file(bench_file)
        yield from findings
    if bench is not None:
        yield from _ports(bench, data_dir)
    yield from _folder(data_dir)
    yield _disk(data_dir)
    yield _clock(data_dir, time.time())
    yield from _databases(data_dir, thorough)
    yield _service(data_dir)


def _bench_file(path: Path) -> tuple[Bench | None, list[Finding]]:
    try:
        bench = load_bench(path)
    except BenchFileError as error:
        return None, [Finding("bench file", State.WRONG, problem) for problem in error.problems]
    gauges = ", ".join(one.channel.name for one in bench.instruments)
    return bench, [Finding("bench file", State.OK, f"{path} can be used: {gauges}.")]


# -- ports and permissions


def _ports(bench: Bench, data_dir: Path) -> Iterator[Finding]:
    """Ask capture, where it runs and holds the ports; open each for a moment where it does not."""
    told = _told_by_capture(data_dir)
    for instrument in bench.instruments:
        name = instrument.channel.name
        topic = f"port of {name}"
        if told is not None:
            state, sentence = told.get(name, ("unknown", "capture runs with another bench file"))
            well = state == "online"
            words = "it reads." if well else f"{sentence or state}."
            yield Finding(topic, State.OK if well else State.WRONG, f"{instrument.port}: {words}")
            continue
        try:
            Port(instrument).close()
        except PortError as error:
            yield Finding(topic, State.WRONG, f"{error}.")
        else:
            yield Finding(topic, State.OK, f"{instrument.port} can be opened.")
    yield _group(bench)


def _told_by_capture(data_dir: Path) -> dict[str, tuple[str, str]] | None:
    try:
        with LiveClient(data_dir) as client:
            channels = client.ask("health")["channels"]
    except (FeedError, OSError, ValueError, KeyError):
        return None
    return {one["name"]: (one["state"], one["sentence"].rstrip(".")) for one in channels}


def _group(bench: Bench) -> Finding:
    """Is this account allowed at serial devices for good, not only today?"""
    groups = {_group_of(one.port) for one in bench.instruments if one.port.startswith("/dev/tty")} - {""}
    missing = sorted(groups - _own_groups())
    if not missing or _is_root():
        return Finding("permissions", State.OK, "This account may open serial devices.")
    name = missing[0]
    return Finding(
        "permissions",
        State.WRONG,
        f"This account is not in the group {name} that serial devices belong to; run "
        f"`sudo usermod -aG {name} $USER`, then log out and in again.",
    )


if sys.platform == "win32" or find_spec("grp") is None:  # no group there to be in

    def _group_of(port: str) -> str:
        return ""

    def _own_groups() -> set[str]:
        return set()

    def _is_root() -> bool:
        return False

else:
    import grp

    def _group_of(port: str) -> str:
        try:
            return Path(port).group()
        except (OSError, KeyError):
            return ""

    def _own_groups() -> set[str]:
        names: set[str] = set()
        for number in os.getgroups():
            with contextlib.suppress(KeyError):
                names.add(grp.getgrgid(number).gr_name)
        return names

    def _is_root() -> bool:
        return os.geteuid() == 0


def _folder(data_dir: Path) -> Iterator[Finding]:
    """May everything in the data folder be written by this account?"""
    if not data_dir.exists():
        yield Finding("data folder", State.MIND, f"{data_dir} is not there yet; the first run makes it.")
        return
    if not data_dir.is_dir():
        yield Finding("data folder", State.WRONG, f"{data_dir} is a file; name a folder with --data.")
        return
    files = [data_dir, *(path for path in data_dir.iterdir() if path.suffix in {".db", ".json", ".lock"})]
    locked = [path for path in files if not os.access(path, os.W_OK)]
    if locked and lies_read_only(data_dir / STORE_NAME):
        yield Finding("data folder", State.WRONG, f"{read_only_words(data_dir / STORE_NAME)}.")
    elif locked:
        sentence = (
            f"{locked[0]} cannot be written by this account; give it back: `sudo chown -R $USER {data_dir}`."
        )
        yield Finding("data folder", State.WRONG, sentence)
    else:
        yield Finding("data folder", State.OK, f"{data_dir} can be written.")


# -- disk and clock


def _disk(data_dir: Path) -> Finding:
    there = next(folder for folder in [data_dir.absolute(), *data_dir.absolute().parents] if folder.is_dir())
    free = shutil.disk_usage(there).free
    room = f"{free / 1e9:.1f} GB are free, about {free // BYTES_AN_HOUR:,} hours of a full bench that never rests"
    if free < LITTLE_BYTES:
        return Finding("disk", State.WRONG, f"Only {room}; make room before anything is measured.")
    if free < SCARCE_BYTES:
        return Finding("disk", State.MIND, f"Only {room}; make room soon.")
    return Finding("disk", State.OK, f"{room}.")


def _clock(data_dir: Path, now_s: float) -> Finding:
    """Was it ever set, does it run behind what is stored, does anything keep it right."""
    now = dt.datetime.fromtimestamp(now_s, dt.UTC)
    if now < NOT_BEFORE:
        return Finding("clock", State.WRONG, f"It says {now:%Y-%m-%d}, so it was never set; set it.")
    newest_s = _newest_s(data_dir)
    if newest_s > now_s + AHEAD_S:
        newest = dt.datetime.fromtimestamp(newest_s, dt.UTC)
        return Finding(
            "clock",
            State.WRONG,
            f"It says {now:%Y-%m-%d %H:%M} UTC, but something was stored at {newest:%Y-%m-%d %H:%M}: "
            "it runs behind, or did run ahead; set it. Intervals within a measurement do not mind.",
        )
    if _kept_by_network() is False:
        return Finding(
            "clock", State.MIND, f"It says {now:%Y-%m-%d %H:%M} UTC, and nothing keeps it right; look at it."
        )
    return Finding("clock", State.OK, f"It says {now:%Y-%m-%d %H:%M} UTC.")


def _newest_s(data_dir: Path) -> float:
    try:
        run = StreamReader(data_dir).latest_run()
    except (CaptureError, sqlite3.Error):
        return 0.0
    return 0.0 if run is None else max(run.started_wall_ns, run.ended_wall_ns or 0) / 1e9


def _kept_by_network() -> bool | None:
    """Tell whether the system keeps the clock right; `None` where it does not say."""
    if shutil.which("timedatectl") is None:
        return None
    asked = ["timedatectl", "show", "--property=NTPSynchronized", "--value"]
    try:
        told = subprocess.run(asked, capture_output=True, text=True, timeout=5, check=False).stdout.strip()
    except (OSError, subprocess.TimeoutExpired):
        return None
    return {"yes": True, "no": False}.get(told)


# -- databases and service


def _databases(data_dir: Path, thorough: bool) -> Iterator[Finding]:
    """Look at both files by themselves, then at what each says of the other."""
    if find_spec("pysqlite3") is not None:
        yield Finding(
            "databases",
            State.WRONG,
            "A second SQLite library (pysqlite3) is installed, and two in one process can damage a database; "
            "uninstall it.",
        )
    looks: list[tuple[str, str, Callable[[Path, bool], list[str]]]] = [
        ("readings", STORE_NAME, trouble_in_streams),
        ("shop", SHOP_NAME, trouble_in_shop),
    ]
    for topic, name, trouble_in in looks:
        path = data_dir / name
        if not path.exists():
            yield Finding(topic, State.MIND, f"There is no {name} yet.")
            continue
        if not os.access(path, os.R_OK):
            yield Finding(topic, State.WRONG, f"{not_readable_words(path)}.")
            continue
        trouble = trouble_in(path, thorough)
        for sentence in trouble:
            yield Finding(topic, State.WRONG, with_advice(sentence))
        if not trouble:
            how = "every byte was read" if thorough else "its structure was read; --thorough reads every byte"
            yield Finding(topic, State.OK, f"{name} is whole ({how}).")
    yield from _open_measurements(data_dir)
    yield from _imports(data_dir)


def _imports(data_dir: Path) -> Iterator[Finding]:
    """Is every imported trace where its row says, and does every one belong to a row?"""
    try:
        for sentence in look_for_left(data_dir, ShopReader(data_dir)).sentences:
            yield Finding("imports", State.MIND, sentence)
    except (StoreError, sqlite3.Error, OSError):
        return


def _open_measurements(data_dir: Path) -> Iterator[Finding]:
    """A measurement left running for days was forgotten."""
    try:
        sql = "SELECT id, started_at FROM measurements WHERE state = 'running' ORDER BY id"
        running = ShopReader(data_dir).rows(sql)
    except (StoreError, sqlite3.Error):
        return
    day_ago = dt.datetime.now(dt.UTC) - dt.timedelta(days=1)
    for one in running:
        if dt.datetime.fromisoformat(one["started_at"]) < day_ago:
            sentence = (
                f"Number {one['id']} has been running since {one['started_at'][:16]}; finish or discard it."
            )
            yield Finding("measurements", State.MIND, sentence)


def _service(data_dir: Path) -> Finding:
    url = running_address(data_dir)
    if url is None:
        return Finding("service", State.MIND, "It does not run with this folder.")
    try:
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(f"{url}/health", timeout=5) as answer:
            told = json.loads(answer.read())["sentence"]
        return Finding("service", State.OK, f"It runs at {url}. {told}")
    except urllib.error.HTTPError as error:
        return Finding(
            "service", State.WRONG, f"It runs at {url}, but: {json.loads(error.read())['sentence']}"
        )
    except (OSError, ValueError):
        return Finding("service", State.WRONG, f"It should be at {url}, but does not answer; start it again.")
