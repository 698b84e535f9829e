"""The whole job with real servers: a pump stands still, and the right person is told, once.

Readings come from an independent SenML encoder over a real broker into ``basinward run``; what it
stores, records and mails is read back, and its people answer through ``basinward tickets``.
"""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import time
from email.message import EmailMessage
from email.utils import getaddresses
from pathlib import Path

import numpy as np
import pytest
from support.broker import Mosquitto
from support.data_files import changes, open_records, stored
from support.first_sensor import FIRST_SENSOR_COMMAND, FIRST_SENSOR_UNIT
from support.fleet_files import CONTROL_ROOM, ISOLATION_LABELS, ON_CALL, PLANNER, UNITS
from support.gateway_command import StartGateway, command
from support.senml_site import HEALTHY, PUMP_STANDS, SiteGateway
from support.smtp import MailCatcher, Received

from gateway.config import load
from gateway.wire import Decoder, of_sites
from rules.events import AlarmState, Change
from rules.signals import INDEX, SIGNALS
from simulator import DEMO_FLEET
from simulator.history import open_source
from simulator.publisher import packs
from simulator.senml import UnitEncoder

REPOSITORY = Path(__file__).parents[2]
STEP_S = 30
FAULT = "pump-not-running"


def body(message: EmailMessage, kind: str = "plain") -> str:
    """The text of the mail with its line breaks taken out."""
    part = message.get_body((kind,))
    assert part is not None
    return " ".join(part.get_content().split())


def addresses(message: EmailMessage, header: str) -> list[str]:
    return [address for _, address in getaddresses(message.get_all(header, []))]


def names_only_its_own_isolation_points(received: Received, unit: tuple[str, str]) -> bool:
    text = body(received.message) + body(received.message, "html")
    return all(
        (re.search(rf"\b{label}\b", text) is not None) == (owner == unit)
        for owner, labels in ISOLATION_LABELS.items()
        for label in labels
    )


