"""Messages for the benchmarks: 15-record packs of many units, and a plain way to publish them.

The writer speaks just enough MQTT 3.1.1 (OASIS standard, 29 October 2014) to hand a broker
thousands of QoS 1 messages as fast as it takes them: CONNECT, PUBLISH made beforehand, PUBACK.
"""

from __future__ import annotations

import random
import socket
import struct
from collections.abc import Iterator, Sequence

__all__ = ["FRAME_INTERVAL_MS", "connect", "pack", "packs", "publish_all", "publish_packet",
           "read_exactly"]  # fmt: skip

FRAME_INTERVAL_MS = 10_000
_WINDOW = 500
"""Messages on their way at once; far below the 65,535 packet identifiers of the protocol."""

_RECORDS = (
    ("basin_level", "mm", 165.0, 0.8, 1), ("conductivity", "uS/cm", 900.0, 3.0, 0),
    ("basin_temperature", "Cel", 21.0, 0.1, 1), ("pump_current", "A", 3.6, 0.02, 2),
    ("supply_voltage", "V", 400.0, 0.5, 1), ("spray_pressure", "kPa", 58.0, 0.3, 1),
    ("head_pressure", "kPa", 1000.0, 4.0, 0), ("ambient_temperature", "Cel", 28.0, 0.1, 1),
    ("relative_humidity", "percent", 40.0, 0.5, 0), ("fan_speed", "percent", 70.0, 0.0, 0),
    ("fan_run", "", 15.0, 0.0, 0), ("fan_fault", "", 0.0, 0.0, 0),
    ("pump_command", "", 1.0, 0.0, 0), ("wet_mode", "", 1.0, 0.0, 0),
    ("makeup_flow", "L/min", 2.4, 0.2, 2),
)  # fmt: skip


def pack(time_s: float, rng: random.Random) -> bytes:
    """What a healthy unit says of one instant: 15 records, the first with the time for all."""
    records = []
    for name, unit, value, sd, decimals in _RECORDS:
        symbol = f'"u":"{unit}",' if unit else ""
        records.append(f'{{"n":"{name}",{symbol}"v":{rng.gauss(value, sd):.{decimals}f}}}')
    return f'[{{"bt":{time_s:.1f},{records[0][1:]},{",".join(records[1:])}]'.encode()


def packs(
    units: Sequence[tuple[str, str]], messages: int, newest_ms: int
) -> Iterator[tuple[str, bytes]]:
    """Topic and payload of so many messages: every unit in turn, every 10 s, up to ``newest_ms``.

    The noise repeats after a thousand packs: making it anew would only take time.
    """
    rng = random.Random(1)
    mark = b'"bt":0.0,'
    bodies = [pack(0.0, rng) for _ in range(min(1_000, messages))]
    rounds = -(-messages // len(units))
    for k in range(messages):
        turn, unit = divmod(k, len(units))
        time_s = (newest_ms - (rounds - 1 - turn) * FRAME_INTERVAL_MS) / 1000.0
        site_id, unit_id = units[unit]
        body = bodies[k % len(bodies)].replace(mark, b'"bt":%.1f,' % time_s, 1)
        yield f"sites/{site_id}/{unit_id}/senml", body


def publish_all(port: int, messages: Sequence[tuple[str, bytes]]) -> None:
    """Publish all with QoS 1 and return when the broker has acknowledged every one of them."""
    with connect(port) as connection:
        for first in range(0, len(messages), _WINDOW):
            window = messages[first : first + _WINDOW]
            connection.sendall(
                b"".join(
                    publish_packet(i, topic.encode(), payload)
                    for i, (topic, payload) in enumerate(window, start=1)
                )
            )
            read_exactly(connection, 4 * len(window))  # a PUBACK each
        connection.sendall(b"\xe0\x00")


def connect(port: int) -> socket.socket:
    """A connection that the broker has taken, under a name of its own."""
    connection = socket.create_connection(("127.0.0.1", port), timeout=60)
    # Else each window waits for the broker's delayed acknowledgement of TCP's, 40 ms of nothing.
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client_id = b"bench-%d" % connection.getsockname()[1]
    body = b"\x00\x04MQTT\x04\x02\x00\x00" + struct.pack(">H", len(client_id)) + client_id
    connection.sendall(b"\x10" + _length(len(body)) + body)
    read_exactly(connection, 4)  # CONNACK
    return connection


def publish_packet(packet_id: int, topic: bytes, payload: bytes) -> bytes:
    """A PUBLISH with QoS 1."""
    body = struct.pack(">H", len(topic)) + topic + struct.pack(">H", packet_id) + payload
    return b"\x32" + _length(len(body)) + body


def _length(n: int) -> bytes:
    """Remaining length, section 2.2.3 of the standard."""
    out = bytearray()
    while True:
        n, low = divmod(n, 128)
        out.append(low | (0x80 if n else 0))
        if not n:
            return bytes(out)


def read_exactly(connection: socket.socket, n: int) -> None:
    """So many bytes, which are not looked at."""
    while n:
        got = len(connection.recv(n))
        if not got:
            msg = "the broker has closed the connection; see its log"
            raise ConnectionError(msg)
        n -= got
