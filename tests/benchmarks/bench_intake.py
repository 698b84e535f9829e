"""How many messages a second the whole gateway takes in, beside a client that only counts them.

Run from the project's directory: ``python tests/benchmarks/bench_intake.py [units]``. The messages
(15 records each) wait in the broker's two persistent sessions before a subscriber connects, so no
publisher takes part: queue, then drain. The gateway is the real service with its usual pace and all
its threads; it is done when the rules have committed and the telemetry store has written every
frame, which includes up to a second of waiting for the readers' next step. The yardstick, in the
same run on the same broker, is a bare MQTT 3.1.1 client with manual acknowledgement (QoS 1) that
counts. Each figure is the median of the runs, which take turns. CPU is that of the whole process;
with it stands, from the same run, what each thread took.

``--profile`` adds a second look without threads: the same payloads through the same stages, one
after the other, each timed alone.
"""

from __future__ import annotations

import argparse
import logging
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from packs import packs, publish_all  # noqa: E402
from support.broker import Mosquitto  # noqa: E402
from support.fleet import site, unit_data  # noqa: E402
from support.gateway_fleet import configuration  # noqa: E402
from support.ports import free_port  # noqa: E402

from gateway.batch import Batch  # noqa: E402
from gateway.config import Configuration  # noqa: E402
from gateway.journal import SqliteJournal  # noqa: E402
from gateway.records.records import Records  # noqa: E402
from gateway.rules_reader import CHUNK_FRAMES  # noqa: E402
from gateway.service import Service, wall_clock_ms  # noqa: E402
from gateway.telemetry import EmbeddedStore  # noqa: E402
from gateway.unit_register import UnitRegister  # noqa: E402
from gateway.wire import Decoder, of_sites  # noqa: E402
from rules.engine import Engine  # noqa: E402
from rules.equipment import Site  # noqa: E402
from rules.plan import FleetPlan  # noqa: E402

__all__ = ["Run", "measured", "report", "stages"]

UNITS_A_SITE = 20
MESSAGES_A_DRAIN = 2_000
ROWS_A_WRITE = 20_000
WITHIN_S = 600.0
BARE_CLIENT = "bench-bare"
BROKER_SETTINGS = (
    "max_inflight_messages 2000",
    "max_queued_messages 0",
    "log_type none",  # a line a packet would be the broker's bottleneck
    "set_tcp_nodelay true",  # else it gathers acknowledgements for 40 ms, and the publisher waits
)


@dataclass(frozen=True)
class Run:
    """One drain: messages a second, CPU a message, and CPU a message by thread. [1/s, µs]"""

    rate: float
    cpu_us: float
    threads_us: dict[str, float] = field(default_factory=dict)


def sites_of(units: int) -> tuple[Site, ...]:
    """Sites of 20 units."""
    return tuple(
        site(f"s{k}", [unit_data(f"u{i}") for i in range(min(UNITS_A_SITE, units - first))])
        for k, first in enumerate(range(0, units, UNITS_A_SITE))
    )


def until(what: Callable[[], bool]) -> None:
    """Wait for something in another thread; looks rarely, so as not to weigh in the figures."""
    pause = threading.Event()
    deadline_s = time.monotonic() + WITHIN_S
    while not what():
        if time.monotonic() > deadline_s:
            msg = f"not done within {WITHIN_S:.0f} s"
            raise TimeoutError(msg)
        pause.wait(0.1)


def open_session(port: int, client_id: str) -> None:
    """Leave a subscription with the broker, under which it keeps what is published."""
    done = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
    client.on_connect = lambda *_: client.subscribe("sites/#", 1)
    client.on_subscribe = lambda *_: done.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    if not done.wait(30):
        msg = "the broker did not take the subscription"
        raise TimeoutError(msg)
    client.disconnect()
    client.loop_stop()


