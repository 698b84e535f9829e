"""Mosquitto with the configuration of deploy/, on a free loopback port, and clients to try it with.

Only port, paths and (as root) the user are other than on a server; a main file as Debian's, or that
of deploy/compose, includes the one of deploy/mosquitto.
"""

from __future__ import annotations

import os
import signal
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from support.broker import Certificates, Mosquitto

__all__ = ["DEPLOYED", "AsUser", "DeployedBroker"]

DEPLOYED = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto" / "basinward.conf"
_WITHIN_S = 120.0


_DEBIANS = """\
persistence true
persistence_location /mosquitto/data/
log_dest stderr
include_dir /etc/mosquitto/conf.d
"""
"""/etc/mosquitto/mosquitto.conf of Debian 12, its log and data in the test's places."""


class DeployedBroker(Mosquitto):
    """``access`` is the folder that ``basinward broker-access --out`` has written.

    ``main`` is the main file's text, with the places of the container. With ``asks`` the lines that
    ask for clients' certificates are no comment.
    """

    def __init__(
        self,
        directory: Path,
        access: Path,
        certificates: Certificates,
        *,
        main: str = _DEBIANS,
        asks: bool = False,
    ) -> None:
        super().__init__(directory)
        self._main = main
        self._asks = asks
        self._access = access
        self._server = certificates
        self.ca_file = certificates.ca_file

    def reload(self) -> None:
        """SIGHUP, and wait until it has read its files again."""
        before = self.log.count("Reloading config")
        os.kill(self.pid, signal.SIGHUP)
        self.wait_for_log("Reloading config", before + 1)

    def wait_for_log(self, words: str, count: int = 1) -> None:
        """Wait until it has said so."""
        pause = threading.Event()
        for _ in range(int(_WITHIN_S / 0.02)):
            if self.log.count(words) >= count:
                return
            pause.wait(0.02)
        raise AssertionError(f"{words!r} was not said:\n{self.log}")

    def _write_configuration(self) -> None:
        text = DEPLOYED.read_text()
        for old, new in (
            ("listener 8883\n", f"listener {self.port} 127.0.0.1\n"),
            ("/etc/mosquitto/certs/server.pem", str(self._server.server_certificate)),
            ("/etc/mosquitto/certs/server.key", str(self._server.server_key)),
            ("/etc/mosquitto/basinward", str(self._access)),
        ):
            assert old in text
            text = text.replace(old, new)
        if self._asks:
            for line in (
                "cafile /etc/mosquitto/ca_certificates/ca.pem",
                "require_certificate true",
            ):
                assert f"\n#{line}\n" in text
                text = text.replace(f"#{line}", line)
            text = text.replace("/etc/mosquitto/ca_certificates/ca.pem", str(self.ca_file))
        more = self.directory / "conf.d"
        more.mkdir(exist_ok=True)
        (more / "basinward.conf").write_text(text)
        main = self._main
        for old, new in (("/mosquitto/data/", f"{self.directory}/"),
                         ("/etc/mosquitto/conf.d", str(more))):  # fmt: skip
            assert old in main
            main = main.replace(old, new)
        main += "log_type all\n"
        if os.geteuid() == 0:
            main += "user root\n"  # else it changes to a user that cannot read here
        (self.directory / "mosquitto.conf").write_text(main)


class AsUser:
    """A client that logs on by name and password over TLS, for the length of a block.

    The block begins when the broker has answered; :attr:`answer` is what it said.
    """

    def __init__(
        self,
        broker: DeployedBroker,
        user: str | None,
        password: str | None = None,
        *,
        client_id: str = "",
        version: str = "3.1.1",
        keeps_session: bool = False,
        will: tuple[str, str] | None = None,
        tls: bool = True,
        certificate: tuple[Path, Path] | None = None,
    ) -> None:
        options: dict[str, Any] = {"clean_session": not keeps_session} if version != "5" else {}
        self.client = Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, reconnect_on_failure=False,
            protocol=MQTTProtocolVersion.MQTTv5 if version == "5" else MQTTProtocolVersion.MQTTv311,
            **options,
        )  # fmt: skip
        if user is not None:
            self.client.username_pw_set(user, password)
        if tls:
            context = ssl.create_default_context(cafile=str(broker.ca_file))
            if certificate is not None:
                context.load_cert_chain(*certificate)
            self.client.tls_set_context(context)
        if will is not None:
            self.client.will_set(*will, qos=1, retain=True)
        self._port = broker.port
        self._got: SimpleQueue[tuple[str, str]] = SimpleQueue()
        self._answers: SimpleQueue[str] = SimpleQueue()
        self._acknowledged: SimpleQueue[str] = SimpleQueue()
        self._granted: SimpleQueue[list[str]] = SimpleQueue()
        self.gone = threading.Event()
        self.answer = ""
        self.client.on_connect = lambda _c, _u, _f, reason, _p: self._answers.put(str(reason))
        self.client.on_disconnect = self._ended
        self.client.on_message = self._arrived
        self.client.on_publish = lambda _c, _u, _m, reason, _p: self._acknowledged.put(str(reason))
        self.client.on_subscribe = lambda _c, _u, _m, reasons, _p: self._granted.put(
            [str(r) for r in reasons]
        )

    def __enter__(self) -> Self:
        self.client.connect("127.0.0.1", self._port)
        self.client.loop_start()
        self.answer = self._answers.get(timeout=_WITHIN_S)
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def break_off(self) -> None:
        """Close the connection without a word, so that the broker publishes the last will."""
        sock = self.client.socket()
        assert sock is not None
        self.client.loop_stop()
        sock.close()

    def subscribe(self, *filters: str) -> None:
        """Wait until the broker has answered the subscription."""
        self.client.subscribe([(topic, 1) for topic in filters])
        self._granted.get(timeout=_WITHIN_S)

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> str:
        """With QoS 1; what the broker's acknowledgement says (3.1.1 can only say success)."""
        self.client.publish(topic, payload, qos=1, retain=retain)
        return self._acknowledged.get(timeout=_WITHIN_S)

    def got(self) -> tuple[str, str]:
        """The next message: topic and payload."""
        return self._got.get(timeout=_WITHIN_S)

    def got_nothing(self) -> bool:
        """Whether nothing more has come; ask when something later is known to have come."""
        try:
            self._got.get_nowait()
        except Empty:
            return True
        return False

    def _arrived(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        self._got.put((message.topic, message.payload.decode()))

    def _ended(self, *about: Any) -> None:
        self.gone.set()
        reason: Callable[[], str] = about[3].getName if len(about) > 3 else lambda: ""
        self._answers.put(str(reason()))
