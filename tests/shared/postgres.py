"""A PostgreSQL server of the tests' own: in a temporary folder, on a socket there, gone with the tests."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

import psycopg
from waiting import until

OWNER = "owner"
WITH_PASSWORD = "lobewright_locked"
"""The one role that is asked for its password."""
QUICK = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "listen_addresses": ""}
"""Nothing of a test need outlive the machine's power."""


def as_nobody_special() -> list[str]:
    """Begin a command with this: the server refuses to run as root, as tests in a container do."""
    return ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"] if os.geteuid() == 0 else []


class Server:
    """One server; may be killed and started again."""

    def __init__(self) -> None:
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
        if not found:
            raise RuntimeError("no PostgreSQL server is installed: sudo apt-get install postgresql")
        self._bin = found[-1].parent
        self.folder = Path(tempfile.mkdtemp(prefix="lw-pg-", dir="/tmp"))
        self.folder.chmod(0o755)
        if os.geteuid() == 0:
            shutil.chown(self.folder, "postgres", "postgres")
        self._data = self.folder / "data"
        self._process: subprocess.Popen[bytes] | None = None
        made = [
            "initdb",
            "-D",
            str(self._data),
            "-U",
            OWNER,
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--no-sync",
            "--locale=C",
        ]
        self._run(made)
        rules = self._data / "pg_hba.conf"
        rules.write_text(f"local all {WITH_PASSWORD} scram-sha-256\n" + rules.read_text(encoding="utf-8"))
        self.start()

    def start(self) -> None:
        """Start it, and wait until it answers."""
        self._begin()
        until(self._is_up, "the server answers", 30.0)

    def _is_up(self) -> bool:
        """Whether it answers; begun anew where children of one that was killed held its memory for a moment longer."""
        if not self.running:
            self._begin()
        return self._answers()

    def _begin(self) -> None:
        settings = [word for name, value in QUICK.items() for word in ("-c", f"{name}={value}")]
        program = str(self._bin / "postgres")
        command = [*as_nobody_special(), program, "-D", str(self._data), "-k", str(self.folder), *settings]
        log = (self.folder.parent / f"{self.folder.name}.log").open("ab")
        with log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd="/")

    @property
    def running(self) -> bool:
        """Whether its process lives."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        """Number of its first process, the parent of all its others."""
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        """End it as a power cut would; its children see it and go, too."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        pid = self._data / "postmaster.pid"
        until(lambda: not self._answers(), "the server is gone", 10.0)
        pid.unlink(missing_ok=True)

    def url(self, database: str, role: str = OWNER) -> str:
        """Give the address of a database, for a role."""
        return f"postgresql://{role}@/{database}?host={self.folder}"

    def new_database(self, name: str) -> str:
        """Make an empty database and give its address."""
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
            connection.execute(f"CREATE DATABASE {name}")
        return self.url(name)

    def close(self) -> None:
        """Stop it and remove all of it."""
        if self._process is not None and self.running:
            self._process.send_signal(signal.SIGINT)
            self._process.wait(30)
        shutil.rmtree(self.folder, ignore_errors=True)
        (self.folder.parent / f"{self.folder.name}.log").unlink(missing_ok=True)

    def _answers(self) -> bool:
        try:
            psycopg.connect(self.url("postgres"), connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    def _run(self, words: list[str]) -> None:
        command = [*as_nobody_special(), str(self._bin / words[0]), *words[1:]]
        done = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
        if done.returncode:
            raise RuntimeError(done.stderr)
