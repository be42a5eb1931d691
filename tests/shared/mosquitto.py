"""An ordinary MQTT broker of the tests' own, and somebody of the house who listens to it."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import threading
from pathlib import Path
from typing import Any

from free_ports import free_port
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from waiting import until


class Mosquitto:
    """One broker; may be killed, stopped in its tracks, and started again. Keeps nothing over its end."""

    def __init__(self, folder: Path, *settings: str, port: int = 0) -> None:
        self.port = port or free_port()
        self._file, self._log = folder / "mosquitto.conf", folder / "mosquitto.log"
        user = "user root\n" if os.geteuid() == 0 else ""
        said = settings or ("allow_anonymous true",)
        self._file.write_text(
            f"{user}listener {self.port} 127.0.0.1\npersistence false\n" + "\n".join(said) + "\n"
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> Mosquitto:
        """Start it and wait until it listens."""
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
        if program is None:
            raise RuntimeError("no MQTT broker is installed: sudo apt-get install mosquitto")
        before = self.said().count("running")
        with self._log.open("ab") as log:
            self.process = subprocess.Popen([program, "-v", "-c", str(self._file)], stdout=log, stderr=log)
        until(lambda: self.said().count("running") > before, "the broker runs", 20)
        return self

    def said(self) -> str:
        """Give its log."""
        return self._log.read_text(errors="replace") if self._log.exists() else ""

    def send_signal(self, number: int) -> None:
        """Stop it in its tracks, or let it go on."""
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """End it at once."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()

    def __enter__(self) -> Mosquitto:
        return self.start()

    def __exit__(self, *_: object) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGCONT)
        self.kill()


class Listener:
    """Somebody who listens to everything of a bench; `told` has the newest of each topic, `heard` counts."""

    def __init__(self, port: int, name: str = "east", password: str = "") -> None:
        self.told: dict[str, str] = {}
        self.retained: set[str] = set()
        self.heard: list[tuple[str, str]] = []
        self._beginning = f"lobewright/{name}/"
        self._up = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2)
        if password:
            self.client.username_pw_set(name, password)
        self.client.on_connect = lambda client, *_: client.subscribe(f"{self._beginning}#", 1)
        self.client.on_subscribe = lambda *_: self._up.set()
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._up.wait(20), "the broker lets nobody listen"

    def parsed(self, topic: str) -> dict[str, Any]:
        """Give what a topic says, nothing while it has said nothing."""
        told: dict[str, Any] = json.loads(self.told.get(topic, "{}"))
        return told

    def __enter__(self) -> Listener:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _hear(self, _client: object, _data: object, message: Any) -> None:
        topic, text = message.topic.removeprefix(self._beginning), message.payload.decode()
        self.told[topic] = text
        self.heard.append((topic, text))
        if message.retain:
            self.retained.add(topic)
