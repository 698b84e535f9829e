"""What the whole gateway sustains while the broker and a publisher share the machine; and memory.

Run from the project's directory: ``python tests/benchmarks/bench_sustained.py [--minutes M]``. A
publisher process sends 15-record packs of 2,000 units and may be so many messages ahead of what is
*done*: journalled, evaluated by all rules and written to the embedded store. So the rate is what
the slowest of the three keeps up with, and nothing piles up unseen. The yardstick in the same run:
a bare MQTT 3.1.1 client with manual acknowledgement, under the same regime, which only counts.
Rate, lag and resident memory are printed as it goes; memory should be flat after the first minute.
"""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_intake import BROKER_SETTINGS, sites_of  # noqa: E402
from publisher import Publisher  # noqa: E402
from support.broker import Mosquitto  # noqa: E402
from support.gateway_fleet import configuration  # noqa: E402
from support.ports import free_port  # noqa: E402

from gateway.service import Service, wall_clock_ms  # noqa: E402

AHEAD = 20_000
"""Messages that may be under way between the publisher and the slowest reader."""
CREDIT = 1_000
BARE_S = 15.0
BACK_S = 20 * 86_400
"""How long ago the first samples are: at 10 s a frame they run far ahead of the clock."""


def resident_mb() -> float:
    """Memory of this process that is in use. [MB]"""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def driven(
    publisher: Publisher,
    done: Callable[[], int],
    seconds: float,
    tell: Callable[[int, float], None],
) -> tuple[float, float]:
    """Keep the publisher AHEAD of what is done; the rate and this process's CPU. [1/s, µs]"""
    allowed = 0
    pause = threading.Event()
    began_s, cpu_s, told_s = time.monotonic(), time.process_time(), 0.0
    first = done()
    while (ran_s := time.monotonic() - began_s) < seconds:
        while allowed - done() < AHEAD:
            publisher.allow(CREDIT)
            allowed += CREDIT
        if ran_s - told_s >= 15.0:
            told_s = ran_s
            tell(done() - first, ran_s)
        pause.wait(0.05)
    count = done() - first
    return count / ran_s, 1e6 * (time.process_time() - cpu_s) / count


def bare(port: int, units: list[tuple[str, str]], seconds: float) -> tuple[float, float]:
    """A client that counts."""
    count = 0

    def on_message(client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        nonlocal count
        count += 1
        client.ack(message.mid, message.qos)

    subscribed = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", manual_ack=True)
    client.on_connect = lambda *_: client.subscribe("sites/#", 1)
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.loop_start()
    subscribed.wait(30)
    publisher = Publisher(port, units, wall_clock_ms() - BACK_S * 1000)
    figures = driven(publisher, lambda: count, seconds, lambda *_: None)
    publisher.stop()
    client.disconnect()
    client.loop_stop()
    return figures


def gateway(
    broker: Mosquitto, directory: Path, units: int, seconds: float
) -> tuple[float, float, list[float]]:
    """The real service; also its resident memory, every 15 s."""
    sites = sites_of(units)
    keys = [(s.id, u.id) for s in sites for u in s.units]
    service = Service(
        configuration(broker.port, free_port(), sites, journal_budget_mb=2_000), directory,
        on_failure=sys.exit,
    )  # fmt: skip
    service.start()
    pause = threading.Event()
    while not service.status().broker_connected:
        pause.wait(0.05)
    memory: list[float] = []

    def done() -> int:
        # Not status(): asked at every credit, its queries would take a seventh of the time.
        return min(service.progress())

    def tell(count: int, ran_s: float) -> None:
        status = service.status()
        memory.append(resident_mb())
        behind = [status.frames - reader.frames for reader in (status.rules, status.store)]
        sys.stdout.write(
            f"  {ran_s:>5.0f} s  {count / ran_s:>8,.0f}/s  rules {behind[0]:>6,} and store "
            f"{behind[1]:>6,} frames behind  {memory[-1]:>6.0f} MB\n"
        )
        sys.stdout.flush()

    publisher = Publisher(broker.port, keys, wall_clock_ms() - BACK_S * 1000)
    rate, cpu_us = driven(publisher, done, seconds, tell)
    publisher.stop()
    status = service.status()
    service.stop(120)
    if status.rejects or status.late_frames or status.alarm_events:
        sys.exit(
            f"{status.rejects} refused, {status.late_frames} late, {status.alarm_events} alarms: "
            "the load was not what it should be"
        )
    return rate, cpu_us, memory


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("units", nargs="?", type=int, default=2_000)
    parser.add_argument("--minutes", type=float, default=1.0)
    arguments = parser.parse_args()
    logging.disable(logging.INFO)
    keys = [(s.id, u.id) for s in sites_of(arguments.units) for u in s.units]
    with tempfile.TemporaryDirectory() as scratch:
        with Mosquitto(Path(scratch) / "b", durable=False, settings=BROKER_SETTINGS) as broker:
            first = bare(broker.port, keys, BARE_S)
            rate, cpu_us, memory = gateway(
                broker, Path(scratch) / "data", arguments.units, 60 * arguments.minutes
            )
        # Twice the same bare client, around the gateway: the machine's own drift shows.
        with Mosquitto(Path(scratch) / "c", durable=False, settings=BROKER_SETTINGS) as broker:
            second = bare(broker.port, keys, BARE_S)
    bare_rate = (first[0] + second[0]) / 2
    sys.stdout.write(
        f"gateway {rate:>9,.0f} messages/s  CPU {cpu_us:.1f} µs a message\n"
        f"bare    {bare_rate:>9,.0f} messages/s  CPU {(first[1] + second[1]) / 2:.1f} µs a message"
        f"  (before {first[0]:,.0f}, after {second[0]:,.0f})\n"
        f"ratio   {rate / bare_rate:.2f}\n"
    )
    if len(memory) > 4:
        sys.stdout.write(
            f"memory  {memory[3]:,.0f} MB after a minute, {memory[-1]:,.0f} MB at the end\n"
        )


if __name__ == "__main__":
    main()
