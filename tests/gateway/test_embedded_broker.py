"""The embedded broker does what the demonstration needs of a broker."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from queue import Queue

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from gateway.embedded_broker import EmbeddedBroker, EmbeddedBrokerError, free_port
from gateway.intake import BrokerSettings, Intake, Message

PATIENCE_S = 120.0
TOPIC = "sites/quay/ac-1/senml"


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    with EmbeddedBroker() as running:
        yield running


class Peer:
    """A client with a session of its own."""

    def __init__(self, port: int, name: str, will: tuple[str, str] | None = None) -> None:
        self.came: Queue[MQTTMessage] = Queue()
        self.client = Client(CallbackAPIVersion.VERSION2, client_id=name)
        self.client.on_message = lambda _c, _u, message: self.came.put(message)
        if will:
            self.client.will_set(*will, qos=1, retain=True)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def publish(self, *payloads: str | bytes, topic: str = TOPIC, retain: bool = False) -> None:
        for info in [self.client.publish(topic, p, 1, retain) for p in payloads]:
            info.wait_for_publish(PATIENCE_S)
            assert info.is_published()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def vanish(self) -> None:
        """Without a word, as when the power fails."""
        self.client.loop_stop()
        sock = self.client.socket()
        assert sock is not None
        sock.close()


def intake_at(broker: EmbeddedBroker) -> tuple[Intake, Queue[tuple[bool, str]]]:
    states: Queue[tuple[bool, str]] = Queue()
    intake = Intake(
        BrokerSettings("127.0.0.1", broker.port), lambda: 0, lambda *told: states.put(told)
    )
    intake.start()
    assert states.get(timeout=PATIENCE_S)[0]
    return intake, states


def take(intake: Intake, count: int) -> list[Message]:
    messages: list[Message] = []
    while len(messages) < count:
        new = intake.drain(PATIENCE_S, count - len(messages))
        assert new, f"{len(messages)} of {count} messages came"
        messages += new
    return messages


def test_retained_status_reaches_a_later_subscriber_and_the_will_replaces_it(broker):
    site = Peer(broker.port, "site", will=("sites/quay/status", "offline"))
    site.publish("online", topic="sites/quay/status", retain=True)
    intake, _ = intake_at(broker)
    (message,) = take(intake, 1)
    assert (message.topic, message.payload, message.retained) == (
        "sites/quay/status", b"online", True,
    )  # fmt: skip
    intake.acknowledge([message])
    site.vanish()
    (message,) = take(intake, 1)
    assert (message.payload, message.retained) == (b"offline", False)
    intake.stop()

    late = Peer(broker.port, "late")
    late.client.subscribe("sites/+/status", 1)
    assert late.came.get(timeout=PATIENCE_S).payload == b"offline"
    late.close()


def test_unacknowledged_messages_come_again_to_the_same_session(broker):
    intake, _ = intake_at(broker)
    site = Peer(broker.port, "site")
    site.publish("1", "2", "3")
    intake.acknowledge(take(intake, 3)[:1])
    intake.stop()
    site.publish("4")
    site.close()
    intake, _ = intake_at(broker)
    assert [m.payload for m in take(intake, 3)] == [b"2", b"3", b"4"]
    intake.stop()


def test_a_hundred_messages_are_in_flight_and_the_rest_follows(broker):
    """The window that the module's description tells."""
    intake, _ = intake_at(broker)
    site = Peer(broker.port, "site")
    site.publish(*[str(i) for i in range(1200)])
    seen = take(intake, 100)
    assert intake.drain(0, 10) == []
    intake.acknowledge(seen)
    while len(seen) < 1200:
        batch = intake.drain(PATIENCE_S, 1000)
        assert batch
        intake.acknowledge(batch)
        seen += batch
    assert [m.payload for m in seen] == [str(i).encode() for i in range(1200)]
    intake.stop()
    site.close()


def test_a_message_of_the_decoders_limit_and_one_above_pass(broker):
    intake, _ = intake_at(broker)
    site = Peer(broker.port, "site")
    site.publish(b"x" * 256 * 1024, b"x" * (256 * 1024 + 1))
    assert [len(m.payload) for m in take(intake, 2)] == [262_144, 262_145]
    intake.stop()
    site.close()


def test_the_port_is_free_after_stop_and_can_be_taken_again():
    with EmbeddedBroker() as broker:
        port = broker.port
        assert broker.running
    assert not broker.running
    broker.stop()
    with EmbeddedBroker(port=port) as again:
        assert again.port == port


def test_a_taken_port_is_told(broker):
    with pytest.raises(EmbeddedBrokerError, match=f"does not start on 127.0.0.1:{broker.port}"):
        EmbeddedBroker(port=broker.port).start()


def test_it_refuses_to_listen_to_the_network():
    with pytest.raises(ValueError, match="loopback"):
        EmbeddedBroker(host="0.0.0.0")  # noqa: S104 - that it is refused is the point


def test_a_missing_package_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "iotcore", None)
    with pytest.raises(EmbeddedBrokerError, match="'demo' extra"):
        EmbeddedBroker().start()


def test_it_ends_when_the_program_that_started_it_is_killed():
    """The port must not stay taken by an orphan."""
    port = free_port()
    program = (
        "import sys; from gateway.embedded_broker import EmbeddedBroker\n"
        f"EmbeddedBroker(port={port}).start(); print('up', flush=True); sys.stdin.read()"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "up\n"
    watcher = Peer(port, "watcher")
    gone: Queue[object] = Queue()
    watcher.client.on_disconnect = lambda *_: gone.put(None)
    child.kill()
    child.wait(PATIENCE_S)
    gone.get(timeout=PATIENCE_S)
    watcher.close()
    child.stdout.close()
    assert child.stdin is not None
    child.stdin.close()
