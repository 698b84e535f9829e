"""The intake against a real broker: nothing acknowledged before told, nothing lost, clear words."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import Queue
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from support.broker import Certificates, Mosquitto, make_certificates
from support.ports import free_port

from gateway.intake import BrokerSettings, Intake, Message, TlsSettings

PATIENCE_S = 120.0
TOPIC = "sites/quay/ac-1/senml"


class Publisher:
    """A site that publishes with QoS 1 and waits until the broker has it."""

    def __init__(self, port: int) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="site-under-test")
        self._client.max_inflight_messages_set(1000)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def publish(
        self, *payloads: str, topic: str = TOPIC, qos: int = 1, retain: bool = False
    ) -> None:
        for info in [self._client.publish(topic, p, qos, retain) for p in payloads]:
            info.wait_for_publish(PATIENCE_S)
            assert info.is_published()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class States:
    """What the intake told of its connection, in order."""

    def __init__(self) -> None:
        self.told: Queue[tuple[bool, str]] = Queue()

    def __call__(self, connected: bool, why: str) -> None:
        self.told.put((connected, why))

    def next(self) -> tuple[bool, str]:
        return self.told.get(timeout=PATIENCE_S)


# What a broker answers (MQTT 3.1.1, sections 3.2 and 3.9).
CONNACK_ACCEPTED = bytes([0x20, 2, 0, 0])
CONNACK_UNAVAILABLE = bytes([0x20, 2, 0, 3])
CONNACK_BAD_PASSWORD = bytes([0x20, 2, 0, 4])


class Door:
    """Stands in for a broker at ``port``: takes connections, answers each as told, and ends it."""

    def __init__(self, port: int) -> None:
        self._listener = socket.create_server(("127.0.0.1", port))
        self._listener.settimeout(PATIENCE_S)

    def __enter__(self) -> Door:
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()

    def answer(self, connack: bytes = b"") -> None:
        """Take the next connection, answer its CONNECT, read what else it says, and end it."""
        connection, _ = self._listener.accept()
        with connection:
            connection.settimeout(PATIENCE_S)
            assert connection.recv(4096)[0] == 0x10, "CONNECT"
            connection.sendall(connack)
            if connack == CONNACK_ACCEPTED:
                assert connection.recv(4096)[0] == 0x82, "SUBSCRIBE"


@pytest.fixture(autouse=True)
def brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Failed attempts follow one another at once."""
    monkeypatch.setattr("gateway.intake._RETRY_S", (0.05, 0.2))


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as running:
        yield running


@pytest.fixture
def started() -> Iterator[Callable[..., tuple[Intake, States]]]:
    """Makes started intakes, and stops them after the test."""
    intakes: list[Intake] = []

    def make(port: int, **settings: Any) -> tuple[Intake, States]:
        states = States()
        host = settings.pop("host", "127.0.0.1")
        intake = Intake(
            BrokerSettings(host, port, **settings), clock=lambda: 1_700_000_000_000, on_state=states
        )
        intake.start()
        intakes.append(intake)
        return intake, states

    yield make
    for intake in intakes:
        intake.stop()


def take(intake: Intake, count: int) -> list[Message]:
    """Drain until ``count`` messages are there."""
    messages: list[Message] = []
    while len(messages) < count:
        new = intake.drain(PATIENCE_S, count - len(messages))
        assert new, f"{len(messages)} of {count} messages came"
        messages += new
    return messages


def bodies(messages: list[Message]) -> list[str]:
    return [m.payload.decode() for m in messages]


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_messages_arrive_in_order_with_topic_and_time_of_receipt(broker, started, protocol):
    intake, states = started(broker.port, protocol=protocol)
    assert states.next() == (True, f"Connected to the broker at 127.0.0.1:{broker.port}.")
    publisher = Publisher(broker.port)
    publisher.publish(*[str(i) for i in range(200)])
    publisher.close()
    messages = take(intake, 200)
    assert bodies(messages) == [str(i) for i in range(200)]
    assert {m.topic for m in messages} == {TOPIC}
    assert {m.received_ms for m in messages} == {1_700_000_000_000}
    assert {m.qos for m in messages} == {1}
    assert intake.drain(0, 10) == []


