"""Fault 30: killed while the schema changes, two starters, a newer file."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from on_file import CRANK_BENCH

from capture.store.schema import SCHEMA_VERSION

pytestmark = pytest.mark.faults

KILLED_IN_MIGRATION = """
import os, signal, sqlite3, sys
from pathlib import Path
from capture.store import schema

@schema.migrations()
def m999_a_later_change(db):
    db.table("events").add_column("later", str)
    db.execute("UPDATE runs SET bench = 'changed'")
    os.kill(os.getpid(), signal.SIGKILL)

schema.SCHEMA_VERSION = 99
schema.open_for_writing(Path(sys.argv[1]))
"""


def test_a_kill_in_a_migration_leaves_the_file_as_it_was(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench()
    helpers.wait_for(bench.client(), lambda m: m["kind"] == "saved", 30)
    bench.stop()
    before = bench.stored("crank")
    killed = subprocess.run(
        [sys.executable, "-c", KILLED_IN_MIGRATION, bench.data / "streams.db"], check=False
    )
    with closing(sqlite3.connect(bench.data / "streams.db")) as connection:
        columns = {row[1] for row in connection.execute("PRAGMA table_info(events)")}
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        benches = {row[0] for row in connection.execute("SELECT bench FROM runs")}
    assert killed.returncode == -signal.SIGKILL
    assert "later" not in columns
    assert version == SCHEMA_VERSION
    assert "changed" not in benches
    assert bench.stored("crank") == before
    measured(30, "kill in migration; two starters; newer file", "rolled back whole")


def test_of_two_starters_one_wins_and_the_other_says_so_with_its_pid(
    make_bench: Any, helpers: Any, measured: Any
) -> None:
    bench = make_bench()
    bench.client()
    began_s = time.monotonic()
    second = subprocess.run(
        [sys.executable, "-m", "capture", "--bench", bench.folder / "bench.toml", "--data", bench.data],
        check=False,
        capture_output=True,
        text=True,
        timeout=20,
    )
    took_s = time.monotonic() - began_s
    bench.stop()
    bench.check_always()
    assert second.returncode == 3
    assert str(bench.capture.pid) in second.stderr
    assert second.stderr.count("\n") == 1
    measured(
        30, "kill in migration; two starters; newer file", f"one wins, the other says so in {took_s:.1f} s"
    )


def test_a_newer_file_is_refused_by_name(tmp_path: Path, measured: Any) -> None:
    bench_file, data = tmp_path / "bench.toml", tmp_path / "data"
    data.mkdir()
    bench_file.write_text(CRANK_BENCH)
    with closing(sqlite3.connect(data / "streams.db")) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
        connection.execute("CREATE TABLE runs (id)")
    before = (data / "streams.db").read_bytes()
    refused = subprocess.run(
        [sys.executable, "-m", "capture", "--bench", bench_file, "--data", data],
        check=False,
        capture_output=True,
        text=True,
    )
    assert refused.returncode == 4
    assert "newer version" in refused.stderr
    assert "streams.db" in refused.stderr
    assert refused.stderr.count("\n") == 1
    assert (data / "streams.db").read_bytes() == before
    measured(30, "kill in migration; two starters; newer file", "newer file refused by name, untouched")
