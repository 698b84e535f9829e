"""paho's client, with one read and one write for many small packets.

paho asks the system for each packet's first byte, its length and its body apart, waits with
``select`` before each packet, and wakes its thread and writes once for each acknowledgement: about
eight system calls a message, which is most of what taking in a message costs. Here the socket reads
ahead, all packets that have come are handled before the next wait, and acknowledgements leave as
one write. The protocol stays paho's. ``tests/benchmarks/bench_intake.py`` has the figures beside
the plain client.

Two names of paho's that are not public are used; ``tests/gateway/test_mqtt_client.py`` tells when
a new version of paho has changed them.
"""

from __future__ import annotations

import socket
import ssl
import struct
from collections.abc import Callable, Sequence
from typing import Final

from paho.mqtt.client import Client
from paho.mqtt.enums import MessageType, MQTTErrorCode

__all__ = ["ReadAheadClient"]

_READ_BYTES: Final = 256 * 1024
_PACKETS_A_TURN: Final = 1_000
"""Packets handled before the loop looks at writing and at keep-alive again."""


class ReadAheadClient(Client):
    """A :class:`paho.mqtt.client.Client` that reads ahead, and acknowledges many at once."""

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Handle all packets that have come, as far as they are here whole."""
        result = super().loop_read(max_packets)
        for _ in range(_PACKETS_A_TURN):
            connection = self.socket()
            if result or not isinstance(connection, _ReadAhead) or not connection.pending():
                break
            result = super().loop_read(max_packets)
        return result

    on_turn: Callable[[], None] = staticmethod(lambda: None)
    """Called by the network thread at each turn of its loop, once a second at least."""

    def loop_misc(self) -> MQTTErrorCode:
        """Look at keep-alive; paho does so at each turn."""
        self.on_turn()
        return super().loop_misc()

    def acknowledge(self, mids: Sequence[int]) -> None:
        """Acknowledge the QoS 1 messages of these packet identifiers, in this order."""
        if mids:
            # MQTT 3.1.1, section 3.4; in MQTT 5 the same bytes mean "success" (section 3.4.2.1).
            acks = b"".join([struct.pack("!BBH", MessageType.PUBACK, 2, mid) for mid in mids])
            self._packet_queue(MessageType.PUBACK, acks, mids[-1], 1)

    def _create_socket(self) -> _ReadAhead:
        return _ReadAhead(super()._create_socket())  # type: ignore[arg-type]  # paho's protocol leaves out what sockets have


class _ReadAhead:
    """A connected socket of which more is read than was asked for."""

    def __init__(self, connection: socket.socket | ssl.SSLSocket) -> None:
        self._connection = connection
        self._ahead = b""
        self._at = 0
        self.send = connection.send
        self.close = connection.close
        self.fileno = connection.fileno
        self.setblocking = connection.setblocking

    def recv(self, buffer_size: int) -> bytes:
        """The next bytes, at most so many; as of a socket, empty at the end of the stream."""
        at = self._at
        if at == len(self._ahead):
            self._ahead = self._connection.recv(_READ_BYTES)
            at = 0
        data = self._ahead[at : at + buffer_size]
        self._at = at + len(data)
        return data

    def pending(self) -> int:
        """Bytes that can be had without waiting; paho looks at this before it waits."""
        ahead = len(self._ahead) - self._at
        if isinstance(self._connection, ssl.SSLSocket):
            ahead += self._connection.pending()
        return ahead
