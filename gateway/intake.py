"""The connection to the MQTT broker: messages in, acknowledgements out, nothing else.

paho's network thread only puts what arrives into a queue. The pipeline's thread drains it, makes
the messages durable, and then acknowledges them (QoS 1, manual acknowledgement, a session that
outlives the connection): whatever was not acknowledged, the broker sends again.

A broker lets only so many messages wait for acknowledgement at once, 20 by default in many servers:
set it to at least the size of a batch (for instance ``max_inflight_messages 1000``), or draining
goes in small steps. Acknowledgements go out in the order of arrival, which some brokers insist on.
"""

from __future__ import annotations

import ssl
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Lock
from typing import Any, Final, Literal, NamedTuple

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gateway.mqtt_client import ReadAheadClient
from gateway.pulse import Pulse

__all__ = [
    "SPARKPLUG_FILTERS",
    "TOPIC_FILTERS",
    "BrokerSettings",
    "Intake",
    "Message",
    "TlsSettings",
]

TOPIC_FILTERS: Final = ("sites/#",)
SPARKPLUG_FILTERS: Final = ("spBv1.0/#",)
"""All of it, so that what is published under a wrong topic is told and not lost in silence."""

MAX_WAITING: Final = 100_000
"""Messages that may wait to be drained; beyond it QoS 0 messages, which nothing holds back, are
dropped and counted. QoS 1 messages are held back by the broker's in-flight window."""

_RETRY_S: Final = (1, 30)
_ATTEMPT_S: Final = 60.0
"""How long an attempt to connect, with the pause before it, may keep the network thread still."""
_PASSING: Final = ("Server unavailable", "Server busy", "Connection rate exceeded")
"""Refusals that end by themselves (MQTT 3.1.1, table 3.1; MQTT 5, section 3.2.2.2)."""
_NEVER_EXPIRES: Final = 0xFFFF_FFFF  # MQTT 5, section 3.1.2.11.2
_PROTOCOLS: Final = {"3.1.1": MQTTProtocolVersion.MQTTv311, "5": MQTTProtocolVersion.MQTTv5}


@dataclass(frozen=True)
class TlsSettings:
    """How the broker proves who it is, and how we do.

    ``ca_file`` holds the certificates that may sign the broker's (None: those the system trusts).
    ``certificate_file`` and ``key_file`` are ours, for brokers that ask (both or neither).
    """

    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None

    def __post_init__(self) -> None:
        """``ValueError`` for a key without its certificate."""
        if self.key_file is not None and self.certificate_file is None:
            msg = "key_file is given without certificate_file; give both, or neither"
            raise ValueError(msg)


@dataclass(frozen=True)
class BrokerSettings:
    """Where the broker is and how to log on.

    ``client_id`` names the session that the broker keeps for us: it must stay the same from start
    to start, and no second program may use it. ``protocol`` is the MQTT version. ``keep_alive_s``
    is the longest silence before the broker holds us for gone.
    """

    host: str
    port: int = 1883
    client_id: str = "basinward"
    protocol: Literal["3.1.1", "5"] = "3.1.1"
    keep_alive_s: int = 60
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: TlsSettings | None = None

    def __post_init__(self) -> None:
        """``ValueError`` that names every setting that cannot be."""
        problems = []
        try:
            self.host.encode("idna")
        except UnicodeError:
            problems.append(f"host '{self.host}' is not a possible host name")
        if not self.host:
            problems.append("host is empty; give the broker's name or address")
        if not 1 <= self.port <= 65_535:
            problems.append(f"port {self.port} is not between 1 and 65535")
        if not self.client_id:
            problems.append("client_id is empty; the broker keeps our session under it")
        if self.protocol not in _PROTOCOLS:
            problems.append(f"protocol '{self.protocol}' is not one of {', '.join(_PROTOCOLS)}")
        if not 1 <= self.keep_alive_s <= 65_535:
            problems.append(f"keep_alive_s {self.keep_alive_s} is not between 1 and 65535")
        if self.password is not None and self.username is None:
            problems.append("a password is given without a username")
        if problems:
            raise ValueError("; ".join(problems))

    @property
    def address(self) -> str:
        """Host and port, as a person writes them."""
        return f"{self.host}:{self.port}"


class Message(NamedTuple):
    """One message as it arrived.

    ``connection`` counts the connections; ``mid`` means nothing outside its own.
    """

    topic: str
    payload: bytes
    received_ms: int
    mid: int
    qos: int
    connection: int = 0
    retained: bool = False


OnState = Callable[[bool, str], None]
"""Told (connected, why), from the network thread: must be quick and must not raise."""


