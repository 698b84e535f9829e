"""The client that reads ahead: nothing lost, nothing stuck, in order, on plain and TLS sockets."""

from __future__ import annotations

import inspect
import socket
import ssl
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MessageType
from support.broker import Certificates, Mosquitto, make_certificates

from gateway.mqtt_client import ReadAheadClient, _ReadAhead

PATIENCE_S = 120.0
IN_FLIGHT = 100


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture(params=["plain", "TLS"])
def broker(
    request: pytest.FixtureRequest, tmp_path: Path, certificates: Certificates
) -> Iterator[Mosquitto]:
    with Mosquitto(
        tmp_path / "broker",
        certificates=certificates if request.param == "TLS" else None,
        settings=(f"max_inflight_messages {IN_FLIGHT}", "max_queued_messages 0"),
    ) as running:
        yield running


def connected(client: Client, broker: Mosquitto, certificates: Certificates, tls: bool) -> None:
    if tls:
        client.tls_set_context(ssl.create_default_context(cafile=str(certificates.ca_file)))
    client.connect("localhost" if tls else "127.0.0.1", broker.port)
    client.loop_start()


def test_every_message_comes_once_and_in_order_through_a_small_window(
    broker: Mosquitto, certificates: Certificates, request: pytest.FixtureRequest
):
    """Far more messages than the broker lets wait, of sizes from one byte to beyond a read."""
    tls = request.node.callspec.params["broker"] == "TLS"
    sizes = [1, 100, 300, 5_000, 20_000, 100_000, 200_000]
    sent = [(b"%06d" % i) + b"x" * sizes[i % len(sizes)] for i in range(1_000)]
    arrived: list[bytes] = []
    unacknowledged: list[int] = []
    subscribed, done = threading.Event(), threading.Event()
    client = ReadAheadClient(CallbackAPIVersion.VERSION2, client_id="reader", manual_ack=True)
    client.on_connect = lambda *_: client.subscribe("t", 1)
    client.on_subscribe = lambda *_: subscribed.set()

    def on_message(_client, _userdata, message):
        arrived.append(bytes(message.payload))
        unacknowledged.append(message.mid)
        if len(unacknowledged) == IN_FLIGHT or len(arrived) == len(sent):
            # The broker sends no more before these have reached it, all of them.
            client.acknowledge(unacknowledged)
            unacknowledged.clear()
        if len(arrived) == len(sent):
            done.set()

    client.on_message = on_message
    connected(client, broker, certificates, tls)
    assert subscribed.wait(PATIENCE_S)
    publisher = Client(CallbackAPIVersion.VERSION2, client_id="writer")
    publisher.max_inflight_messages_set(1_000)
    connected(publisher, broker, certificates, tls)
    for payload in sent:
        publisher.publish("t", payload, 1)
    assert done.wait(PATIENCE_S), f"{len(arrived)} of {len(sent)} came"
    assert arrived == sent
    for each in (publisher, client):
        each.disconnect()
        each.loop_stop()


def test_reads_give_each_byte_once_and_the_end_of_the_stream_last():
    here, there = socket.socketpair()
    with here, there:
        reader = _ReadAhead(here)
        there.sendall(b"abcdefgh")
        assert reader.pending() == 0, "nothing has been read yet"
        assert reader.recv(1) == b"a"
        assert reader.pending() == 7
        assert reader.recv(3) == b"bcd"
        there.sendall(b"ijk")
        assert reader.recv(100) == b"efgh", "what is here comes before anything is waited for"
        assert reader.recv(100) == b"ijk"
        there.close()
        assert reader.recv(1) == b""
        reader.setblocking(False)
        assert reader.fileno() == here.fileno()


def test_a_socket_with_nothing_to_read_says_so_as_sockets_do():
    here, there = socket.socketpair()
    with here, there:
        reader = _ReadAhead(here)
        reader.setblocking(False)
        with pytest.raises(BlockingIOError):
            reader.recv(1)


def test_paho_still_has_what_is_used_of_its_inside():
    """A new version of paho may rename what is not public: then gateway/mqtt_client.py must follow.

    ``_packet_queue(command, packet, mid, qos, info=None)`` sends bytes as they are;
    ``_create_socket()`` gives the connected socket, whose ``pending()`` is asked before waiting.
    """
    queue = list(inspect.signature(Client._packet_queue).parameters)
    assert queue[:5] == ["self", "command", "packet", "mid", "qos"]
    assert list(inspect.signature(Client._create_socket).parameters) == ["self"]
    assert "pending" in inspect.getsource(Client._loop)


def test_acknowledgements_are_the_standards_bytes(monkeypatch: pytest.MonkeyPatch):
    """MQTT 3.1.1 (OASIS, 29 October 2014), section 3.4: 0x40, remaining length 2, identifier."""
    client = ReadAheadClient(CallbackAPIVersion.VERSION2, manual_ack=True)
    queued: list[tuple[int, bytes]] = []
    monkeypatch.setattr(
        client,
        "_packet_queue",
        lambda command, packet, _mid, _qos: queued.append((command, packet)),
    )
    client.acknowledge([])
    client.acknowledge([1, 0x1234, 65_535])
    assert queued == [(MessageType.PUBACK, bytes.fromhex("40020001 40021234 4002ffff"))]
