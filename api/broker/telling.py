"""One connection to a broker: what has changed is told, what cannot be told is left out, and nothing is subscribed to.

The broker keeps the newest of each topic (retained) and says by itself that the bench is not there when it falls
silent (last will). Every `SAID_AGAIN_S` the bench says that it is there and waits for the broker's receipt: while that
is out nothing more is sent, so a slow broker gets the newest numbers later and never a heap of old ones.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from api.base import MisuseError
from api.files import refuse_open_password_file
from api.live import LiveNumbers
from capture.base import BenchFileError
from capture.bench import BrokerOfHouse, load_bench

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessageInfo

log = logging.getLogger(__name__)
TELL_EVERY_S = 0.25
SAID_AGAIN_S = 2.0
KEEP_ALIVE_S = 10
CONNECT_S = 5.0
LONGEST_WAIT_S = 60
SOON_S, THRICE = 90.0, 3
ENDING_S = 2.0
THERE, NOT_THERE = "there", "not there"
PASSWORD, PASSWORD_FILE = "LOBEWRIGHT_MQTT_PASSWORD", "LOBEWRIGHT_MQTT_PASSFILE"
NO_PAHO = "A broker needs the package paho-mqtt: pip install 'lobewright[mqtt]'."
MEASURES_ON = "it is called again by itself, and the bench measures on."


class BrokerStanding(BaseModel):
    """Whether the broker has the live numbers: `state` is none, calling, telling, slow, away or refused."""

    bench: str
    state: str
    left_out: int
    sentence: str


NO_BROKER = BrokerStanding(bench="", state="none", left_out=0, sentence="")


def broker_of(bench_file: Path | None) -> Broker | None:
    """Give the broker that a bench file names, if it names one."""
    if bench_file is None:
        return None
    try:
        named = load_bench(bench_file).mqtt
    except BenchFileError:  # which capture tells
        return None
    return None if named is None else Broker(named)


def password_of(named: BrokerOfHouse) -> str | None:
    """Give the password out of the environment, or out of a file that it names; raises `MisuseError`."""
    password, file = os.environ.get(PASSWORD), os.environ.get(PASSWORD_FILE, "")
    if password is None and file:
        refuse_open_password_file(file)
        try:
            password = Path(file).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError):
            raise MisuseError(
                "no_password_file",
                f"{file}, which {PASSWORD_FILE} names, cannot be read; write the password into it.",
            ) from None
    if password and not named.user:
        raise MisuseError(
            "password_without_user",
            "A password for the broker is given, but no `user` in [mqtt] of the bench file; add it.",
        )
    return password


class Broker:
    """Tells live numbers to one broker; no method waits for the network, and none raises."""

    def __init__(self, named: BrokerOfHouse) -> None:
        self._named = named
        self._client: Client | None = None
        self._state, self._sentence = "calling", f"The broker at {named.address} is being called."
        self._connected = self._connected_anew = False
        self._connected_at_s = 0.0
        self._left_out = self._cut_soon = 0
        self._told: dict[str, str] = {}
        self._receipt: MQTTMessageInfo | None = None
        self._said_at_s = 0.0

    def start(self) -> None:
        """Begin to call, in a thread of the client's own; what makes that impossible is told in `standing`."""
        try:
            self._client = self._made()
        except MisuseError as error:
            self._hear("refused", str(error))
        else:
            self._client.connect_async(self._named.host, self._named.port_or_usual, keepalive=KEEP_ALIVE_S)
            self._client.loop_start()

    def stop(self) -> None:
        """Say that the bench is not there, and end."""
        client = self._client
        if client is None:
            return
        if self._connected:
            self._connected = False
            client.publish(self._topic("there"), NOT_THERE, qos=0, retain=True)
        client.disconnect()
        ending = threading.Thread(target=client.loop_stop, name="broker ending", daemon=True)
        ending.start()  # a call that goes nowhere is not waited for
        ending.join(ENDING_S)

    def standing(self) -> BrokerStanding:
        """Give how it stands."""
        return BrokerStanding(
            bench=self._named.name, state=self._state, left_out=self._left_out, sentence=self._sentence
        )

    def tell(self, numbers: LiveNumbers) -> None:
        """Send what has changed since it was last sent; nothing, while the broker is away or behind."""
        client, now_s = self._client, time.monotonic()
        if client is None or not self._connected:
            return
        if self._connected_anew:
            self._connected_anew = False
            self._told, self._receipt, self._said_at_s = {}, None, now_s - SAID_AGAIN_S
        due = now_s - self._said_at_s >= SAID_AGAIN_S
        if due and self._receipt is not None and not _has_come(self._receipt):
            self._left_out += 1
            if now_s - self._said_at_s >= 2 * SAID_AGAIN_S:
                self._hear(
                    "slow",
                    f"The broker at {self._named.address} takes nothing; what it misses is left out; the bench measures on.",
                )
            return
        for topic, text in _texts(numbers).items():
            if self._told.get(topic) != text:
                client.publish(self._topic(topic), text, qos=0, retain=True)
                self._told[topic] = text
        if due:
            self._receipt = client.publish(self._topic("there"), THERE, qos=1, retain=True)
            self._said_at_s = now_s
        self._hear(
            "telling", f"The broker at {self._named.address} has the live numbers under {self._topic('')}."
        )

    def _made(self) -> Client:
        """The client as the bench file wants it; raises `MisuseError` where that cannot be. Nothing is connected yet."""
        try:
            from paho.mqtt.client import Client, MQTTv311
            from paho.mqtt.enums import CallbackAPIVersion
        except ImportError:
            raise MisuseError("no_paho", NO_PAHO) from None
        named = self._named
        # One name, one place at the broker: it ends the older connection of two that bear the same.
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"lobewright-{named.name}",
            protocol=MQTTv311,
            clean_session=True,
        )
        client.connect_timeout = CONNECT_S
        client.reconnect_delay_set(1, LONGEST_WAIT_S)
        client.will_set(self._topic("there"), NOT_THERE, qos=1, retain=True)
        password = password_of(named)
        if named.user:
            client.username_pw_set(named.user, password)
        if named.tls:
            try:
                client.tls_set(ca_certs=named.certificates or None)
            except (OSError, ValueError):
                raise MisuseError(
                    "bad_certificates",
                    f"{named.certificates}, which `certificates` in [mqtt] names, holds no certificates that can be read.",
                ) from None
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_connect_fail = self._on_connect_fail
        return client

    def _topic(self, name: str) -> str:
        return f"lobewright/{self._named.name}/{name}"

    # -- what the client's thread hears

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            self._hear(
                "away",
                f"The broker at {self._named.address} lets this bench not in: {_plain(reason)}; {MEASURES_ON}",
            )
            return
        self._connected_at_s = time.monotonic()
        self._connected = self._connected_anew = True

    def _on_disconnect(self, client: Client, _data: Any, _flags: Any, _reason: Any, _more: Any) -> None:
        if not self._connected:  # it was never let in, or this is the end
            return
        self._connected = False
        soon = time.monotonic() - self._connected_at_s < SOON_S
        self._cut_soon = self._cut_soon + 1 if soon else 0
        if self._cut_soon >= THRICE:
            client.reconnect_delay_set(LONGEST_WAIT_S // 2, LONGEST_WAIT_S)
            self._hear(
                "away",
                f"The broker at {self._named.address} ends every connection at once, as it does where another bench is "
                f"called {self._named.name!r} too: give this one a name of its own in [mqtt]; {MEASURES_ON}",
            )
        else:
            self._hear("away", f"The broker at {self._named.address} broke off; {MEASURES_ON}")

    def _on_connect_fail(self, _client: Client, _data: Any) -> None:
        error = sys.exception()
        why = str(getattr(error, "strerror", None) or error or "no answer").rstrip(".")
        self._hear("away", f"The broker at {self._named.address} cannot be reached: {why}; {MEASURES_ON}")

    def _hear(self, state: str, sentence: str) -> None:
        if state not in {"telling", self._state}:
            log.warning("%s", sentence)
        self._state, self._sentence = state, sentence


def _texts(numbers: LiveNumbers) -> dict[str, str]:
    """Give what each topic says."""
    texts = {name: getattr(numbers, name).model_dump_json() for name in ("bench", "number", "to_go")}
    return texts | {f"reading/{name}": one.model_dump_json() for name, one in numbers.readings.items()}


def _has_come(receipt: MQTTMessageInfo) -> bool:
    try:
        return receipt.is_published()
    except (RuntimeError, ValueError):  # it was never sent
        return True


def _plain(reason: Any) -> str:
    return str(reason).rstrip(".").lower()
