"""``basinward tickets undelivered``, against real records and a real mail server."""

from __future__ import annotations

import json
from pathlib import Path

from support.outbox import outbox_for
from support.records import NOW_MS, ROUTING, RUI, WATCH, open_records, raised, step
from support.smtp import MailCatcher
from typer.testing import CliRunner

from gateway.cli.app import app
from gateway.tickets.routing import Routing

RUNNER = CliRunner()


def undelivered(data: Path, *options: str) -> str:
    result = RUNNER.invoke(app, ["tickets", "undelivered", "--data", str(data), *options])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_refused_unaddressed_and_waiting_messages_are_listed_with_the_servers_words(
    tmp_path: Path,
) -> None:
    teams = {"quay-cold-store": "north"}  # nobody looks after the other site
    records = open_records(tmp_path, routing=Routing(ROUTING.teams, teams))
    assert undelivered(tmp_path).startswith("Every message was taken")
    with MailCatcher() as server:
        outbox = outbox_for(records, server)
        records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
        server.behaviour.rcpt[RUI.email] = "550 5.1.1 no such\x1b[31m mailbox"
        outbox.pump(NOW_MS)
        records.commit(2, step(raised(NOW_MS, row=1), raised(NOW_MS, row=2)), [], NOW_MS)
        server.behaviour.rcpt[WATCH.email] = "451 4.3.0 try later"
        outbox.pump(NOW_MS)
    records.close()
    lines = json.loads(undelivered(tmp_path, "--json"))
    assert [(x["ticket"], x["to"], x["state"], x["attempts"]) for x in lines] == [
        ("BW-000003", "", "unaddressed", 0),
        ("BW-000002", RUI.email, "refused", 1),
        ("BW-000002", WATCH.email, "waiting", 1),
        ("BW-000001", RUI.email, "refused", 1),
    ]
    assert "oncall.toml" in lines[0]["reply"]
    assert lines[2]["reply"] == "451 4.3.0 try later"
    shown = undelivered(tmp_path)
    assert "no such [31m mailbox" in shown
    assert "\x1b" not in shown
    assert "correct the address in oncall.toml" in shown
    assert "The list ends at 1 messages" in undelivered(tmp_path, "--limit", "1")