def bare_run(port: int, messages: int) -> Run:
    """Drain the queue with a client that counts and acknowledges."""
    done = threading.Event()
    count = 0

    def on_message(client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        nonlocal count
        count += 1
        client.ack(message.mid, message.qos)
        if count == messages:
            done.set()

    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=BARE_CLIENT, clean_session=False, manual_ack=True
    )
    client.on_message = on_message
    began_s, cpu_s = time.perf_counter(), time.process_time()
    client.connect("127.0.0.1", port)
    client.loop_start()
    if not done.wait(WITHIN_S):
        msg = f"{count} of {messages} messages came within {WITHIN_S:.0f} s"
        raise TimeoutError(msg)
    took_s, cpu_s = time.perf_counter() - began_s, time.process_time() - cpu_s
    client.disconnect()
    client.loop_stop()
    return Run(messages / took_s, 1e6 * cpu_s / messages)


def thread_cpu_s() -> dict[str, float]:
    """CPU time that each thread of this process has taken, by name."""
    return {
        thread.name: time.clock_gettime(time.pthread_getcpuclockid(thread.ident))
        for thread in threading.enumerate()
        if thread.ident is not None
    }


def gateway_run(settings: Configuration, data_dir: Path, messages: int) -> Run:
    """Drain the queue with the gateway, until both readers are done."""
    failures: list[str] = []
    service = Service(settings, data_dir, on_failure=failures.append)
    before = thread_cpu_s()
    began_s, cpu_s = time.perf_counter(), time.process_time()
    service.start()

    def journalled() -> bool:
        if failures:
            raise RuntimeError(failures[0])
        return service.status().frames >= messages

    until(journalled)
    rules = service.status().rules
    last = rules.offset + rules.behind  # the clock's entries go on behind it

    def read() -> bool:
        if failures:
            raise RuntimeError(failures[0])
        status = service.status()
        return min(status.rules.offset, status.store.offset) >= last

    until(read)
    took_s, cpu_s = time.perf_counter() - began_s, time.process_time() - cpu_s
    threads = {
        ("network" if name.startswith("paho") else name): 1e6 * (s - before.get(name, 0.0))
        for name, s in thread_cpu_s().items()
    }
    status = service.status()
    service.stop()
    counts = (status.frames, status.rules.frames, status.store.frames)
    if counts != (messages,) * 3 or status.rejects or status.late_frames:
        msg = f"frames {counts} of {messages}, {status.rejects} rejected, {status.late_frames} late"
        raise RuntimeError(msg)
    named = {name: us / messages for name, us in threads.items() if us > 0.05 * messages}
    return Run(messages / took_s, 1e6 * cpu_s / messages, named)


def measured(units: int, messages: int, runs: int) -> tuple[list[Run], list[Run], int]:
    """Runs of the gateway, of the bare client, and the bytes of a payload."""
    sites = sites_of(units)
    keys = [(s.id, u.id) for s in sites for u in s.units]
    gateway, bare = [], []
    size = 0
    with tempfile.TemporaryDirectory() as scratch:
        directory = Path(scratch)
        broker = Mosquitto(directory / "broker", durable=False, settings=BROKER_SETTINGS)
        with broker:
            settings = configuration(broker.port, free_port(), sites)
            for client_id in (settings.broker.client_id, BARE_CLIENT):
                open_session(broker.port, client_id)
            for run in range(runs):
                queue = list(packs(keys, messages, wall_clock_ms()))
                size = round(statistics.mean(len(payload) for _, payload in queue))
                publish_all(broker.port, queue)
                del queue
                bare.append(bare_run(broker.port, messages))
                gateway.append(gateway_run(settings, directory / f"data-{run}", messages))
    return gateway, bare, size


def report(gateway: Sequence[Run], bare: Sequence[Run]) -> str:
    """Rates, their ratio and where the time went, of the median run."""
    ours = statistics.median_low([r.rate for r in gateway])
    run = next(r for r in gateway if r.rate == ours)
    rate = statistics.median(r.rate for r in bare)
    cpu_us = statistics.median(r.cpu_us for r in bare)
    spread = ", ".join(f"{r.rate:,.0f}" for r in gateway)
    threads = "  ".join(
        f"{name} {us:.1f}" for name, us in sorted(run.threads_us.items(), key=lambda x: -x[1])
    )
    return (
        f"gateway {ours:>9,.0f} messages/s  CPU {run.cpu_us:.1f} µs a message  (runs: {spread})\n"
        f"bare    {rate:>9,.0f} messages/s  CPU {cpu_us:.1f} µs a message\n"
        f"ratio   {ours / rate:.2f} of the rate, {run.cpu_us / cpu_us:.1f} times the CPU\n"
        f"CPU by thread, µs a message: {threads}\n"
    )


