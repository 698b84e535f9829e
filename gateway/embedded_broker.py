"""A broker of our own for the demonstration and for trying out: nothing to install or configure.

Wraps the broker that the optional package ``iotcore`` carries (rumqttd, compiled into the wheel).
It runs in a child process that ends with :meth:`EmbeddedBroker.stop`, and when this process dies.

What was tried with it, in the tests of this module: retained messages, last will, QoS 1, redelivery
to a session that outlives its connection, messages kept for a subscriber that is away, 256 KiB
packets. Its limits:

- Sessions, waiting messages and retained messages live in its memory: they are gone when it ends.
- What waits for a subscriber is kept in memory too, up to a bound of the broker's own that was not
  reached in trials (300 MB came back complete); beyond it the oldest would be lost.
- MQTT 3.1.1 only, no TLS, no users: it binds to the loopback interface and refuses any other.
- 100 messages wait for acknowledgement at most, whatever it is told, so a batch is no larger.
- Acknowledgements must come in the order of delivery; it drops a client whose do not.
- A packet above ``max_payload_bytes`` ends the sender's connection, with no word why.
- Redelivered messages do not carry the DUP flag, and get new packet identifiers.

A site that is to be watched in earnest wants a broker that keeps sessions on disk.
"""

from __future__ import annotations

import ipaddress
import socket
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self

if TYPE_CHECKING:
    from iotcore import Broker

__all__ = ["EmbeddedBroker", "EmbeddedBrokerError", "free_port"]

MAX_PAYLOAD_BYTES: Final = 512 * 1024
"""Twice what the decoder takes, so that a message that is too large is told, not cut off."""

MAX_CONNECTIONS: Final = 2000

_PORT_ATTEMPTS: Final = 5


class EmbeddedBrokerError(RuntimeError):
    """There is no embedded broker here, or it did not start; the text says what to do."""


def free_port(host: str = "127.0.0.1") -> int:
    """A TCP port that nothing listens on at this moment."""
    with socket.socket() as probe:
        probe.bind((host, 0))
        port: int = probe.getsockname()[1]
    return port


class EmbeddedBroker:
    """An MQTT 3.1.1 broker on the loopback interface, for as long as the block lasts.

    ``port`` 0 takes a free one, which :attr:`port` tells once started.
    """

    def __init__(
        self,
        port: int = 0,
        host: str = "127.0.0.1",
        max_payload_bytes: int = MAX_PAYLOAD_BYTES,
    ) -> None:
        """Nothing is started yet. ``ValueError`` for a host that is not a loopback address."""
        if not ipaddress.ip_address(host).is_loopback:
            msg = (
                f"The embedded broker asks nobody for a password, so it does not listen on {host}; "
                "give a loopback address such as 127.0.0.1, or install a broker."
            )
            raise ValueError(msg)
        self.host = host
        self.port = port
        self._options: dict[str, Any] = {
            "max_payload_size": max_payload_bytes,
            "max_connections": MAX_CONNECTIONS,
        }
        self._broker: Broker | None = None

    def start(self) -> Self:
        """Start it and wait until it takes connections.

        Raises :class:`EmbeddedBrokerError` where the package is missing, the port is taken
        or the broker does not come up.
        """
        try:
            from iotcore import Broker  # noqa: PLC0415 - an optional package, only for this class
        except ImportError as error:
            msg = (
                "The embedded broker is not installed. Install basinward with its 'demo' extra, "
                "or run a broker and name it under [broker] in fleet.toml."
            )
            raise EmbeddedBrokerError(msg) from error
        # Between finding a free port and binding it somebody else may take it: then another one.
        for attempt in range(1 if self.port else _PORT_ATTEMPTS):
            port = self.port or free_port(self.host)
            broker = Broker(port=port, listen=self.host, **self._options)
            try:
                broker.start()
            except (OSError, RuntimeError) as error:
                if self.port or attempt == _PORT_ATTEMPTS - 1:
                    msg = f"The embedded broker does not start on {self.host}:{port}: {error}."
                    raise EmbeddedBrokerError(msg) from error
            else:
                self._broker, self.port = broker, port
                break
        return self

    def stop(self) -> None:
        """End it; the port is free when this returns. May be called twice."""
        if self._broker is not None:
            self._broker.stop()
            self._broker = None

    @property
    def running(self) -> bool:
        """Whether the broker's process is alive."""
        return self._broker is not None and bool(self._broker.is_running)

    def __enter__(self) -> Self:
        """Start."""
        return self.start()

    def __exit__(
        self,
        _type: type[BaseException] | None,
        _error: BaseException | None,
        _traceback: TracebackType | None,
    ) -> None:
        """Stop."""
        self.stop()
