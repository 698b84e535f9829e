"""Every fault of the catalogue makes a whole ticket and a sound mail, on every kind of site."""

from __future__ import annotations

import email
from dataclasses import replace
from email import policy

import pytest
from ticket_scenes import cut_off_notice, fan_notice, mesa_site, notice, quay_site

from gateway.tickets.notice import PRIORITY_OF
from gateway.tickets.render import TEXT_WIDTH, MailRenderer
from rules.events import Cause
from rules.faults.base import Fault
from rules.faults.registry import FAULTS
from rules.jobplans import job_plan, missing_plans
from rules.safety import IsolationBlock

LEADS = {"HIGH": "P1 HIGH", "MEDIUM": "P2 MEDIUM", "LOW": "P3 LOW"}
BY_FAULT = pytest.mark.parametrize("fault", FAULTS, ids=lambda f: f.slug)


def test_every_job_plan_of_the_catalogue_exists() -> None:
    assert missing_plans(FAULTS) == ()


@BY_FAULT
@pytest.mark.parametrize(
    "base", [notice(), fan_notice(), cut_off_notice()], ids=["eu", "us", "site"]
)
def test_every_fault_makes_its_ticket_at_every_priority(fault: Fault, base) -> None:
    render = MailRenderer([quay_site(), mesa_site()], FAULTS)
    for severity, words in fault.response.items():
        scene = replace(base, fault=fault.slug, priority=PRIORITY_OF[severity])
        ticket = render.ticket(scene)
        assert type(ticket.isolation) is IsolationBlock
        assert ticket.respond == words
        mail = email.message_from_bytes(render(scene).as_bytes(), policy=policy.default)
        assert not mail.defects
        assert mail["Subject"].startswith(f"{LEADS[severity.name]} - {ticket.place}: ")
        text = mail.get_body(("plain",)).get_content()
        assert max(map(len, text.splitlines())) <= TEXT_WIDTH
        for said in (fault.meaning, fault.consequence, fault.action):
            assert said[:30].replace(" ", "") in "".join(text.split())


@BY_FAULT
def test_a_cause_that_clearly_leads_brings_its_own_plan(fault: Fault) -> None:
    render = MailRenderer([quay_site()], FAULTS)
    for cause in fault.causes:
        lead = Cause(cause.slug, cause.title, 1.0)
        scene = notice(fault=fault.slug, evidence=replace(notice().evidence, causes=(lead,)))
        ticket = render.ticket(scene)
        assert ticket.plan is job_plan(cause.job_plan or fault.job_plan)
        assert ticket.isolation.plan == ticket.plan.slug
        assert ticket.causes[0].look_at == cause.look_at
