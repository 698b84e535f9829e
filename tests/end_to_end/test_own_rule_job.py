"""An own rule from the file to the mail, through the whole gateway with real servers."""

from __future__ import annotations

import json
import time

from support.data_files import changes
from support.fleet_files import CONTROL_ROOM, ISOLATION_LABELS, ON_CALL
from support.gateway_command import StartGateway, command
from support.senml_site import HEALTHY, SiteGateway
from support.smtp import MailCatcher

from rules.events import Change

RULE = """
[[rules]]
id = "warm-hall"
title = "Air warm while the spray is weak"
condition = "ambient_temperature > 86 °F and spray_pressure < 11 psi and pump_running"
on_delay_s = 60
off_delay_s = 60
priority = "medium"
text = "Ask the gate whether the roller door stands open."
"""


def test_an_own_rule_makes_a_ticket_that_is_acknowledged_and_ends(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    """86 °F are 30 °C, 11 psi are 75.8 kPa: 30.5 °C and 70 kPa are beyond both."""
    unit = ("hill-dairy", "ac-1")
    start_s = int(time.time()) - 900
    times_s = [float(start_s + i * 30) for i in range(28)]
    warm = {**HEALTHY, "ambient_temperature": 30.5, "spray_pressure": 70.0}
    running = gateway()
    fleet = running.fleet / "fleet.toml"
    fleet.write_text(fleet.read_text() + RULE)
    assert "all good" in command("check", "--fleet", str(running.fleet))
    assert "own-warm-hall" in command("rules", "--fleet", str(running.fleet))
    with running:
        site_gateway.send(*unit, times_s[:10], HEALTHY)
        site_gateway.send(*unit, times_s[10:18], warm)
        [opened] = mail.wait_for(1)
        assert set(opened.recipients) == {ON_CALL, CONTROL_ROOM}
        assert "air warm while the spray is weak" in opened.message["Subject"]
        part = opened.message.get_body(("plain",))
        assert part is not None
        words = " ".join(part.get_content().split())
        assert "Ask the gate whether the roller door stands open." in words
        assert "Ambient temperature 30.5 °C" in words
        assert all(label in words for label in ISOLATION_LABELS[unit])

        data = ("--data", str(running.data))
        [ticket] = json.loads(command("tickets", *data, "--fault", "own-warm-hall", "--json"))
        command("tickets", *data, "ack", ticket["number"], "--by", "Rui Prata")
        running.until(lambda: len(changes(running.data, "own-warm-hall")) == 2)
        site_gateway.send(*unit, times_s[18:], HEALTHY)
        mail.wait_for(2)
    assert changes(running.data, "own-warm-hall") == [
        (*unit, Change.RAISED), (*unit, Change.ACKNOWLEDGED), (*unit, Change.RETURNED)
    ]  # fmt: skip
