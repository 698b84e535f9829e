"""A gateway is backed up at work, killed, and goes on from the backup on another machine's disk."""

from __future__ import annotations

import time
from collections import Counter
from pathlib import Path

from support.broker import Mosquitto
from support.data_files import changes, open_records, stored
from support.fleet_files import write_fleet
from support.gateway_command import RunningGateway, StartGateway, command
from support.senml_site import HEALTHY, PUMP_STANDS, SiteGateway
from support.smtp import MailCatcher

from rules.events import Change

UNIT = ("quay-cold-store", "ac-1")
OTHER = ("hill-dairy", "ac-1")
FAULT = "pump-not-running"
STEP_S = 30


def test_a_restored_gateway_has_all_up_to_the_backup_and_goes_on(
    gateway: StartGateway,
    broker: Mosquitto,
    site_gateway: SiteGateway,
    mail: MailCatcher,
    tmp_path: Path,
) -> None:
    start_s = int(time.time()) - 1500
    times_s = [float(start_s + i * STEP_S) for i in range(48)]
    before, during, lost, after = times_s[:16], times_s[16:24], times_s[24:30], times_s[30:]
    target, new, new_fleet = tmp_path / "b.tar", tmp_path / "new-data", tmp_path / "new-fleet"

    running = gateway()
    running.__enter__()  # it is killed below, so it has no orderly end
    site_gateway.send(*UNIT, before[:8], HEALTHY)
    site_gateway.send(*OTHER, before, HEALTHY)
    site_gateway.send(*UNIT, before[8:], PUMP_STANDS)
    mail.wait_for(1)
    running.until(lambda: len(stored(running.data, *OTHER, "basin_level")) == len(before))
    # Samples are on their way while it is made; nothing that they tell needs a mail.
    site_gateway.send(*OTHER, during[:4], HEALTHY)
    command("backup", str(target), "--fleet", str(running.fleet), "--data", str(running.data))
    site_gateway.send(*OTHER, during[4:], HEALTHY)
    site_gateway.send(*OTHER, lost, HEALTHY)
    running.until(lambda: len(stored(running.data, *OTHER, "basin_level")) == 30)
    running.kill()

    command("restore", str(target), "--data", str(new), "--fleet", str(new_fleet))
    assert (new_fleet / "fleet.toml").read_bytes() == (running.fleet / "fleet.toml").read_bytes()
    assert changes(new, FAULT) == [(*UNIT, Change.RAISED)]
    with open_records(new) as records:
        (ticket,) = records.tickets()
        assert ticket.number in mail.received[0].message["Subject"]
    write_fleet(new_fleet, broker_port=broker.port, mail_port=mail.port)
    with RunningGateway(
        new_fleet, new, lambda: broker.log.count("Sending SUBACK to watch-1")
    ) as again:
        site_gateway.send(*OTHER, after, HEALTHY)
        site_gateway.send(*UNIT, after, HEALTHY)
        second = mail.wait_for(2)[1].message
        assert second["In-Reply-To"] == mail.received[0].message["Message-ID"]
        again.until(lambda: len(stored(again.data, *UNIT, "pump_current")) == 16 + len(after))
        again.until(lambda: again.status.get("store", {}).get("behind") == 0)
    kept = [t for t, _ in stored(new, *OTHER, "basin_level")]
    sent = [int(t * 1000) for t in times_s]
    assert kept[:16] == sent[:16]
    assert kept[-len(after) :] == sent[-len(after) :]
    assert set(kept) <= set(sent)
    assert changes(new, FAULT) == [(*UNIT, Change.RAISED), (*UNIT, Change.RETURNED)]
    identifiers = Counter(m.message["Message-ID"] for m in mail.received)
    assert set(identifiers.values()) == {1}
    assert len(identifiers) == 2
