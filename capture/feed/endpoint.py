"""Where the live feed listens: a local socket, or loopback TCP with a secret where there are none.

What is told in ``capture.json``: ``socket``, a path; or ``port`` and ``secret_file``, a file that its owner
alone can read. Whoever connects over TCP says the secret first, on a line of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import shutil
import socket
import sys
import tempfile
from pathlib import Path
from typing import Any

from capture.base import HAS_LOCAL_SOCKETS, FeedAbsent, read_facts

LOOPBACK = "127.0.0.1"
LONGEST_MESSAGE_BYTES = 16 * 1024 * 1024
_SECRET_BYTES = 32


class Endpoint:
    """The listening end.

    Attributes
    ----------
    path : Path
        Of the local socket, or of the file with the secret.
    listening : socket
    secret : bytes
        What a client must say first; empty where the file system already looks who may connect.
    """

    def __init__(self, most_clients: int) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="lw-", dir=_short_folder()))
        self.path = self._folder / "feed"
        self.secret = b""
        self.listening = self._bound()
        self.listening.listen(most_clients)
        self.listening.setblocking(False)

    @property
    def facts(self) -> dict[str, Any]:
        """How to reach it, for ``capture.json``."""
        if not self.secret:
            return {"socket": str(self.path)}
        return {"port": self.listening.getsockname()[1], "secret_file": str(self.path)}

    def close(self) -> None:
        """Stop listening and leave nothing behind."""
        with contextlib.suppress(OSError):
            self.listening.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _bound(self) -> socket.socket:
        """Where there are no local sockets, a port of this machine and a secret in a file for its owner's eyes."""
        if sys.platform != "win32" and HAS_LOCAL_SOCKETS:
            local = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            local.bind(str(self.path))
            return local
        self.secret = secrets.token_hex(_SECRET_BYTES).encode()
        file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        os.write(file, self.secret)
        os.close(file)
        over_tcp = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        over_tcp.bind((LOOPBACK, 0))
        return over_tcp


def connected(data_dir: Path | str, timeout_s: float) -> socket.socket:
    """Connect to the live feed of a data folder.

    Raises
    ------
    FeedAbsent
        No capture process has said where it is.
    OSError
        Nobody answers there.
    """
    facts = _facts(data_dir)
    if sys.platform != "win32" and "socket" in facts:
        made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        made.settimeout(timeout_s)
        try:
            made.connect(facts["socket"])
        except OSError:
            made.close()
            raise
        return made
    made = socket.create_connection((LOOPBACK, facts["port"]), timeout_s)
    made.sendall(_secret_line(facts))
    return made


async def opened(data_dir: Path | str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Connect for asyncio; see `connected`."""
    facts = _facts(data_dir)
    if sys.platform != "win32" and "socket" in facts:
        return await asyncio.open_unix_connection(facts["socket"], limit=LONGEST_MESSAGE_BYTES)
    reader, writer = await asyncio.open_connection(LOOPBACK, facts["port"], limit=LONGEST_MESSAGE_BYTES)
    writer.write(_secret_line(facts))
    return reader, writer


def _facts(data_dir: Path | str) -> dict[str, Any]:
    facts = read_facts(Path(data_dir)) or {}
    by_name = isinstance(facts.get("socket"), str)
    by_port = isinstance(facts.get("port"), int) and isinstance(facts.get("secret_file"), str)
    if not (by_name or by_port):
        raise FeedAbsent(f"no capture is running for {data_dir}; start it")
    return facts


def _secret_line(facts: dict[str, Any]) -> bytes:
    return Path(facts["secret_file"]).read_bytes() + b"\n"


def _short_folder() -> str | None:
    """A folder with a short name: a socket's path is limited to about 100 bytes."""
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    return runtime if runtime and len(runtime) < 60 and os.access(runtime, os.W_OK) else None