def test_drain_takes_no_more_than_asked(broker, started):
    intake, states = started(broker.port)
    states.next()
    publisher = Publisher(broker.port)
    publisher.publish("a", "b", "c")
    publisher.close()
    assert len(take(intake, 2)) == 2
    assert bodies(take(intake, 1)) == ["c"]


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_what_was_not_acknowledged_comes_again_after_a_reconnection(broker, started, protocol):
    first, states = started(broker.port, protocol=protocol)
    states.next()
    publisher = Publisher(broker.port)
    publisher.publish("1", "2", "3", "4")
    messages = take(first, 4)
    first.acknowledge(messages[:2])
    first.stop()
    publisher.publish("5")
    publisher.close()

    second, states = started(broker.port, protocol=protocol)
    assert states.next()[0]
    assert bodies(take(second, 3)) == ["3", "4", "5"]


def test_messages_wait_while_the_gateway_is_away(tmp_path, started):
    with Mosquitto(tmp_path / "broker", durable=False) as broker:
        first, states = started(broker.port)
        states.next()
        first.stop()
        publisher = Publisher(broker.port)
        publisher.publish(*[str(i) for i in range(1500)])
        publisher.close()
        second, _ = started(broker.port)
        seen: list[str] = []
        while len(seen) < 1500:
            batch = second.drain(PATIENCE_S, 500)
            assert batch
            second.acknowledge(batch)
            seen += bodies(batch)
        assert seen == [str(i) for i in range(1500)]


def test_acknowledged_messages_do_not_come_again(broker, started):
    first, states = started(broker.port)
    states.next()
    publisher = Publisher(broker.port)
    publisher.publish("1", "2")
    first.acknowledge(take(first, 2))
    first.stop()
    publisher.publish("3")
    publisher.close()
    second, _ = started(broker.port)
    assert bodies(take(second, 1)) == ["3"]
    assert second.drain(0, 10) == []


_CONSUMER = """
import sys
from gateway.intake import BrokerSettings, Intake
intake = Intake(BrokerSettings("127.0.0.1", int(sys.argv[1])), clock=lambda: 0)
intake.start()
seen = 0
while True:
    messages = intake.drain(60, 10)
    if seen == 0:
        intake.acknowledge(messages[:1])
    seen += len(messages)
    print(len(messages), flush=True)
"""


def test_a_killed_gateway_loses_nothing_that_it_had_not_acknowledged(broker, started):
    """SIGKILL after receipt and before acknowledgement."""
    consumer = subprocess.Popen(
        [sys.executable, "-c", _CONSUMER, str(broker.port)],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )  # fmt: skip
    try:
        publisher = Publisher(broker.port)
        # The session exists once the subscriber is there: a retained message proves that it is.
        publisher.publish("online", topic="sites/quay/status", retain=True)
        assert consumer.stdout is not None
        assert int(consumer.stdout.readline()) >= 1
        publisher.publish("1", "2", "3")
        received = 0
        while received < 3:
            received += int(consumer.stdout.readline())
    finally:
        consumer.send_signal(signal.SIGKILL)
        consumer.wait(PATIENCE_S)
        consumer.stdout.close()
        publisher.close()
    intake, _ = started(broker.port)
    again = [m for m in take(intake, 4) if m.topic == TOPIC]
    assert bodies(again) == ["1", "2", "3"]


def test_old_acknowledgements_are_dropped_after_a_reconnection(broker, started):
    """Packet identifiers are used again: an old one must not acknowledge a new message."""
    intake, states = started(broker.port)
    states.next()
    publisher = Publisher(broker.port)
    publisher.publish("1", "2", "3")
    old = take(intake, 3)
    publisher.close()
    broker.restart()
    assert states.next()[0] is False
    assert states.next()[0] is True
    again = take(intake, 3)
    assert bodies(again) == ["1", "2", "3"]
    assert {m.connection for m in again}.isdisjoint(m.connection for m in old)
    intake.acknowledge(old)
    intake.stop()
    third, _ = started(broker.port)
    assert bodies(take(third, 3)) == ["1", "2", "3"]


