"""Nothing is lost and nothing is said twice, however often the gateway is killed.

A real broker, a real gateway process, a publisher under load. The gateway is killed with SIGKILL at
seeded random moments, also while it starts or replays. In the end every published sample is in the
telemetry store, and the alarm journal is that of the same messages fed to the rules directly, with
no broker, journal, thread or crash in between.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.broker import Mosquitto, free_port
from support.gateway_fleet import SITES, UNITS
from support.gateway_process import GatewayProcess

from gateway.batch import Batch
from gateway.data_directory import STATUS_FILE
from gateway.records.records import Records
from gateway.status import read_status
from gateway.telemetry import EmbeddedStore
from gateway.wire import Decoder, of_sites
from rules.engine import Engine
from rules.events import AlarmEvent
from rules.faults.registry import FAULTS
from rules.plan import FleetPlan
from rules.signals import INDEX, SIGNALS

STEP_MS = 60_000
INSTANTS = 1500
ROWS = {key: row for row, key in enumerate(UNITS)}
BY_CLOCK = {f.slug for f in FAULTS if f.judged_by == "clock"}
SIGNALS_SENT = (
    "basin_level", "conductivity", "pump_current", "pump_command", "spray_pressure", "fan_speed",
    "fan_run", "fan_fault", "wet_mode", "head_pressure", "ambient_temperature",
)  # fmt: skip
SENML_UNIT = {"": "/", "%": "/", "A": "A", "mm": "mm", "µS/cm": "uS/cm", "kPa": "kPa", "°C": "Cel"}


def packs(seed: int, start_ms: int) -> list[tuple[str, bytes]]:
    """A day of four units, one message a minute each, in which things go wrong now and then."""
    rng = np.random.default_rng(seed)
    messages = []
    fault_bits = dict.fromkeys(UNITS, 0)
    conductivity = dict.fromkeys(UNITS, 900.0)
    for instant in range(INSTANTS):
        time_s = (start_ms + instant * STEP_MS) / 1000
        for key in UNITS:
            if rng.random() < 0.05:
                fault_bits[key] ^= 1 << int(rng.integers(0, 6))
            if rng.random() < 0.02:
                conductivity[key] = float(rng.choice([900.0, 1700.0, 2600.0]))
            values = {
                "basin_level": round(240 + rng.normal(0, 4), 1),
                "conductivity": round(conductivity[key] + rng.normal(0, 5), 1),
                "pump_current": round(3.9 + rng.normal(0, 0.05), 3),
                "pump_command": 1,
                "spray_pressure": round(78 + rng.normal(0, 1), 2),
                "fan_speed": 0.7,
                "fan_run": 63 & ~fault_bits[key],
                "fan_fault": fault_bits[key],
                "wet_mode": 1,
                "head_pressure": round(1350 + rng.normal(0, 15), 1),
                "ambient_temperature": round(28 + rng.normal(0, 0.2), 2),
            }
            records = [
                {"n": n, "u": SENML_UNIT[SIGNALS[INDEX[n]].unit], "v": values[n]}
                for n in SIGNALS_SENT
            ]
            records[0] = {"bt": time_s, **records[0]}
            topic = "sites/{}/{}/senml".format(*key)
            messages.append((topic, json.dumps(records).encode()))
    return messages


def told_directly(messages: list[tuple[str, bytes]], now_ms: int) -> tuple[list[AlarmEvent], Batch]:
    """What the rules say when each message is given to them at once, and all its frames."""
    decoder = Decoder(of_sites(SITES, ROWS))
    engine = Engine(FleetPlan.build(SITES, ROWS, {}))
    events: list[AlarmEvent] = []
    frames = []
    for topic, payload in messages:
        decoded = decoder.decode(topic, payload, now_ms)
        assert not decoded.rejects
        batch = Batch.of(decoded.frames)
        frames += decoded.frames
        events += engine.samples(now_ms, batch.unit_row, batch.time_ms, batch.values).events
    return events, Batch.of(frames)


class Publisher:
    """Publishes with QoS 1 in a thread of its own, in small bursts, whoever listens or not."""

    def __init__(self, port: int, messages: list[tuple[str, bytes]], bursts_per_s: float) -> None:
        self._messages = messages
        self._pause_s = 1 / bursts_per_s
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="site")
        self._client.max_inflight_messages_set(200)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._abandoned = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        for start in range(0, len(self._messages), 40):
            sent = [
                self._client.publish(topic, payload, qos=1)
                for topic, payload in self._messages[start : start + 40]
            ]
            sent[-1].wait_for_publish(60)
            if self._abandoned.wait(self._pause_s):
                return

    def done(self) -> bool:
        """Whether it comes to its end, once the last message has been delivered."""
        self._thread.join(60)
        return not self._thread.is_alive()

    def close(self) -> None:
        self._abandoned.set()
        self._thread.join(60)
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as broker:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        client.publish("sites/quay/status", b"online", 1, retain=True).wait_for_publish(30)
        client.disconnect()
        client.loop_stop()
        yield broker


def store_of(data_dir: Path) -> EmbeddedStore:
    return EmbeddedStore(
        data_dir / "telemetry.sqlite", {}, retention_days=400, rollup_retention_days=3650
    )


def wait_until_stored(gateway: GatewayProcess, data_dir: Path, end_ms: int) -> None:
    """Until the last sample of every unit is in the store; it ends early if the gateway does."""
    store = store_of(data_dir)
    deadline_s = time.monotonic() + 120
    waiting = set(UNITS)
    while waiting:
        assert time.monotonic() < deadline_s, f"not stored: {waiting}\n{gateway.log[-4000:]}"
        assert gateway.wait(0.1) is None, gateway.log[-4000:]
        for key in list(waiting):
            latest = store.latest(*key) if (data_dir / "telemetry.sqlite").exists() else {}
            if latest.get("basin_level", (0, 0.0))[0] == end_ms:
                waiting.discard(key)
    store.close()


def outline(events: list[AlarmEvent]) -> list[tuple[object, ...]]:
    return sorted(
        (e.unit_row, e.time_ms, e.fault, e.change, e.state, e.severity, e.onset_ms)
        for e in events
        if e.fault not in BY_CLOCK
    )


@pytest.mark.parametrize(("seed", "kills"), [(1, 0), (2, 7)])
def test_every_sample_is_stored_and_every_alarm_told_once(
    seed: int, kills: int, tmp_path: Path, broker: Mosquitto
) -> None:
    now_ms = time.time_ns() // 1_000_000
    start_ms = now_ms - (INSTANTS + 5) * STEP_MS
    messages = packs(seed, start_ms)
    expected, frames = told_directly(messages, now_ms)
    assert len(outline(expected)) > 40, "the stream must have something to tell"

    data_dir = tmp_path / "data"
    gateway = GatewayProcess(broker.port, free_port(), data_dir).start()
    # The broker must know what we want before it can keep anything for us: having got the retained
    # message proves that it does.
    while not (read_status(data_dir / STATUS_FILE) or {}).get("messages"):
        assert gateway.wait(0.05) is None, gateway.log
    rng = random.Random(seed)
    publisher = Publisher(broker.port, messages, bursts_per_s=10 if kills else 100)
    try:
        for _ in range(kills):
            # Start-up takes a second or two: some lives end before they have begun.
            assert gateway.wait(rng.uniform(0.3, 3.0)) is None, gateway.log[-4000:]
            gateway.kill()
            gateway.start()
        wait_until_stored(gateway, data_dir, start_ms + (INSTANTS - 1) * STEP_MS)
        assert publisher.done()
    finally:
        publisher.close()
        status = gateway.stop()
    assert status == 0, gateway.log[-4000:]

    store = store_of(data_dir)
    for key, row in ROWS.items():
        series = store.read(*key, SIGNALS_SENT, 0, 2**60)
        mine = frames.unit_row == row
        columns = [INDEX[name] for name in SIGNALS_SENT]
        assert series.time_ms.tolist() == frames.time_ms[mine].tolist()
        np.testing.assert_array_equal(series.values, frames.values[mine][:, columns])
    store.close()

    records = Records(f"sqlite:///{data_dir / 'records.sqlite'}")
    told = records.alarm_events(0, 2**60, limit=100_000)
    rows = {unit: row for row, unit in records.units().items()}
    records.close()
    assert rows == ROWS
    assert outline([line.event for line in told]) == outline(expected)
    assert gateway.log.count("The gateway watches 4 units") >= (3 if kills else 1)
    assert "CRITICAL" not in gateway.log
    assert "Traceback" not in gateway.log
