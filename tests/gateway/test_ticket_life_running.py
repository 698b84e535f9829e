"""A ticket's whole life through the running gateway: real broker, journal, rules and records.

The clock is the test's own; samples are published with its times.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.broker import Mosquitto
from support.gateway_fleet import configuration
from support.ports import free_port

from gateway.intake import BrokerSettings
from gateway.periodic import Pace
from gateway.records.rows import TicketDetail
from gateway.service import Service
from gateway.tickets.life import TicketPhase
from gateway.tickets.notice import NoticeKind, TicketEventKind
from rules.events import AlarmState

MINUTE_MS = 60_000
START_MS = 1_783_000_200_000
BRISK = Pace(
    clock_s=0.1, actions_s=0.05, escalation_s=60, aftercare_s=0.1, rules_s=0.01, store_s=0.01,
    snapshot_s=60, upkeep_s=60, status_s=0.05,
)  # fmt: skip
HEALTHY = {
    "basin_level": ("mm", 235.0), "conductivity": ("µS/cm", 900.0), "pump_current": ("A", 4.0),
    "head_pressure": ("kPa", 1100.0), "ambient_temperature": ("Cel", 24.0),
    "relative_humidity": ("%RH", 50.0), "fan_speed": ("percent", 100.0), "fan_run": ("", 63.0),
    "fan_fault": ("", 0.0), "pump_command": ("", 1.0),
}  # fmt: skip
ONE = "BW-000001"


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


def until(what: Callable[[], object], within_s: float = 120.0) -> None:
    """Wait until something outside this thread has come about."""
    pause = threading.Event()
    deadline_s = time.monotonic() + within_s
    while not what():
        assert time.monotonic() < deadline_s, "it did not come about"
        pause.wait(0.02)


@dataclass
class Running:
    """A gateway in this process, and the site that sends to it."""

    service: Service
    client: mqtt.Client
    now_ms: int = START_MS
    sent: int = 0

    def send(self, minutes: int, **changes: float) -> None:
        """A sample a minute; the clock goes along, and all of it is judged before this returns."""
        for _ in range(minutes):
            self.now_ms += MINUTE_MS
            values = {name: (u, changes.get(name, v)) for name, (u, v) in HEALTHY.items()}
            # A level that stands perfectly still is a fault of its own.
            wave = 1.5 if self.now_ms // MINUTE_MS % 2 else 0.0
            values["basin_level"] = ("mm", values["basin_level"][1] + wave)
            pack = [{"bt": self.now_ms / 1000}] + [
                {"n": n, "v": v} | ({"u": u} if u else {}) for n, (u, v) in values.items()
            ]
            pack = [pack[0] | pack[1], *pack[2:]]
            sent = self.client.publish("sites/quay/ac-1/senml", json.dumps(pack), qos=1)
            sent.wait_for_publish(120)
            self.sent += 1
            until(lambda: self.service.status().frames >= self.sent)
            # Judged before the clock goes on: closed tickets are looked at once a minute of it.
            newest = self.service._journal.last_offset
            until(partial(self.judged, newest))
        assert self.service.status().rejects == 0

    def judged(self, offset: int) -> bool:
        """Whether the rules have committed the journal up to there, and nothing is asked."""
        records = self.service.records
        return not records.pending_actions() and records.committed_offset() >= offset

    def looked_at(self) -> bool:
        """Whether the closed ticket has been looked at since about the last sample."""
        waiting = self.service.records.under_care()
        return all((t.normal_to_ms or 0) > self.now_ms - 2 * MINUTE_MS for t in waiting)

    def detail(self) -> TicketDetail:
        found = self.service.records.ticket(ONE)
        assert found is not None
        return found

    def phase(self) -> TicketPhase:
        return self.detail().ticket.state

    def states(self) -> set[AlarmState]:
        return {a.state for a in self.service.records.standing_alarms("quay", "ac-1")}


@contextmanager
def running(broker: Mosquitto, data: Path, name: str) -> Iterator[Running]:
    settings = configuration(
        broker.port, free_port(),
        broker=BrokerSettings("127.0.0.1", broker.port, client_id=name),
    )  # fmt: skip
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.publish("sites/quay/status", b"online", 1, retain=True).wait_for_publish(120)
    failures: list[str] = []
    holder: list[Running] = []
    service = Service(
        settings, data, pace=BRISK, on_failure=failures.append,
        clock_ms=lambda: holder[0].now_ms if holder else START_MS,
    )  # fmt: skip
    holder.append(Running(service, client))
    service.start()
    try:
        until(lambda: service.status().messages)
        yield holder[0]
    finally:
        assert service.stop()
        client.disconnect()
        client.loop_stop()
    assert failures == []


def test_from_alarm_over_lockout_and_hand_back_to_verified_and_open_again(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with running(broker, tmp_path, "whole-life") as site:
        records = site.service.records
        site.send(12)
        site.send(5, fan_fault=2.0)
        until(lambda: records.ticket(ONE))
        records.assign(ONE, by="Desk", to="Ada Holm", now_ms=site.now_ms)
        until(lambda: site.states() == {AlarmState.ACKNOWLEDGED})
        records.arrive(ONE, by="Ada Holm", now_ms=site.now_ms)
        until(lambda: site.states() == {AlarmState.OUT_OF_SERVICE})

        # Taken apart under lock: nothing of all this makes a ticket or a mail.
        before = len(site.detail().mails)
        site.send(25, fan_fault=63.0, fan_run=0.0, pump_current=0.0, basin_level=20.0)
        assert site.states() == {AlarmState.OUT_OF_SERVICE}
        assert [t.number for t in records.tickets()] == [ONE]
        assert len(site.detail().mails) == before

        # Put together, one fan forgotten: the technician hears of it before he leaves.
        assert records.finish(ONE, by="Ada Holm", now_ms=site.now_ms)
        site.send(21, fan_run=31.0)
        until(lambda: NoticeKind.NOT_PROVEN in [m.kind for m in site.detail().mails])
        told = site.detail()
        note = next(e.note for e in told.entries if e.kind is TicketEventKind.HANDED_BACK)
        assert "Fans proven: not ok, 5 (6 expected); 1 are missing" in note
        assert [d.recipient.name for d in told.mails[-1].deliveries] == ["Ada Holm"]

        # He goes back to it, and this time all is proven.
        records.arrive(ONE, by="Ada Holm", now_ms=site.now_ms)
        site.send(1)
        records.finish(ONE, by="Ada Holm", now_ms=site.now_ms)
        site.send(7)
        until(lambda: (check := site.detail().ticket.hand_back) and check.proven)

        records.close_ticket(ONE, by="Ada Holm", finding="Isolator of fan 6.", now_ms=site.now_ms)
        for _ in range(26):
            if site.phase() is TicketPhase.VERIFIED:
                break
            site.send(5)
            until(site.looked_at)
        assert site.phase() is TicketPhase.VERIFIED

        # Verified, and still not the last word.
        site.send(5, fan_fault=2.0)
        until(lambda: site.phase() is TicketPhase.OPEN)
        assert [t.number for t in records.tickets() if t.fault == "fan-fault"] == [ONE]
        assert site.detail().mails[-1].kind is NoticeKind.REOPENED
        seqs = [e.seq for e in site.detail().entries]
        assert seqs == list(range(1, len(seqs) + 1))


def test_a_forgotten_unit_is_asked_about_and_then_judged_again(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with running(broker, tmp_path, "forgotten") as site:
        records = site.service.records
        site.send(12)
        site.send(5, fan_fault=2.0)
        until(lambda: records.ticket(ONE))
        end_ms = site.now_ms + 30 * MINUTE_MS
        records.arrive(ONE, by="Ada Holm", until_ms=end_ms, now_ms=site.now_ms)
        until(lambda: site.states() == {AlarmState.OUT_OF_SERVICE})
        site.send(31, fan_fault=2.0)
        until(lambda: NoticeKind.OVERSTAYED in [m.kind for m in site.detail().mails])
        assert site.states() == {AlarmState.OUT_OF_SERVICE}, "whoever works there has an hour more"
        site.now_ms += 60 * MINUTE_MS
        until(lambda: AlarmState.OUT_OF_SERVICE not in site.states())
        site.send(5, fan_fault=2.0)
        until(lambda: AlarmState.UNACKNOWLEDGED in site.states())
        last = site.detail()
        assert last.ticket.state is TicketPhase.ON_SITE, "only he can say that he has left"
        assert [m.kind for m in last.mails].count(NoticeKind.OVERSTAYED) == 1
