"""From the mail's link to an acknowledged ticket, with real servers and both real processes."""

from __future__ import annotations

import re
import stat
import time
from html import unescape

from support.data_files import open_records
from support.fleet_files import ON_CALL
from support.gateway_command import StartGateway
from support.ports import free_port
from support.running_board import RunningBoard, hidden_fields
from support.senml_site import HEALTHY, PUMP_STANDS, SiteGateway
from support.smtp import MailCatcher

from gateway.board.key import KEY_FILE
from rules.events import AlarmState

UNIT = ("quay-cold-store", "ac-1")
STEP_S = 30


def test_a_link_from_the_mail_acknowledges_its_ticket_once(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    start_s = time.time() - 900
    times_s = [start_s + i * STEP_S for i in range(18)]
    prepared = gateway()
    port = free_port()
    with (prepared.fleet / "fleet.toml").open("a") as file:
        file.write(f'\n[board]\nport = {port}\npublic_url = "http://127.0.0.1:{port}"\n')
    with prepared as running:
        data = running.data
        site_gateway.send(*UNIT, times_s[:10], HEALTHY)
        site_gateway.send(*UNIT, times_s[10:], PUMP_STANDS)
        [received] = mail.wait_for(1)
        plain, html = (received.message.get_body((kind,)) for kind in ("plain", "html"))
        assert plain is not None
        assert html is not None
        [link] = [x for x in plain.get_content().splitlines() if x.startswith("http://")]
        assert [link] == re.findall(r'href="(http:[^"]+)"', unescape(html.get_content()))
        assert stat.S_IMODE((data / KEY_FILE).stat().st_mode) == 0o600

        with RunningBoard(running.fleet, data) as board, open_records(data) as records:
            [ticket] = records.tickets()
            # A mail scanner, a preview, a browser that fetches ahead: all of them look.
            looks = [board.ask(link, method) for method in ("GET", "HEAD", "GET")]
            assert [look.status for look in looks] == [200, 200, 200]
            assert "Quay Cold Store / Condenser ac-1" in looks[0].text
            assert "Who are you?" in looks[2].text
            assert records.pending_actions() == []
            assert running.status.get("actions", 0) == 0

            chosen = re.search(
                rf'value="(\d)" required> <span>[^<]*<br><span class="soft">{ON_CALL}',
                looks[0].text,
            )
            assert chosen is not None
            form = {**hidden_fields(looks[0].text), "who": chosen[1], "note": "On my way <now>."}
            done = board.ask(link, "POST", form)
            assert done.status == 200, done.text
            assert "Acknowledged by Rui Prata" in done.text
            assert "Note: On my way &lt;now&gt;." in done.text

            def alarm() -> AlarmState:
                return records.standing_alarms(*UNIT)[0].state

            running.until(lambda: alarm() is AlarmState.ACKNOWLEDGED)
            detail = records.ticket(ticket.number)
            assert detail is not None
            assert detail.ticket.acknowledged_by == "Rui Prata"
            last = detail.entries[-1]
            assert (last.kind, last.by, last.note) == (
                "acknowledged", "Rui Prata", "On my way <now>."
            )  # fmt: skip

            again = board.ask(link, "POST", form)
            assert again.status == 409
            assert "Nothing was changed by this" in again.text
            assert "Acknowledged by Rui Prata" in again.text
            assert board.ask(link[:-1] + ("a" if link[-1] != "a" else "b")).status == 404
            assert link.rpartition("/")[2] not in board.log
        running.until(lambda: running.status.get("actions") == 1)
    assert link.rpartition("/")[2] not in running.log
    assert len(mail.received) == 1