def test_the_connection_is_found_again_after_the_broker_was_killed(broker, started):
    intake, states = started(broker.port)
    assert states.next()[0] is True
    publisher = Publisher(broker.port)
    publisher.publish("before")
    publisher.close()
    assert bodies(take(intake, 1)) == ["before"]
    broker.kill()
    connected, why = states.next()
    assert not connected
    assert "lost" in why
    assert "client_id 'basinward'" in why
    with Door(broker.port) as door:
        for _ in range(2):
            door.answer()
    broker.start()
    connected, why = states.next()  # not a word of the attempts that failed meanwhile
    assert connected
    assert why.startswith(f"Connected to the broker at 127.0.0.1:{broker.port}.")
    publisher = Publisher(broker.port)
    publisher.publish("after")
    publisher.close()
    assert "after" in bodies(take(intake, 1) + intake.drain(0, 10))


def test_a_broker_that_forgets_sessions_is_told(tmp_path, started):
    with Mosquitto(tmp_path / "forgetful", durable=False) as broker:
        _, states = started(broker.port)
        states.next()
        broker.restart()
        assert states.next()[0] is False
        connected, why = states.next()
    assert connected
    assert "kept no session" in why
    assert "persist" in why


def test_a_forgotten_session_is_told_though_the_first_new_connection_fails(broker, started):
    """It was forgotten, whatever the connection after that one finds."""
    _, states = started(broker.port)
    assert states.next()[0] is True
    broker.stop()
    assert states.next()[0] is False
    with Door(broker.port) as door:
        door.answer(CONNACK_ACCEPTED)  # without a session, and gone before the subscription stands
    broker.start()  # it has its session still
    connected, why = states.next()
    assert connected
    assert "kept no session" in why


def test_a_broker_that_is_not_there_is_told_once_and_found_later(tmp_path, started):
    broker = Mosquitto(tmp_path / "late")
    broker.port = free_port()
    _, states = started(broker.port)
    connected, why = states.next()
    assert not connected
    assert why.startswith(f"Cannot reach the broker at 127.0.0.1:{broker.port}: ")
    assert "refused" in why
    with Door(broker.port) as door:
        door.answer()
        door.answer(CONNACK_UNAVAILABLE)
    with broker:
        assert states.next()[0] is True  # not a second time "cannot reach"


def test_a_connection_without_subscription_is_none(tmp_path, started):
    """Only SUBACK says that messages will come."""
    broker = Mosquitto(tmp_path / "late")
    broker.port = free_port()
    with Door(broker.port) as door:
        _, states = started(broker.port)
        door.answer(CONNACK_ACCEPTED)
        door.answer(CONNACK_ACCEPTED)
    connected, why = states.next()
    assert not connected
    assert why.startswith(f"Connection to the broker at 127.0.0.1:{broker.port} lost")
    with broker:
        assert states.next()[0] is True


def test_in_an_outage_what_a_person_must_mend_is_told_once(tmp_path, started):
    with Mosquitto(tmp_path / "open") as broker:
        _, states = started(broker.port, username="gateway", password="right")
        assert states.next()[0] is True
    assert "lost" in states.next()[1]
    with Door(broker.port) as door:
        door.answer()
        for _ in range(2):
            door.answer(CONNACK_BAD_PASSWORD)
    guarded = Mosquitto(tmp_path / "guarded", users={"gateway": "right"})
    guarded.port = broker.port
    connected, why = states.next()
    assert not connected
    assert "refuses us" in why
    assert "password of 'gateway'" in why
    with guarded:
        assert states.next()[0] is True


