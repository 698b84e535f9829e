"""From an own rule's condition to its ticket's text: engine, records and document together."""

from __future__ import annotations

from email.message import EmailMessage

import numpy as np
import pytest
from support.fleet import HEALTHY, T0_MS, row_of_values, rows_of, site_data, unit_data
from support.outbox import outbox_for, render
from support.records import PLANNER, RUI, WATCH
from support.smtp import MailCatcher

from gateway.records import Records
from gateway.tickets.notice import TicketNotice
from gateway.tickets.render import TEXT_WIDTH, MailRenderer
from gateway.tickets.routing import Routing, TeamRoute
from rules.engine import Engine
from rules.equipment import OwnRule, Site
from rules.events import StepResult
from rules.faults.registry import FAULTS
from rules.plan import FleetPlan

TEXT = "The header of hall 2 needs 50 kPa. See that valve V3 is open, then clean the header."
FLEET_RULE = OwnRule(
    id="low-spray", title="Spray pressure low", text=TEXT, priority="high",
    condition="spray_pressure < 50 and pump_running", on_delay_s=60.0,
    job_plan="distribution",
)  # fmt: skip
UNIT_RULE = FLEET_RULE.model_copy(
    update={"title": "Spray pressure low at ac-2", "job_plan": "pump-screen", "priority": "low"}
)
ROUTING = Routing(
    teams={"day": TeamRoute(on_call=(RUI,), planner=(PLANNER,), monitoring=(WATCH,))},
    team_of_site={"north-hall": "day"},
)


@pytest.fixture
def notices(tmp_path) -> list[TicketNotice]:
    """What the outbox would mail after both units showed the condition for ten minutes."""
    data = site_data(units=[unit_data("ac-1"), unit_data("ac-2")])
    data["units"][1]["rules"] = [UNIT_RULE.model_dump()]
    sites = [Site.model_validate(data)]
    rows = rows_of(sites)
    engine = Engine(FleetPlan.build(sites, rows, {}, rules=[FLEET_RULE]))
    records = Records(f"sqlite:///{tmp_path / 'records.sqlite'}", routing=ROUTING)
    records.sync_units(rows)
    events = []
    for minute in range(1, 11):
        time_ms = T0_MS + minute * 60_000
        values = np.stack([row_of_values({**HEALTHY, "spray_pressure": 41.0})] * 2)
        result = engine.samples(
            time_ms, np.array([0, 1], np.int32), np.full(2, time_ms, np.int64), values
        )
        events += [e for e in result.events if e.fault == "own-low-spray"]
    records.commit(1, StepResult(tuple(events)), [], time_ms)
    found: list[TicketNotice] = []

    def keep(notice: TicketNotice) -> EmailMessage:
        found.append(notice)
        return render(notice)

    with MailCatcher() as server:
        assert outbox_for(records, server, render=keep).pump(time_ms + 1).accepted == 2
    records.close()
    return sorted(found, key=lambda n: n.unit_id)


def _text(renderer: MailRenderer, notice: TicketNotice) -> str:
    part = renderer(notice).get_body(("plain",))
    assert part is not None
    return part.get_content()


def _renderer() -> MailRenderer:
    data = site_data(units=[unit_data("ac-1"), unit_data("ac-2")])
    data["units"][1]["rules"] = [UNIT_RULE.model_dump()]
    return MailRenderer([Site.model_validate(data)], FAULTS, rules=[FLEET_RULE])


def test_each_unit_has_one_ticket_with_the_words_of_its_own_rule(notices):
    assert [(n.unit_id, n.fault, n.priority) for n in notices] == [
        ("ac-1", "own-low-spray", "high"), ("ac-2", "own-low-spray", "low"),
    ]  # fmt: skip
    assert [tuple(p.email for p in n.to) for n in notices] == [(RUI.email,), (PLANNER.email,)]
    renderer = _renderer()
    subjects = [renderer(n)["Subject"] for n in notices]
    assert subjects[0].startswith("P1 HIGH - North Hall / AC-1: spray pressure low (BW-")
    assert subjects[1].startswith("P3 LOW - North Hall / AC-2: spray pressure low at ac-2 (BW-")


def test_the_text_has_isolation_readings_condition_and_job(notices):
    text = _text(_renderer(), notices[0])
    assert max(map(len, text.splitlines())) <= TEXT_WIDTH
    words = " ".join(text.split())
    for said in (
        "This is a rule of your own: spray_pressure < 50 and pump_running.",
        TEXT,
        "MAKE IT SAFE FIRST",
        "[ ] Q1 (electrical): fans and pump",
        "Spray pressure 41.0 kPa",
        "Pump running 1 yes",
        "Clear the distribution pipe and its holes",
        "Respond today",
        "ECP-1, plant room folder",
    ):
        assert said in words, said
    assert text.index("MAKE IT SAFE FIRST") < text.index("THE JOB")
    other = " ".join(_text(_renderer(), notices[1]).split())
    assert "Clean the pump's suction screen" in other


def test_a_rule_that_is_gone_still_makes_a_mail_with_the_isolation_block(notices):
    site = Site.model_validate(site_data(units=[unit_data("ac-1"), unit_data("ac-2")]))
    words = " ".join(_text(MailRenderer([site], FAULTS), notices[0]).split())
    assert "Own low spray" in words
    assert "Spray pressure low. This is a rule of your own" in words
    assert "[ ] Q1 (electrical): fans and pump" in words


def test_hostile_words_of_a_rule_stay_words(notices):
    nasty = FLEET_RULE.model_copy(
        update={"title": "Low\nBcc: x@y.example", "text": "<script>x()</script> {{ t }} & done"}
    )
    data = site_data(units=[unit_data("ac-1"), unit_data("ac-2")])
    renderer = MailRenderer([Site.model_validate(data)], FAULTS, rules=[nasty])
    mail = renderer(notices[0])
    assert mail["Bcc"] is None
    page = mail.get_body(("html",)).get_content()
    assert "<script>" not in page
    assert "{{ t }}" in page