def test_from_a_pump_that_stands_to_a_closed_ticket(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    unit = ("quay-cold-store", "ac-1")
    start_s = int(time.time()) - 900
    times_s = [float(start_s + i * STEP_S) for i in range(28)]
    healthy, fault, cleared = times_s[:10], times_s[10:18], times_s[18:]
    with gateway() as running:
        site_gateway.send(*unit, healthy, HEALTHY)
        for other in ISOLATION_LABELS.keys() - {unit}:
            site_gateway.send(*other, times_s, HEALTHY)
        site_gateway.send(*unit, fault, PUMP_STANDS)
        [opened] = mail.wait_for(1)

        assert changes(running.data, FAULT) == [(*unit, Change.RAISED)]
        first = opened.message
        assert set(opened.recipients) == {ON_CALL, CONTROL_ROOM}
        assert addresses(first, "To") == [ON_CALL]
        assert addresses(first, "Cc") == [CONTROL_ROOM]
        assert first["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5
        assert "In-Reply-To" not in first
        assert names_only_its_own_isolation_points(opened, unit)
        text = body(first)
        assert "Quay Cold Store / Condenser ac-1" in text
        assert "The pump is commanded to run but draws no running current" in text
        assert re.search(r"Pump current.{0,40}\b0(\.0+)? A\b", text), text
        assert "ECP-07, plant room folder" in text

        data = ("--data", str(running.data))
        [ticket] = json.loads(command("tickets", *data, "--json"))
        number = ticket["number"]
        assert number in first["Subject"]
        assert (ticket["site"], ticket["unit"], ticket["fault"]) == (*unit, FAULT)
        assert (ticket["state"], ticket["priority"]) == ("open", "medium")
        assert fault[0] * 1000 <= ticket["onset_ms"] <= fault[3] * 1000
        assert number in command("tickets", *data)

        command("tickets", *data, "ack", number, "--by", "Rui Prata")
        running.until(lambda: alarm_state(running.data) is AlarmState.ACKNOWLEDGED)
        assert json.loads(command("tickets", *data, "--json"))[0]["acknowledged_by"] == "Rui Prata"

        site_gateway.send(*unit, cleared, HEALTHY)
        returned = mail.wait_for(2)[1]
        second = returned.message
        assert set(returned.recipients) == {ON_CALL, CONTROL_ROOM}
        assert second["In-Reply-To"] == first["Message-ID"]
        assert second["References"] == first["Message-ID"]
        assert second["Message-ID"] != first["Message-ID"]
        assert second["Auto-Submitted"] == "auto-generated"
        assert "Readings are back to normal" in body(second)
        assert names_only_its_own_isolation_points(returned, unit)

        finding = "Overload relay had tripped; motor bearing changed."
        command("tickets", *data, "close", number, "--by", "Rui Prata", "--found", finding)
        assert command("tickets", *data) == "No standing tickets.\n"
        [closed] = json.loads(command("tickets", *data, "--state", "closed", "--json"))
        assert (closed["closed_by"], closed["finding"]) == ("Rui Prata", finding)

        running.until(lambda: len(stored(running.data, *unit, "pump_current")) == len(times_s))
    ms = [int(t * 1000) for t in times_s]
    currents = [HEALTHY["pump_current"]] * 10 + [0.0] * 8 + [HEALTHY["pump_current"]] * 10
    assert stored(running.data, *unit, "pump_current") == list(zip(ms, currents, strict=True))
    for other in ISOLATION_LABELS.keys() - {unit}:
        level = stored(running.data, *other, "basin_level")
        assert level == [(t, HEALTHY["basin_level"]) for t in ms]
    assert changes(running.data, FAULT) == [
        (*unit, Change.RAISED), (*unit, Change.ACKNOWLEDGED), (*unit, Change.RETURNED)
    ]  # fmt: skip
    with open_records(running.data) as records:
        assert len(records.tickets()) == 1
        assert records.quarantine() == []
        assert records.pending_actions() == []
    status = running.status
    assert status["actions"] == 1, "the acknowledgement went through the journal, once"
    assert status["messages"] == status["frames"] == 3 * len(times_s)
    assert (status["rejects"], status["late_frames"], status["mail_waiting"]) == (0, 0, 0)
    assert len(mail.received) == 2


def alarm_state(data: Path) -> AlarmState | None:
    with open_records(data) as records:
        return next((a.state for a in records.standing_alarms() if a.fault == FAULT), None)


def test_a_planner_gets_what_can_wait(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    """One fan of six reports a fault on a cool day: nobody on call is disturbed."""
    start_s = time.time() - 3600
    with gateway():
        records = [
            {"bt": start_s, "n": "fan_fault", "u": "count", "v": 4},
            {"n": "fan_run", "u": "count", "v": 59},
            {"n": "fan_speed", "u": "/", "v": 0.7},
            {"n": "head_pressure", "u": "kPa", "v": 1000},
        ]
        pack = [r | {"t": 60 * minute} for minute in range(50) for r in records]
        topic = "sites/hill-dairy/ac-1/senml"
        site_gateway.publish(topic, json.dumps([dict(r) for r in without_bases(pack)]))
        [received] = mail.wait_for(1)
    assert received.recipients == (PLANNER,)
    assert "fan 3" in body(received.message).lower()
    assert names_only_its_own_isolation_points(received, ("hill-dairy", "ac-1"))


def without_bases(pack: list[dict[str, object]]) -> list[dict[str, object]]:
    """The base time in the first record only."""
    return [pack[0], *({k: v for k, v in r.items() if k != "bt"} for r in pack[1:])]


def test_the_manuals_first_reading_is_stored_and_seen(
    gateway: StartGateway, broker: Mosquitto
) -> None:
    """0.09 S/m is 900 µS/cm (1 S/m = 10 000 µS/cm)."""
    assert f"\n{FIRST_SENSOR_COMMAND}\n" in (REPOSITORY / "README.md").read_text(encoding="utf-8")
    unit = ("quay-cold-store", "ac-1")
    of_our_unit = FIRST_SENSOR_COMMAND.replace(FIRST_SENSOR_UNIT, "/".join(unit))
    arguments = [*shlex.split(of_our_unit), "-h", "127.0.0.1", "-p", str(broker.port)]
    before_ms = time.time_ns() // 1_000_000
    with gateway() as running:
        subprocess.run(arguments, check=True, timeout=120)
        running.until(lambda: stored(running.data, *unit, "conductivity"))
        running.until(lambda: running.status.get("frames") == 1)
        status = running.status
        assert status["broker_connected"]
        assert (status["messages"], status["rejects"]) == (1, 0)
        assert status["last_message_ms"] >= before_ms
        assert status["troubles"] == []
        places = ("--fleet", str(running.fleet), "--data", str(running.data))
        shown = command("arrived", "/".join(unit), *places)
        assert "connected to the broker; 1 message since" in shown
        assert re.search(r"conductivity +900 µS/cm", shown)
        assert "Nothing in quarantine." in shown
    [(time_ms, conductivity_us_cm)] = stored(running.data, *unit, "conductivity")
    assert conductivity_us_cm == pytest.approx(900.0, rel=1e-12)
    assert before_ms <= time_ms <= time.time_ns() // 1_000_000


SITE_PROGRAM = """
import sys, threading
import paho.mqtt.client as mqtt
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
topic = "sites/quay-cold-store/status"
client.will_set(topic, b"offline", qos=1, retain=True)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_start()
client.publish(topic, b"online", qos=1, retain=True).wait_for_publish(120)
print("online", flush=True)
threading.Event().wait()
"""


def start_site(port: int) -> subprocess.Popen[str]:
    site = subprocess.Popen(
        [sys.executable, "-c", SITE_PROGRAM, str(port)], stdout=subprocess.PIPE, text=True
    )
    assert site.stdout is not None
    assert site.stdout.readline() == "online\n"
    return site


def end_site(site: subprocess.Popen[str]) -> None:
    site.kill()
    site.wait(60)
    assert site.stdout is not None
    site.stdout.close()


def test_a_site_that_breaks_off_is_told_by_its_last_will(
    gateway: StartGateway, site_gateway: SiteGateway, broker: Mosquitto, mail: MailCatcher
) -> None:
    with gateway() as running:
        site = start_site(broker.port)
        now_s = time.time()
        for unit in UNITS:
            site_gateway.send(*unit, [now_s], HEALTHY)
        running.until(lambda: all(stored(running.data, *u, "basin_level") for u in UNITS))
        end_site(site)
        [cut] = mail.wait_for(1)
        assert set(cut.recipients) == {ON_CALL, CONTROL_ROOM}
        text = body(cut.message)
        assert "Site Quay Cold Store is cut off: its connection to the broker broke" in text
        assert "Condenser ac-1, Condenser ac-2" in text
        assert cut.message["Subject"].startswith("P2 MEDIUM - Quay Cold Store: site cut off")
        site = start_site(broker.port)
        back = mail.wait_for(2)[1].message
        assert back["In-Reply-To"] == cut.message["Message-ID"]
        end_site(site)
    with open_records(running.data) as records:
        [ticket] = [t for t in records.tickets() if t.returned_ms is not None]
    assert (ticket.site, ticket.fault) == ("quay-cold-store", "site-cut-off")


@pytest.mark.parametrize("scenario", [None, DEMO_FLEET / "scenario.toml"], ids=["healthy", "demo"])
def test_what_the_simulated_sites_send_is_understood_whole(scenario: Path | None) -> None:
    """Every unit of the demonstration, with its sensors' own names, units and corrections.

    The encoder rounds to 7 significant digits, so a value comes back within 5e-7 of what was on the
    wire: for a gauge head pressure or a temperature in °F, that is a little more of the value.
    """
    configuration = load(DEMO_FLEET, {})
    source = open_source(DEMO_FLEET, scenario, seed=3)
    fleet = source.fleet
    rows = {(u.site, u.unit): row for row, u in enumerate(fleet.units)}
    assert {(s.id, u.id) for s in configuration.sites for u in s.units} == rows.keys()
    decoder = Decoder(of_sites(configuration.sites, rows))
    elevation = {s.site: s.elevation_m for s in fleet.sites}
    raw = [u.probe != "referred-25c" for u in fleet.units]
    encoders = [UnitEncoder(u, elevation[u.site]) for u in fleet.units]

    start_s = 1_784_548_800.0
    entries = source.scenario.entries(start_s + 3600, start_s + 3600)
    source.spin_up(start_s, entries)
    frames = source.measure(entries, start_s, 60.0, 60)
    seen = np.zeros((len(rows), len(SIGNALS)), dtype=bool)
    received_ms = int((start_s + 4000) * 1000)
    for index in packs(frames, 10, len(rows)):
        row = int(frames.unit_row[index[0]])
        payload = encoders[row].encode(frames.time_ms[index], frames.values[index])
        decoded = decoder.decode(encoders[row].topic, payload, received_ms)
        assert decoded.rejects == (), decoded.rejects[0].detail
        measured = {int(frames.time_ms[i]): frames.values[i] for i in index}
        assert [f.time_ms for f in decoded.frames] == sorted(measured)
        for frame in decoded.frames:
            assert frame.unit_row == row
            truth = measured[frame.time_ms]
            sent = ~np.isnan(truth)
            if raw[row] and not sent[INDEX["basin_temperature"]]:
                sent[INDEX["conductivity"]] = False  # such a probe's reading means nothing alone
            present = np.flatnonzero(sent)
            assert sorted(frame.values) == present.tolist()
            got = np.array([frame.values[c] for c in present.tolist()])
            np.testing.assert_allclose(got, truth[present], rtol=2e-6, atol=2e-5)
            seen[row, present] = True
    told = seen.sum(axis=1) >= 4
    # In the demonstration a site is cut off at that hour.
    assert told.all() if scenario is None else told.sum() > 0.9 * len(rows)
    assert scenario is None or seen.any(axis=0).all(), "every signal of the catalogue is sent"
