"""How long from the sample that decides to the mail server's acceptance of the ticket's mail.

Run from the project's directory: ``python tests/benchmarks/bench_latency.py``. While 2,000 healthy
units publish at a steady pace, units of their own, one after the other at random moments, report a
fan fault (its delay set to nothing, so that this sample decides). The clock runs from just before
that sample is handed to the broker until the mail server has the message and is about to accept
it. Broker, publisher, mail server and gateway share the machine; the mail server even shares the
gateway's process, which makes the figures worse, not better.
"""

from __future__ import annotations

import argparse
import logging
import random
import re
import statistics
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench_intake import BROKER_SETTINGS, sites_of  # noqa: E402
from packs import pack, publish_all  # noqa: E402
from publisher import Publisher  # noqa: E402
from support.broker import Mosquitto  # noqa: E402
from support.fleet import site, unit_data  # noqa: E402
from support.gateway_fleet import configuration  # noqa: E402
from support.smtp import MailCatcher, Received  # noqa: E402

from gateway.config import Configuration  # noqa: E402
from gateway.service import Service, wall_clock_ms  # noqa: E402

NO_DELAY = {"fan-fault": {"on_delay_s": 0.0}}
BACK_S = 2 * 86_400


def measured(units: int, pace: int, faults: int, over_s: float) -> tuple[list[float], int]:
    """Seconds of each fault, and how many messages went through beside them."""
    accepted_s: dict[str, float] = {}
    news = threading.Condition()

    def taken(received: Received) -> None:
        found = re.search(r"Fault ([0-9]+)\b", str(received.message["Subject"]))
        with news:
            if found:
                accepted_s.setdefault(found[1], time.monotonic())
            news.notify_all()

    quiet = sites_of(units)
    ill = [site("ill", [unit_data(f"f{i}", name=f"Fault {i}") for i in range(faults)])]
    with (
        tempfile.TemporaryDirectory() as scratch,
        Mosquitto(Path(scratch) / "b", durable=False, settings=BROKER_SETTINGS) as broker,
        MailCatcher() as mail,
    ):
        mail.behaviour.before_reply = taken
        service = Service(
            _unlimited(configuration(broker.port, mail.port, (*quiet, *ill), settings=NO_DELAY)),
            Path(scratch) / "data",
            on_failure=sys.exit,
        )
        service.start()
        pause = threading.Event()
        while not service.status().broker_connected:
            pause.wait(0.05)
        keys = [(s.id, u.id) for s in quiet for u in s.units]
        publisher = Publisher(broker.port, keys, wall_clock_ms() - BACK_S * 1000, pace)
        rng = random.Random(3)
        healthy = [(f"sites/ill/f{i}/senml", pack(time.time() - 60.0, rng)) for i in range(faults)]
        publish_all(broker.port, healthy)
        pause.wait(3.0)
        sent_s: dict[str, float] = {}
        for i in range(faults):
            pause.wait(rng.expovariate(faults / over_s))
            body = pack(time.time(), rng).replace(b'"fan_fault","v":0', b'"fan_fault","v":1')
            sent_s[str(i)] = time.monotonic()
            publish_all(broker.port, [(f"sites/ill/f{i}/senml", body)])
        with news:
            news.wait_for(lambda: len(accepted_s) == faults, 30.0)
        messages = service.status().messages
        publisher.stop()
        service.stop(60)
    missing = sent_s.keys() - accepted_s.keys()
    if missing:
        sys.exit(f"{len(missing)} of {faults} faults brought no mail within 30 s")
    return [accepted_s[key] - sent_s[key] for key in sent_s], messages


def _unlimited(whole: Configuration) -> Configuration:
    """More mails an hour than are sent: it is not the allowance that is measured."""
    return replace(whole, mail=replace(whole.mail, hourly_limit=10_000))


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("units", nargs="?", type=int, default=2_000)
    parser.add_argument("--pace", type=int, default=1_000, help="messages a second beside")
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=60.0)
    arguments = parser.parse_args()
    logging.disable(logging.INFO)
    took, messages = measured(arguments.units, arguments.pace, arguments.faults, arguments.seconds)
    took.sort()
    p99 = statistics.quantiles(took, n=100)[98]
    sys.stdout.write(
        f"{arguments.faults} faults beside {messages:,} messages ({arguments.pace:,} a second): "
        f"median {statistics.median(took):.2f} s, p99 {p99:.2f} s, longest {took[-1]:.2f} s\n"
    )


if __name__ == "__main__":
    main()