def test_a_broker_that_is_not_available_is_told_as_passing(tmp_path, started):
    with Door(port := free_port()) as door:
        _, states = started(port)
        door.answer(CONNACK_UNAVAILABLE)
        connected, why = states.next()
    assert not connected
    assert "server unavailable" in why
    assert "client_id" not in why


def test_user_and_password_open_the_broker(tmp_path, started):
    with Mosquitto(tmp_path / "guarded", users={"gateway": "right"}) as broker:
        _, states = started(broker.port, username="gateway", password="right")
        assert states.next()[0] is True


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
@pytest.mark.parametrize(
    ("account", "words"),
    [
        ({"username": "gateway", "password": "wrong"}, "password of 'gateway'"),
        ({}, "set username and password_env"),
    ],
)
def test_a_refused_log_on_is_told_with_what_to_do(tmp_path, started, protocol, account, words):
    with Mosquitto(tmp_path / "guarded", users={"gateway": "right"}) as broker:
        intake, states = started(broker.port, protocol=protocol, **account)
        connected, why = states.next()
        assert not connected
        assert "refuses us" in why
        assert words in why
        assert "wrong" not in why
        intake.stop()
        assert states.next() == (False, "Disconnected, as told.")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


def test_tls_with_an_authority_of_our_own(tmp_path, started, certificates):
    with Mosquitto(tmp_path / "tls", certificates=certificates, users={"g": "p"}) as broker:
        intake, states = started(
            broker.port, host="localhost", username="g", password="p",
            tls=TlsSettings(ca_file=certificates.ca_file),
        )  # fmt: skip
        assert states.next()[0] is True
        assert intake.drain(0, 1) == []


# paho leaves the socket of a failed handshake to the garbage collector, which warns of it.
_SOCKET_LEFT = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


@_SOCKET_LEFT
def test_a_certificate_of_an_unknown_authority_is_not_accepted(tmp_path, started, certificates):
    other = make_certificates(tmp_path / "other")
    with Mosquitto(tmp_path / "tls", certificates=certificates) as broker:
        _, states = started(broker.port, host="localhost", tls=TlsSettings(ca_file=other.ca_file))
        connected, why = states.next()
    assert not connected
    assert "certificate is not accepted" in why
    assert "ca_file" in why


@_SOCKET_LEFT
def test_a_certificate_that_changed_for_the_worse_in_an_outage_is_told(
    tmp_path, started, certificates
):
    tls = TlsSettings(ca_file=certificates.ca_file)
    with Mosquitto(tmp_path / "tls", certificates=certificates) as broker:
        _, states = started(broker.port, host="localhost", tls=tls)
        assert states.next()[0] is True
    assert "lost" in states.next()[1]
    other = Mosquitto(tmp_path / "other", certificates=make_certificates(tmp_path / "ca"))
    other.port = broker.port
    with other:
        connected, why = states.next()
    assert not connected
    assert "certificate is not accepted" in why
    with broker:
        assert states.next()[0] is True


@_SOCKET_LEFT
def test_tls_to_a_port_without_tls_is_told(broker, started, certificates):
    _, states = started(
        broker.port, host="localhost", tls=TlsSettings(ca_file=certificates.ca_file)
    )
    connected, why = states.next()
    assert not connected
    assert "the one for TLS" in why


def test_no_tls_to_a_port_with_tls_is_told(tmp_path, started, certificates):
    with Mosquitto(tmp_path / "tls", certificates=certificates) as broker:
        _, states = started(broker.port)
        connected, why = states.next()
    assert not connected
    assert "[broker.tls]" in why