class Intake:
    """A subscriber whose session outlives it.

    ``clock`` gives the time of receipt (UTC, ms since 1970). ``on_state`` is told once when the
    subscription stands, and once when it does not, with the first reason known; meanwhile the
    intake keeps trying, at intervals growing from 1 to 30 s. Of the same outage only what a person
    must mend is news (a refused log-on or subscription, a certificate), each once.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        clock: Callable[[], int],
        on_state: OnState = lambda _connected, _why: None,
        topic_filters: Sequence[str] = TOPIC_FILTERS,
    ) -> None:
        """Nothing is connected yet; ``OSError`` where a file of the TLS settings is unusable."""
        self._settings = settings
        self._clock = clock
        self._on_state = on_state
        self._filters = [(topic_filter, 1) for topic_filter in topic_filters]
        self._queue: SimpleQueue[Message] = SimpleQueue()
        self._lock = Lock()  # guards _connection against acknowledge() in another thread
        self._connection = 0
        self._told: set[str] = set()  # the reasons told of the present outage
        self._been_connected = False
        self._answered = False
        self._session_lost = False
        self._stopping = False
        self.dropped = 0
        """QoS 0 messages that found :data:`MAX_WAITING` messages before them."""
        self.pulse = Pulse("broker connection")
        self._client = self._make_client()

    def _make_client(self) -> ReadAheadClient:
        s = self._settings
        clean: dict[str, Any] = {} if s.protocol == "5" else {"clean_session": False}
        client = ReadAheadClient(
            CallbackAPIVersion.VERSION2,
            client_id=s.client_id,
            protocol=_PROTOCOLS[s.protocol],
            manual_ack=True,
            **clean,
        )
        client.reconnect_delay_set(*_RETRY_S)
        if s.username is not None:
            client.username_pw_set(s.username, s.password)
        if s.tls is not None:
            client.tls_set_context(_tls_context(s.tls))
        client.on_pre_connect = self._before_connecting
        client.on_connect = self._connected
        client.on_connect_fail = self._not_reached
        client.on_disconnect = self._lost
        client.on_subscribe = self._subscribed
        client.on_message = self._arrived
        client.on_turn = self._turned
        return client

    # --- the pipeline's side ---------------------------------------------------------------------

    def start(self) -> None:
        """Begin connecting, and go on for ever. Does not wait for the connection."""
        s = self._settings
        options: dict[str, Any] = {}
        if s.protocol == "5":
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it so
            properties.SessionExpiryInterval = _NEVER_EXPIRES
            options = {"clean_start": False, "properties": properties}
        self._client.connect_async(s.host, s.port, s.keep_alive_s, **options)
        self._turned()
        self._client.loop_start()

    def stop(self) -> None:
        """Leave the broker in good order; it keeps the session, with what is unacknowledged.

        Acknowledgements given before go out first. May be called twice.
        """
        if self._stopping:
            return
        self._stopping = True
        self._client.disconnect()
        self._client.loop_stop()
        self.pulse.end()
        self._on_state(False, "Disconnected, as told.")

    def drain(self, max_wait_s: float, max_messages: int) -> list[Message]:
        """What has arrived, in order: waits for a first message, then takes all that is there.

        Empty if nothing came within ``max_wait_s``.
        """
        queue = self._queue
        messages: list[Message] = []
        try:
            messages.append(queue.get(timeout=max_wait_s) if max_wait_s > 0 else queue.get_nowait())
            while len(messages) < max_messages:
                messages.append(queue.get_nowait())
        except Empty:
            pass
        return messages

    def acknowledge(self, messages: Iterable[Message]) -> None:
        """Tell the broker that ``messages`` are safe. Call in the order of arrival.

        Messages of an earlier connection are passed over: the broker numbers anew after a
        reconnection, and sends again what it was not told of.
        """
        with self._lock:
            now = self._connection
            self._client.acknowledge([m.mid for m in messages if m.qos and m.connection == now])

    def publish(self, topic: str, payload: bytes) -> None:
        """Send a message with QoS 0, not retained. Without a connection it is dropped."""
        self._client.publish(topic, payload, qos=0, retain=False)

    def subscribe_also(self, topic_filters: Sequence[str]) -> None:
        """Hear these topics too, from now on; those that are heard already are passed over."""
        known = {topic_filter for topic_filter, _ in self._filters}
        more = [(f, 1) for f in topic_filters if f not in known]
        if more:
            # A new list: the network thread may be reading the old one. Without a connection the
            # next one subscribes to all.
            self._filters = [*self._filters, *more]
            if self._client.is_connected():
                self._client.subscribe(self._filters)

    @property
    def waiting(self) -> int:
        """Messages that have arrived and were not drained yet."""
        return self._queue.qsize()

    # --- the network thread's side ---------------------------------------------------------------

    def _arrived(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        if message.qos == 0 and self._queue.qsize() >= MAX_WAITING:
            self.dropped += 1
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(topic is not UTF-8)"
        self._queue.put(
            Message(
                topic,
                bytes(message.payload),
                self._clock(),
                message.mid,
                message.qos,
                self._connection,
                message.retain,
            )
        )

    def _next_connection(self) -> None:
        """From here on acknowledgements of what has arrived so far are dropped."""
        with self._lock:
            self._connection += 1

    def _turned(self) -> None:
        self.pulse.beat(_ATTEMPT_S)

    def _before_connecting(self, _client: Client, _userdata: Any) -> None:
        self._turned()
        self._next_connection()
        self._answered = False

    def _connected(
        self,
        client: Client,
        _userdata: Any,
        flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._answered = True
        if reason.is_failure:
            self._trouble(self._refusal(reason), to_mend=str(reason) not in _PASSING)
            return
        if self._been_connected and not flags.session_present:
            self._session_lost = True
        client.subscribe(self._filters)

    def _refusal(self, reason: ReasonCode) -> str:
        why = f"The broker at {self._settings.address} refuses us: {str(reason).lower()}."
        if str(reason) in ("Bad user name or password", "Not authorized"):
            who = self._settings.username
            todo = (
                f"Check the password of '{who}' and that the broker knows this user."
                if who is not None
                else "It wants a user name and password: set username and password_env under "
                "[broker]."
            )
        elif str(reason) in _PASSING:
            todo = "See the broker's log if this lasts."
        else:
            todo = "Check client_id and protocol under [broker], and the broker's log."
        return f"{why} {todo} Trying again."

    def _not_reached(self, _client: Client, _userdata: Any) -> None:
        # paho calls this while it handles the error, and does not hand it over.
        error = sys.exception()
        s = self._settings
        if isinstance(error, ssl.SSLCertVerificationError):
            todo = (
                f"The broker's certificate is not accepted ({error.verify_message}). Check ca_file "
                "under [broker.tls], and that host is the name in the certificate."
            )
        elif isinstance(error, ssl.SSLError):
            todo = (
                f"No TLS with the broker ({error.reason or error}). Check that the port is the "
                "one for TLS, and the files under [broker.tls]."
            )
        elif isinstance(error, ConnectionResetError) and s.tls is not None:
            todo = "The broker ended the TLS handshake. Check that the port is the one for TLS."
        else:
            what = (error.strerror if isinstance(error, OSError) else None) or error or "No answer"
            todo = f"{what}. Check host and port under [broker], and the network."
        # A broker that is just ending or starting breaks off handshakes: that mends itself.
        broken_off = (ssl.SSLEOFError, ssl.SSLZeroReturnError)
        to_mend = isinstance(error, ssl.SSLError) and not isinstance(error, broken_off)
        self._trouble(
            f"Cannot reach the broker at {s.address}: {todo} Trying again.", to_mend=to_mend
        )

    def _lost(
        self,
        _client: Client,
        _userdata: Any,
        _flags: DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._next_connection()
        s = self._settings
        if not self._answered:
            todo = "See its log." if s.tls else "If the port is one for TLS, add [broker.tls]."
            what = f"The broker at {s.address} ends the connection without an answer."
            self._trouble(f"{what} {todo} Trying again.")
            return
        known = str(reason)
        because = "no reason given" if known == "Unspecified error" else known.lower()
        self._trouble(
            f"Connection to the broker at {s.address} lost ({because}). Trying again. If this "
            f"repeats every few seconds, another program uses client_id '{s.client_id}'."
        )

    def _subscribed(
        self,
        _client: Client,
        _userdata: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        refused = [
            topic_filter
            for (topic_filter, _qos), reason in zip(self._filters, reasons, strict=False)
            if reason.is_failure
        ]
        if refused:
            self._trouble(
                f"The broker at {self._settings.address} refuses the subscription to "
                f"{', '.join(refused)}. Give '{self._settings.username or 'anonymous'}' the right "
                "to read it in the broker's access list, then start the gateway anew.",
                to_mend=True,
            )
            return
        # Only now will messages come; and only now is there a session that could be lost.
        why = f"Connected to the broker at {self._settings.address}."
        if self._session_lost:
            why += (
                " It has kept no session for us: what was sent in the meantime is lost. Make the "
                "broker persist sessions."
            )
        self._been_connected = True
        self._session_lost = False
        self._told.clear()
        self._on_state(True, why)

    def _trouble(self, why: str, *, to_mend: bool = False) -> None:
        """Tell of the outage that begins, or of one more thing in it that a person must mend."""
        if self._stopping or (self._told and (not to_mend or why in self._told)):
            return
        self._told.add(why)
        self._on_state(False, why)


def _tls_context(tls: TlsSettings) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=str(tls.ca_file) if tls.ca_file else None)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.certificate_file is not None:
        context.load_cert_chain(tls.certificate_file, tls.key_file)
    return context
