"""What makes the bench a service of the machine: a systemd unit and a udev rule, written for review.

Nothing is installed: both are plain files, and what to do with them is printed.
"""

from __future__ import annotations

import re
import shlex
import sys
from dataclasses import dataclass
from pathlib import Path

from api.base import MisuseError

UNIT_NAME = "lobewright.service"
RULES_NAME = "60-lobewright.rules"
WATCHDOG_S = 10
_USER = re.compile(r"[a-z_][a-z0-9_-]{0,31}\$?")


@dataclass(frozen=True, slots=True)
class Installation:
    """What the service is to be started with."""

    bench_file: Path
    data_dir: Path
    user: str
    group: str = "dialout"
    shop: bool = False
    viewing: str = "open"
    port: int = 8720
    own_screen: str = "secret"


def unit_text(wanted: Installation) -> str:
    """Give the systemd unit.

    `Type=notify`: started once the pages answer. The watchdog is fed only while the service runs and capture
    speaks. There is no `BindsTo` on a device: a cable
    that is pulled out must not stop the bench. `KillMode=process`: a service that died must not take capture
    with it; the next one takes it over. Programs outside ask capture over a socket in /tmp, so that
    folder is not private.
    """
    command = [*_lobewright(), "run", "--bench", str(wanted.bench_file.absolute())]
    command += ["--data", str(wanted.data_dir.absolute()), "--port", str(wanted.port)]
    command += ["--own-screen", wanted.own_screen]
    if wanted.shop:
        command += ["--shop", "--viewing", wanted.viewing]
    return f"""[Unit]
Description=Lobewright, the bench for timing camshafts
After=network.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
WatchdogSec={WATCHDOG_S}
Restart=always
RestartSec=2
User={_user(wanted.user)}
SupplementaryGroups={_user(wanted.group)}
ExecStart={" ".join(_quoted(word) for word in command)}
KillSignal=SIGTERM
TimeoutStartSec=60
TimeoutStopSec=15
KillMode=process
LimitNICE=-15
UMask=0077
NoNewPrivileges=yes
ProtectSystem=full
ProtectKernelTunables=yes
ProtectControlGroups=yes

[Install]
WantedBy=multi-user.target
"""


def rules_text(group: str = "dialout") -> str:
    """Give the udev rule: serial adapters belong to a group, answer at once, and are left alone by others."""
    return f"""# Serial adapters of the bench: open to the group {_user(group)}, and no modem program tries to talk to them.
SUBSYSTEM=="tty", SUBSYSTEMS=="usb", GROUP="{group}", MODE="0660", ENV{{ID_MM_PORT_IGNORE}}="1"
# Some adapters wait 16 ms before they pass on what they have heard; 1 ms makes better stamps.
ACTION=="add", SUBSYSTEM=="usb-serial", DRIVER=="ftdi_sio", ATTR{{latency_timer}}="1"
"""


def write_for_review(wanted: Installation, folder: Path) -> list[str]:
    """Write both files into a folder and give what to do, a line each.

    Raises
    ------
    MisuseError
        The folder cannot be written, the bench file is not there, or a name makes no sense.
    """
    if not wanted.bench_file.is_file():
        raise MisuseError(
            "no_bench_file", f"there is no bench file {wanted.bench_file}; `lobewright ports` starts one."
        )
    texts = {UNIT_NAME: unit_text(wanted), RULES_NAME: rules_text(wanted.group)}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise MisuseError(
            "not_written",
            f"{error.filename or folder} cannot be written ({error.strerror}); choose another --to.",
        ) from None
    unit, rules = shlex.quote(str(folder / UNIT_NAME)), shlex.quote(str(folder / RULES_NAME))
    return [
        f"Written for you to read: {folder / UNIT_NAME} and {folder / RULES_NAME}.",
        "When they are right:",
        f"  sudo install -m 644 {rules} /etc/udev/rules.d/{RULES_NAME}",
        "  sudo udevadm control --reload && sudo udevadm trigger --subsystem-match=tty",
        f"  sudo install -d -o {wanted.user} -m 700 {shlex.quote(str(wanted.data_dir.absolute()))}",
        f"  sudo usermod -aG {wanted.group} {wanted.user}",
        f"  sudo install -m 644 {unit} /etc/systemd/system/{UNIT_NAME}",
        f"  sudo systemctl daemon-reload && sudo systemctl enable --now {UNIT_NAME}",
        "Then look at it:",
        f"  systemctl status {UNIT_NAME}",
        f"  journalctl -u {UNIT_NAME} -f",
        *_let_in(wanted),
    ]


def _let_in(wanted: Installation) -> list[str]:
    """Say how the bench's own screen is let in."""
    if wanted.own_screen != "secret":
        return []
    command = f"{shlex.join(_lobewright())} pair --data {shlex.quote(str(wanted.data_dir.absolute()))} link"
    return [
        "Let the bench's own screen in, once, with the link that this prints:",
        f"  sudo -u {wanted.user} {command}",
    ]


def _lobewright() -> list[str]:
    """Give the command beside the Python that runs us, so that the unit needs no PATH."""
    own = Path(sys.executable).with_name("lobewright")
    return [str(own)] if own.is_file() else [sys.executable, "-m", "api"]


def _quoted(word: str) -> str:
    """Quote a word as systemd reads it."""
    if re.fullmatch(r"[A-Za-z0-9_./:@+=-]+", word):
        return word
    if any(ord(character) < 32 for character in word):
        raise MisuseError("bad_path", f"{word!r} cannot stand in a unit file; choose a plain path.")
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"'


def _user(name: str) -> str:
    if _USER.fullmatch(name):
        return name
    raise MisuseError("bad_account", f"{name!r} is no name of an account or group.")
