"""One site's connection to the broker: last will, greeting, bounded window of open messages."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

__all__ = ["BrokerAddress", "BrokerError", "Message", "Presence", "SiteClient", "SiteStatus"]


class BrokerError(RuntimeError):
    """The broker cannot be reached or refuses; the text says what to check."""


@dataclass(frozen=True)
class BrokerAddress:
    """Where the broker is. ``{site}`` in ``username`` stands for the site's id."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str = ""
    password: str = ""
    ca_file: str = ""
    keep_alive_s: int = 30


class Message(NamedTuple):
    """Something to publish."""

    topic: str
    payload: bytes
    retain: bool


class Presence(Protocol):
    """What a connection says of itself. Times are the clock's. [ms since 1970]"""

    def will(self, time_ms: int) -> Message:
        """What the broker is to publish should the connection break."""
        ...

    def hello(self, time_ms: int) -> list[Message]:
        """What is said on every connection."""
        ...

    def goodbye(self, time_ms: int) -> Message:
        """What is said before leaving in order."""
        ...

    def stamp(self, payload: bytes) -> bytes:
        """A payload as it is to be sent now."""
        ...


@dataclass(frozen=True)
class SiteStatus:
    """The retained ``online`` or ``offline`` of a site that speaks SenML."""

    site: str

    def will(self, time_ms: int) -> Message:  # noqa: ARG002  # as the protocol says
        """``offline``."""
        return Message(f"sites/{self.site}/status", b"offline", retain=True)

    def hello(self, time_ms: int) -> list[Message]:  # noqa: ARG002  # as the protocol says
        """``online``."""
        return [Message(f"sites/{self.site}/status", b"online", retain=True)]

    def goodbye(self, time_ms: int) -> Message:
        """``offline``."""
        return self.will(time_ms)

    def stamp(self, payload: bytes) -> bytes:
        """As it is."""
        return payload


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


class SiteClient:
    """Publishes for one site at QoS 1. Not for use from several threads at once."""

    def __init__(
        self,
        site: str,
        address: BrokerAddress,
        stop: threading.Event,
        window: int = 200,
        presence: Presence | None = None,
    ) -> None:
        """``window`` messages may be unacknowledged at once."""
        self.site = site
        self._presence = presence or SiteStatus(site)
        self.connected = False
        self._address = address
        self._stop = stop
        self._size = window
        self._window = threading.Semaphore(window)
        self._idle = threading.Condition()
        self._waiting = 0
        self._client: mqtt.Client | None = None

    def connect(self, timeout_s: float = 15.0) -> None:
        """Connect and say hello; raises :class:`BrokerError` if that fails in time."""
        answered = threading.Event()
        refusals: list[str] = []

        def on_connect(
            client: mqtt.Client, _userdata: object, _flags: mqtt.ConnectFlags,
            reason: ReasonCode, _properties: Properties | None,
        ) -> None:  # fmt: skip
            if reason.is_failure:
                refusals.append(str(reason))
            else:
                # On every connection, so that all is right again after a lost one.
                hello = self._presence.hello(_now_ms())
                with self._idle:
                    self._waiting += len(hello)
                for message in hello:
                    client.publish(message.topic, message.payload, qos=1, retain=message.retain)
            answered.set()

        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"site-{self.site}")
        client.on_connect = on_connect
        client.on_publish = self._on_publish
        client.max_inflight_messages_set(self._size + 1)
        will = self._presence.will(_now_ms())
        client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
        if self._address.username:
            name = self._address.username.replace("{site}", self.site)
            client.username_pw_set(name, self._address.password or None)
        if self._address.ca_file:
            client.tls_set(ca_certs=self._address.ca_file)
        self._window = threading.Semaphore(self._size)
        self._waiting = 0
        where = f"broker {self._address.host}:{self._address.port}"
        try:
            client.connect(self._address.host, self._address.port, self._address.keep_alive_s)
        except OSError as error:
            msg = f"{where} cannot be reached ({error}); check that it runs, and host and port"
            raise BrokerError(msg) from error
        client.loop_start()
        if not answered.wait(timeout_s) or refusals:
            client.loop_stop()
            why = refusals[0] if refusals else f"no answer within {timeout_s:g} s"
            msg = f"{where} does not accept site {self.site} ({why}); check user name and password"
            raise BrokerError(msg)
        self._client = client
        self.connected = True

    def _on_publish(
        self, _client: mqtt.Client, _userdata: object, _mid: int,
        _reason: ReasonCode, _properties: Properties,
    ) -> None:  # fmt: skip
        self._window.release()
        with self._idle:
            self._waiting = max(0, self._waiting - 1)
            if self._waiting == 0:
                self._idle.notify_all()

    def publish(self, topic: str, payload: bytes) -> bool:
        """Hand over one message, waiting while the window is full; False if told to stop."""
        client = self._client
        if client is None:
            msg = f"site {self.site} is not connected"
            raise BrokerError(msg)
        while not self._window.acquire(timeout=0.5):
            if self._stop.is_set():
                return False
        with self._idle:
            self._waiting += 1
        client.publish(topic, self._presence.stamp(payload), qos=1)
        return True

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until the broker has acknowledged all; False if it did not in time."""
        with self._idle:
            return self._idle.wait_for(lambda: self._waiting == 0, timeout_s)

    def cut(self) -> None:
        """Break the connection without a farewell, so that the broker publishes the last will."""
        client, self._client = self._client, None
        if client is None:
            return
        self.connected = False
        self.flush(2.0)
        line = client.socket()
        client.loop_stop()
        # A web-socket transport would have another type; this client uses TCP or TLS.
        if isinstance(line, socket.socket):
            # The other side may have closed already; then there is nothing left to break.
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Say goodbye and leave in order."""
        client, self._client = self._client, None
        if client is None:
            return
        self.connected = False
        self.flush(5.0)
        with self._idle:
            self._waiting += 1
        goodbye = self._presence.goodbye(_now_ms())
        client.publish(goodbye.topic, goodbye.payload, qos=1, retain=goodbye.retain)
        self.flush(2.0)
        client.disconnect()
        client.loop_stop()
