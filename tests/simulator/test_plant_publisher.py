"""The publisher against a real broker: status, backlog, live running, cut-off, clean stop."""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulator.history import open_source
from simulator.publisher import Publisher, PublishPlan
from simulator.site_client import BrokerAddress, BrokerError, SiteClient

SITES = {"quay-cold-store", "front-range-grocer"}


class Listener:
    """Collects what the broker sends and lets a test wait for a condition on it."""

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[str, bytes]] = []
        self._changed = threading.Condition()
        subscribed = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.client.subscribe("sites/#", qos=1)
        assert subscribed.wait(60)

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        with self._changed:
            self.messages.append((message.topic, message.payload))
            self._changed.notify_all()

    def wait(self, condition: Any, timeout_s: float = 120.0) -> bool:
        with self._changed:
            return self._changed.wait_for(lambda: condition(self.messages), timeout_s)

    def statuses(self, site: str) -> list[bytes]:
        return [p for t, p in self.messages if t == f"sites/{site}/status"]


@pytest.fixture
def listener(broker_port: int) -> Iterator[Listener]:
    it = Listener(broker_port)
    yield it
    it.client.disconnect()
    it.client.loop_stop()


def publisher(fleet: Path, port: int, plan: PublishPlan, scenario: dict[str, Any] | None = None):
    reports: list[tuple[str, dict[str, Any]]] = []
    stop = threading.Event()
    made = Publisher(
        open_source(fleet, scenario, 1), address=BrokerAddress(port=port), plan=plan, stop=stop,
        report=lambda event, fields: reports.append((event, fields)),
    )  # fmt: skip
    return made, reports, stop


def test_backlog_arrives_whole_and_in_order(
    small_fleet: Path, broker_port: int, listener: Listener
) -> None:
    plan = PublishPlan(backlog_s=4 * 3600, step_s=60, live_step_s=10, live_s=0)
    made, reports, _ = publisher(small_fleet, broker_port, plan)
    sent = made.run()
    data = lambda messages: [m for m in messages if m[0].endswith("/senml")]  # noqa: E731  # used twice, here only
    assert listener.wait(lambda m: len(data(m)) == sent), (sent, len(data(listener.messages)))
    assert sent >= 8 * 24  # eight units, four hours of ten-minute packs
    newest: dict[str, float] = {}
    for topic, payload in data(listener.messages):
        records = json.loads(payload)
        _, site, unit, _ = topic.split("/")
        assert records[0]["bn"] == f"{site}/{unit}/"
        assert records[0]["bt"] > newest.get(topic, 0.0)
        newest[topic] = records[0]["bt"]
    assert len(newest) == 8
    events = [e for e, _ in reports]
    assert "caught_up" in events
    assert events[-1] == "stopped"
    assert all(listener.wait(lambda m, s=s: (f"sites/{s}/status", b"offline") in m) for s in SITES)
    for site in SITES:
        assert listener.statuses(site) == [b"online", b"offline"]


def test_cut_off_site_leaves_its_will_and_brings_its_readings_later(
    small_fleet: Path, broker_port: int, listener: Listener
) -> None:
    scenario = {"faults": [
        {"site": "quay-cold-store", "kind": "site-cut-off", "start": "+1s", "end": "+4s",
         "keeps_backlog": True}]}  # fmt: skip
    made, reports, _ = publisher(
        small_fleet, broker_port, PublishPlan(live_step_s=1, live_s=6), scenario
    )
    made.run()
    assert listener.wait(lambda _: listener.statuses("quay-cold-store")[-1:] == [b"offline"])
    assert listener.statuses("quay-cold-store") == [b"online", b"offline", b"online", b"offline"]
    assert listener.statuses("front-range-grocer") == [b"online", b"offline"]
    assert [e for e, _ in reports if e.startswith("site")] == ["site_cut_off", "site_back"]
    topic = "sites/quay-cold-store/ac-1/senml"
    order = [t for t, _ in listener.messages if t in (topic, "sites/quay-cold-store/status")]
    gap = [i for i, t in enumerate(order) if t.endswith("status")]
    assert gap[2] == gap[1] + 1  # nothing between will and return
    times = [json.loads(p)[0]["bt"] for t, p in listener.messages if t == topic]
    steps = [b - a for a, b in itertools.pairwise(times)]
    assert max(steps) < 1.5  # what it kept fills the gap


def test_status_is_retained_for_who_comes_later(broker_port: int) -> None:
    client = SiteClient("somewhere", BrokerAddress(port=broker_port), threading.Event())
    client.connect()
    assert client.flush()
    late = Listener(broker_port)
    assert late.wait(lambda m: ("sites/somewhere/status", b"online") in m)
    client.cut()
    assert late.wait(lambda m: ("sites/somewhere/status", b"offline") in m)
    late.client.disconnect()
    late.client.loop_stop()


def test_no_broker_is_told_plainly(small_fleet: Path) -> None:
    made, _, _ = publisher(small_fleet, 1, PublishPlan())
    with pytest.raises(BrokerError, match=r"127\.0\.0\.1:1 cannot be reached.*check that it runs"):
        made.run()


def test_command_line_publishes_reports_and_stops_cleanly_on_sigterm(
    small_fleet: Path, broker_port: int, listener: Listener
) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "simulator", "publish", "--fleet", str(small_fleet), "--port",
         str(broker_port), "--backlog", "2h", "--step", "60", "--live-step", "1", "--progress"],
        stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )  # fmt: skip
    events = []
    assert process.stderr is not None
    for line in process.stderr:
        events.append(json.loads(line))
        if events[-1]["event"] == "live":
            process.send_signal(signal.SIGTERM)
            break
    rest = [json.loads(line) for line in process.stderr]
    process.stderr.close()
    assert process.wait(timeout=120) == 0
    assert [e["event"] for e in events if e["event"] != "backlog"][:2] == ["caught_up", "live"]
    assert rest[-1]["event"] == "stopped"
    assert listener.wait(lambda _: listener.statuses("quay-cold-store")[-1:] == [b"offline"])


def test_command_line_copies_the_demo_fleet_once_and_writes_csv(tmp_path: Path) -> None:
    from simulator.__main__ import main

    out = tmp_path / "copy"
    assert main(["demo-fleet", "--out", str(out)]) == 0
    assert len(list((out / "sites").glob("*.toml"))) == 12
    assert main(["demo-fleet", "--out", str(out)]) == 2
    table = tmp_path / "h.csv"
    status = main(["history", "--fleet", str(out), "--csv", str(table), "--length", "10m"])
    assert status == 0
    assert len(table.read_text().splitlines()) > 300
    assert main(["history", "--fleet", str(tmp_path), "--csv", str(table)]) == 2