def stages(units: int, messages: int) -> str:
    """Each stage alone, in one thread: CPU and elapsed time a message."""
    sites = sites_of(units)
    keys = [(s.id, u.id) for s in sites for u in s.units]
    now_ms = wall_clock_ms()
    queue = list(packs(keys, messages, now_ms))
    elapsed: dict[str, tuple[float, float]] = {}

    @contextmanager
    def timed(stage: str) -> Iterator[None]:
        began_s, cpu_s = time.perf_counter(), time.process_time()
        yield
        more = (time.perf_counter() - began_s, time.process_time() - cpu_s)
        old = elapsed.get(stage, (0.0, 0.0))
        elapsed[stage] = (old[0] + more[0], old[1] + more[1])

    with tempfile.TemporaryDirectory() as scratch:
        directory = Path(scratch)
        with (
            closing(SqliteJournal(directory / "journal.sqlite")) as journal,
            closing(Records(f"sqlite:///{directory / 'records.sqlite'}")) as records,
        ):
            register = UnitRegister(journal)
            rows = register.ensure(keys)
            records.sync_units(rows)
            decoder = Decoder(of_sites(sites, rows))
            engine = Engine(FleetPlan.build(sites, dict(rows), {}))
            store = EmbeddedStore(directory / "telemetry.sqlite", register.units)
            for first in range(0, messages, MESSAGES_A_DRAIN):
                drain = queue[first : first + MESSAGES_A_DRAIN]
                with timed("decode"):
                    frames = [f for m in drain for f in decoder.decode(*m, now_ms).frames]
                with timed("columns"):
                    batch = Batch.of(frames)
                with timed("journal"):
                    journal.append([batch], now_ms)
            offset = 0
            while True:
                with timed("read back (rules)"):
                    chunk = journal.read_from(offset, limit_weight=CHUNK_FRAMES)
                if chunk.end == offset:
                    break
                offset = chunk.end
                batches = [s.entry for s in chunk.entries if isinstance(s.entry, Batch)]
                for batch in batches:
                    with timed("rules"):
                        result = engine.samples(now_ms, batch.unit_row, batch.time_ms, batch.values)
                    with timed("records"):
                        records.commit(offset, result, (), now_ms)
            offset = 0
            while True:
                with timed("read back (store)"):
                    chunk = journal.read_from(offset, limit_weight=ROWS_A_WRITE)
                if chunk.end == offset:
                    break
                offset = chunk.end
                for stored in chunk.entries:
                    if isinstance(stored.entry, Batch):
                        with timed("store"):
                            store.write(stored.entry)
            store.close()
    lines = [
        f"  {stage:<18} {1e6 * cpu_s / messages:>6.2f} µs CPU  {1e6 * wall_s / messages:>6.2f} µs\n"
        for stage, (wall_s, cpu_s) in elapsed.items()
    ]
    return "stages alone, a message:\n" + "".join(lines)


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("units", nargs="?", type=int, default=2_000)
    parser.add_argument("--messages", type=int, default=100_000)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--profile", action="store_true", help="time the stages alone too")
    arguments = parser.parse_args()
    if min(arguments.units, arguments.messages, arguments.runs) < 1:
        parser.error("units, --messages and --runs must be 1 or more")
    logging.disable(logging.INFO)
    gateway, bare, size = measured(arguments.units, arguments.messages, arguments.runs)
    sys.stdout.write(
        f"{arguments.units:,} units, {arguments.messages:,} messages of 15 records, {size} bytes\n"
    )
    sys.stdout.write(report(gateway, bare))
    if arguments.profile:
        sys.stdout.write(stages(arguments.units, arguments.messages))


if __name__ == "__main__":
    main()
