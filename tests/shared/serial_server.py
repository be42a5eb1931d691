"""Real serial servers of the system, ser2net and socat, each a process in front of one device."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

from free_ports import free_port


def listens(port: int) -> bool:
    """Whether somebody listens; asked without connecting, for a server may serve one caller alone."""
    wanted = f":{port:04X}"
    rows = [row.split() for row in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return any(row[1].endswith(wanted) and row[3] == "0A" for row in rows)


class Server:
    """One serial server process in front of one device."""

    def __init__(self, kind: str, device: Path, folder: Path) -> None:
        self.kind, self.device, self.folder, self.port = kind, device, folder, free_port()
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"{'rfc2217' if self.kind == 'ser2net telnet' else 'socket'}://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        if self.kind == "socat":
            listen = f"TCP4-LISTEN:{self.port},bind=127.0.0.1,reuseaddr,fork,max-children=1"
            return ["socat", listen, f"OPEN:{self.device},raw,echo=0,nonblock=1"]
        by = "telnet(rfc2217),tcp" if self.kind == "ser2net telnet" else "tcp"
        settings = self.folder / f"{self.port}.yaml"
        settings.write_text(
            f"connection: &one\n  accepter: {by},127.0.0.1,{self.port}\n"
            f"  connector: serialdev,{self.device},9600n81,local\n"
        )
        return [shutil.which("ser2net") or "/usr/sbin/ser2net", "-n", "-u", "-c", str(settings)]

    def start(self) -> float:
        """Start it; gives the time at which it listened."""
        self.process = subprocess.Popen(self.command(), stderr=subprocess.DEVNULL, start_new_session=True)
        until_s = time.monotonic() + 20
        while not listens(self.port):
            assert self.process.poll() is None, f"{self.kind} ended"
            assert time.monotonic() < until_s
            time.sleep(0.005)
        return time.monotonic()

    def signal(self, number: int) -> None:
        """To the server and what it started: socat has a process for each caller."""
        assert self.process
        os.killpg(self.process.pid, number)

    def kill(self) -> None:
        if self.process:
            self.signal(signal.SIGKILL)
            self.process.wait(5)
            self.process = None
