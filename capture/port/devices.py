"""Which device is behind a port name, who else has it, and whether two have changed places.

A name such as ``/dev/ttyUSB0`` goes to whatever is plugged in first; a USB device is known by its numbers
and its place, anything else by its node and when the node was made.
"""

from __future__ import annotations

import os
import stat
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

_PTY_MAJORS = range(136, 144)


@dataclass(frozen=True, slots=True)
class Holder:
    """Another process that has a device open."""

    pid: int
    name: str

    def __str__(self) -> str:
        return f"{self.name} (process {self.pid})"


def is_device_path(port: str) -> bool:
    """Whether a port name is a file of this machine, rather than a URL or a COM name."""
    return port.startswith("/")


def is_pty(rdev: int) -> bool:
    """Whether a device number is a pseudo-terminal's."""
    return sys.platform != "win32" and os.major(rdev) in _PTY_MAJORS


def identity(port: str) -> str:
    """What tells the device behind a port name from any other; empty when nothing does.

    ``usb:vendor:product:serial:place`` or ``node:number:made``.
    """
    if not is_device_path(port):
        return ""
    try:
        real = os.path.realpath(port)
        facts = os.stat(real)  # noqa: PTH116 - a device, not a file of ours
    except OSError:
        return ""
    usb = _usb_identity(Path(real).name)
    return usb or f"node:{_number(facts)}:{facts.st_ctime_ns}"


def device_number(port: str) -> int | None:
    """Device number behind a port name; `None` when there is none."""
    try:
        facts = os.stat(port)  # noqa: PTH116
    except OSError:
        return None
    return _number(facts) if stat.S_ISCHR(facts.st_mode) else None


def _number(facts: os.stat_result) -> int:
    return int(getattr(facts, "st_rdev", 0))  # not on Windows, where no port is a file


def holders(rdevs: set[int]) -> dict[int, list[Holder]]:
    """Other processes that have one of these character devices open for reading.

    The process that made a pseudo-terminal is not counted: it may hold the far end open. Only processes
    of the same account can be seen, unless capture runs as root.
    """
    found: dict[int, list[Holder]] = {}
    own = os.getpid()
    for entry in os.scandir("/proc") if Path("/proc").is_dir() else ():
        if entry.name.isdigit() and int(entry.name) != own:
            for rdev in _devices_read_by(int(entry.name), rdevs):
                found.setdefault(rdev, []).append(Holder(int(entry.name), _process_name(int(entry.name))))
    return found


def _devices_read_by(pid: int, rdevs: set[int]) -> set[int]:
    """The devices that a process reads; the terminal ends it made itself are none."""
    if sys.platform == "win32":
        return set()
    names = {f"/dev/pts/{os.minor(rdev)}" for rdev in rdevs if is_pty(rdev)}
    read: set[int] = set()
    made: set[int] = set()
    try:
        with os.scandir(f"/proc/{pid}/fd") as links:
            for link in links:
                target = os.readlink(link.path)  # noqa: PTH115 - hot path
                if target.startswith("/dev/ptmx") or target.startswith("/dev/pts/ptmx"):
                    made.add(_tty_index(pid, link.name))
                elif target.startswith("/dev/") and (target in names or not target.startswith("/dev/pts/")):
                    rdev = device_number(target)
                    if rdev in rdevs and _opened_for_reading(pid, link.name):
                        read.add(rdev)
    except OSError:
        pass  # it ended, or is another account's
    return {rdev for rdev in read if not (is_pty(rdev) and os.minor(rdev) in made)}


def _fdinfo(pid: int, fd: str, key: str) -> str:
    for line in Path(f"/proc/{pid}/fdinfo/{fd}").read_text().splitlines():
        if line.startswith(key + ":"):
            return line.split(":", 1)[1].strip()
    return ""


def _tty_index(pid: int, fd: str) -> int:
    return int(_fdinfo(pid, fd, "tty-index") or -1)


def _opened_for_reading(pid: int, fd: str) -> bool:
    if sys.platform == "win32":
        return False
    return int(_fdinfo(pid, fd, "flags") or "0", 8) & os.O_ACCMODE != os.O_WRONLY


def _process_name(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/comm").read_text().strip()
    except OSError:
        return "a program"


def _usb_identity(tty: str) -> str:
    place = Path(os.path.realpath(f"/sys/class/tty/{tty}/device"))
    for folder in (place, *place.parents[:4]):
        if (folder / "idVendor").is_file():
            facts = [_sysfs(folder / name) for name in ("idVendor", "idProduct", "serial")]
            # Clones share a serial number, or have none: then the place they are plugged in at must do.
            return ":".join(["usb", *facts, folder.name])
    return ""


def _sysfs(path: Path) -> str:
    try:
        return path.read_text().strip().replace(":", "_")
    except OSError:
        return ""


class KnownDevices:
    """Which device each channel had last, so that a swap is noticed.

    Parameters
    ----------
    earlier : dict
        Channel name to identity, as remembered from the run before.
    """

    def __init__(self, earlier: dict[str, str] | None = None) -> None:
        self._lock = threading.Lock()
        self._known = {name: known for name, known in (earlier or {}).items() if known}

    def judge(self, channel: str, found: str) -> str:
        """A sentence when this device should wait for a person, else empty (and it is remembered)."""
        if not found:
            return ""
        with self._lock:
            mine = self._known.get(channel, "")
            if mine == found:
                return ""
            taker = self._other_with(mine, channel)
            if taker:
                # Half of a swap was accepted: what is here now may be the other half, and only a person knows.
                return (
                    f"{channel}: the device that was on this port is now {taker}; "
                    "accept the device that is here now, or put the cables back"
                )
            other = self._other_with(found, channel)
            if other:
                return (
                    f"{channel}: this port now leads to the device that was {other}; put the cables back, "
                    "or accept the device if this is meant"
                )
            if _another_usb_device(mine, found):
                return (
                    f"{channel}: another adapter is on this port than before; put the old one back, "
                    "or accept the device if this is meant"
                )
            self._known[channel] = found
            return ""

    def _other_with(self, identity: str, channel: str) -> str:
        others = (name for name, known in self._known.items() if identity and known == identity)
        return next((name for name in others if name != channel), "")

    def accept(self, channel: str, found: str) -> None:
        """A person says that this device is the channel's from now on."""
        with self._lock:
            self._known[channel] = found

    def known(self) -> dict[str, str]:
        """A copy of what is remembered."""
        with self._lock:
            return dict(self._known)


def _another_usb_device(mine: str, found: str) -> bool:
    if not (mine.startswith("usb:") and found.startswith("usb:")):
        return False
    serial = mine.split(":")[3]
    return mine.split(":")[1:4] != found.split(":")[1:4] or (not serial and mine != found)