def _dynamic_security() -> Path:
    """Mosquitto's plugin that can refuse a subscription (an access list only filters)."""
    found = [*Path("/usr/lib").glob("**/mosquitto_dynamic_security.so")]
    assert found, "Debian's mosquitto package brings mosquitto_dynamic_security.so"
    return found[0]


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_a_refused_subscription_is_told(tmp_path, started, protocol):
    rights = tmp_path / "rights.json"
    access = {"publishClientSend": True, "publishClientReceive": True, "subscribe": False}
    rights.write_text(
        json.dumps(
            {
                "defaultACLAccess": access,
                "clients": [],
                "roles": [],
                "groups": [{"groupname": "all", "roles": []}],
                "anonymousGroup": "all",
            }
        )
    )
    settings = (f"plugin {_dynamic_security()}", f"plugin_opt_config_file {rights}")
    with Mosquitto(tmp_path / "b", settings=settings) as broker:
        _, states = started(broker.port, protocol=protocol)
        connected, why = states.next()  # never told as connected before
    assert not connected
    assert "refuses the subscription to sites/#" in why
    assert "access list" in why


def test_qos_0_beyond_what_may_wait_is_dropped_and_counted(broker, monkeypatch):
    monkeypatch.setattr("gateway.intake.MAX_WAITING", 3)
    connected, all_there = threading.Event(), threading.Event()
    times = iter(range(4))

    def clock() -> int:
        now = next(times)
        if now == 3:
            all_there.set()
        return now

    intake = Intake(
        BrokerSettings("127.0.0.1", broker.port), clock, lambda up, _: up and connected.set()
    )
    intake.start()
    assert connected.wait(PATIENCE_S)
    publisher = Publisher(broker.port)
    publisher.publish(*"abcdef", qos=0)
    publisher.publish("last")
    publisher.close()
    assert all_there.wait(PATIENCE_S)
    messages = take(intake, 4)
    intake.stop()
    assert bodies(messages) == ["a", "b", "c", "last"]
    assert intake.dropped == 3


def test_draining_wakes_up_for_the_first_message(broker, started):
    intake, states = started(broker.port)
    states.next()
    got: list[Message] = []
    waiter = threading.Thread(target=lambda: got.extend(intake.drain(PATIENCE_S, 10)))
    waiter.start()
    publisher = Publisher(broker.port)
    publisher.publish("x")
    publisher.close()
    waiter.join(PATIENCE_S)
    assert bodies(got) == ["x"]
    assert intake.waiting == 0


def test_payloads_are_handed_on_as_they_came(broker, started):
    """Not SenML, not even text: refusing is the decoder's work."""
    intake, states = started(broker.port)
    states.next()
    publisher = Publisher(broker.port)
    publisher.publish(json.dumps({"a": "µ"}), "", topic="sites/x/y/z/other")
    publisher.close()
    assert [m.payload for m in take(intake, 2)] == [b'{"a": "\\u00b5"}', b""]


def test_other_topics_may_be_heard_later_and_are_heard_after_a_new_connection_too(broker, started):
    intake, states = started(broker.port)
    states.next()
    publisher = Publisher(broker.port)
    publisher.publish("unheard", topic="spBv1.0/north/NDATA/edge")
    intake.subscribe_also(["sites/#", "spBv1.0/#"])
    assert states.next()[0]
    publisher.publish("heard", topic="spBv1.0/north/NDATA/edge")
    publisher.close()
    assert bodies(take(intake, 1)) == ["heard"]
    broker.restart()
    while not states.next()[0]:
        pass
    publisher = Publisher(broker.port)
    publisher.publish("again", topic="spBv1.0/north/NDATA/edge")
    publisher.close()
    heard: list[str] = []
    while heard[-1:] != ["again"]:
        heard += bodies(take(intake, 1))
    assert set(heard) <= {"heard", "again"}, "what was not acknowledged comes again"


def test_what_is_published_reaches_others_once_and_is_not_retained(broker, started):
    intake, states = started(broker.port)
    states.next()
    intake.publish("sites/quay/ac-1/question", b"again?")
    (message,) = take(intake, 1)
    assert (message.payload, message.qos, message.retained) == (b"again?", 0, False)


def test_what_is_published_without_a_connection_is_dropped(started):
    intake, _states = started(free_port())
    intake.publish("sites/quay/ac-1/question", b"again?")
