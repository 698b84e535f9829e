"""Every text that carries work carries the isolation before it, whatever fault, job, site or way.

The order is that of 29 CFR 1910.147(d)(1) to (6), the release that of (e)(1) to (3): prepare, shut
down, isolate, lock or tag, stored energy, verify; machine, people, locks. The marks below are our
reading of those paragraphs, written down here a second time and not taken from the code.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader
from report_scenes import PRICES, a_month
from ticket_scenes import cut_off_notice, fan_notice, mesa_site, notice, quay_site

from gateway.channels.cloud_event import EVENT_NAMES, cloud_event
from gateway.channels.short_text import short_text
from gateway.digests.listing import Listing, ListingItem
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.reports.compose import site_report
from gateway.reports.page import html_page, text_page
from gateway.reports.paper import report_pdf
from gateway.reports.words import FaultNames
from gateway.tickets.jobsheet import job_sheet
from gateway.tickets.notice import NoticeKind, Recipient, TicketNotice
from gateway.tickets.render import MailRenderer
from gateway.visits.course import Course, CourseJob, CourseStop
from gateway.visits.pack import Pack, build_pack
from gateway.visits.pack_mail import Sender, cancel_letter, pack_html, pack_letter, pack_text
from gateway.visits.pack_paper import pack_paper
from rules.events import Cause, Evidence
from rules.faults.base import Fault
from rules.faults.registry import FAULTS
from rules.jobplans import JOB_PLANS, JobPlan, job_plan
from rules.safety import SafetyTextMissing
from rules.safety_claims import claims

RENDER = MailRenderer([quay_site(), mesa_site()], FAULTS)
PLACES = {"eu": notice(), "us": fan_notice(), "whole site": cut_off_notice()}
ORDER = (
    "energy-control procedure",  # named as what comes first
    "Isolation points",
    "1. Prepare",
    "Know each energy that reaches the machine",  # (d)(1)
    "2. Tell people, then shut down",
    "Tell everyone whom the stop affects",  # (c)(9), (d)(2)
    "3. Isolate",
    "Operate every isolating device",  # (d)(3)
    "4. Lock and tag",
    "Your own lock and your own tag",  # (d)(4)
    "5. Let stored energy go, or hold it",
    "wind turns them",  # (d)(5)(i)
    "keep checking until the work is done",  # (d)(5)(ii)
    "6. Verify",
    "try to start",  # (d)(6)
    "absence of voltage",
)
RELEASE = (
    "Tools, rags and spare parts out",  # (e)(1)
    "Everyone clear",  # (e)(2)(i)
    "off by the person who put it on",  # (e)(3)
)
SAID = ("does not authorise work", "no permit", "are not isolation")


def squeezed(text: str) -> str:
    return " ".join(text.replace("[ ]", " ").replace("☐", " ").split())


def mail_text(scene: TicketNotice, render: MailRenderer = RENDER) -> str:
    return squeezed(render.text(render.ticket(scene)))


def mail_html(scene: TicketNotice, render: MailRenderer = RENDER) -> str:
    page = render.html(render.ticket(scene)).partition("</head>")[2]
    return squeezed(html.unescape(re.sub(r"<[^>]+>", " ", page)))


def sheet(scene: TicketNotice, render: MailRenderer = RENDER) -> str:
    pdf = job_sheet(render.ticket(scene), made_ms=scene.date_ms)
    return squeezed(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages))


MAILS: dict[str, Callable[[TicketNotice], str]] = {"text": mail_text, "html": mail_html}
"""Every way by which a text with work in it goes out, but for the slower sheet."""


def scene_of(base: TicketNotice, fault: Fault, cause: str = "", **changes: object) -> TicketNotice:
    evidence = Evidence("Something is out of order.", 0.9)
    if cause:
        evidence = replace(evidence, causes=(Cause(cause, "This one leads", 1.0),))
    return replace(base, fault=fault.slug, evidence=evidence, **changes)


def check(text: str, plan: JobPlan, title: str) -> None:
    """The whole block, in the regulation's order, before any step of the job; and no claim."""
    for said in SAID:
        assert said in text, said
    at = 0
    for mark in ORDER:
        found = text.find(mark, at)
        assert found >= 0, f"'{mark}' is missing, or comes too early"
        at = found
    job = text.find(squeezed(plan.steps[0])[:60])
    assert job > at, "the job comes before the isolation"
    at = job
    for mark in RELEASE:
        found = text.find(mark, at)
        assert found >= 0, f"'{mark}' is missing, or comes too early"
        at = found
    assert title in text
    assert claims(text) == ()


CASES = [
    (fault, cause, job_plan(job))
    for fault in FAULTS
    for cause, job in {
        (c.job_plan or fault.job_plan): (c.slug, c.job_plan or fault.job_plan) for c in fault.causes
    }.values()
] + [(fault, "", job_plan(fault.job_plan)) for fault in FAULTS]


LISTS = (NoticeKind.DIGEST, NoticeKind.HAND_OVER, NoticeKind.OUTAGE)
ANY_JOB = {
    (fault.slug, plan.slug): replace(
        fault, slug=f"{fault.slug}-with-{plan.slug}", job_plan=plan.slug, causes=()
    )
    for fault in FAULTS
    for plan in JOB_PLANS
}
"""Every fault with every job: a job plan may be given to any of them, or to a rule of a fleet."""
ANY_JOB_RENDER = MailRenderer([quay_site(), mesa_site()], ANY_JOB.values())


def test_the_cases_walk_every_fault() -> None:
    assert {fault.slug for fault, _, _ in CASES} == {fault.slug for fault in FAULTS}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("way", MAILS)
def test_every_mail_carries_the_isolation_first(way: str, place: str) -> None:
    for fault, cause, plan in CASES:
        scene = scene_of(PLACES[place], fault, cause)
        assert RENDER.ticket(scene).plan.slug == plan.slug
        check(MAILS[way](scene), plan, fault.title)


@pytest.mark.parametrize("kind", [k for k in NoticeKind if k not in (*LISTS, NoticeKind.LETTER)])
@pytest.mark.parametrize("way", MAILS)
def test_every_kind_of_mail_carries_it(way: str, kind: NoticeKind) -> None:
    scene = notice(kind)
    check(MAILS[way](scene), RENDER.ticket(scene).plan, RENDER.ticket(scene).title)


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_every_job_carries_it_in_every_way(plan: JobPlan) -> None:
    place = list(PLACES.values())[JOB_PLANS.index(plan) % len(PLACES)]
    for catalogued in FAULTS:
        fault = ANY_JOB[catalogued.slug, plan.slug]
        for way in (mail_text, mail_html):
            check(way(scene_of(place, fault), ANY_JOB_RENDER), plan, fault.title)
    check(sheet(scene_of(place, fault), ANY_JOB_RENDER), plan, fault.title)


@pytest.mark.parametrize("kind", LISTS)
def test_a_list_names_no_work_and_says_where_the_isolation_stands(kind: NoticeKind) -> None:
    items = tuple(
        ListingItem(f"BW-{n:06d}", "quay-cold-store", "ac-1", fault.slug, "low", "open", 1, 2)
        for n, fault in enumerate(FAULTS)
    )
    mail = RENDER(replace(notice(), kind=kind, listing=Listing("North", "UTC", 9, None, items)))
    plain = squeezed(mail.get_body(("plain",)).get_content())
    page = mail.get_body(("html",)).get_content().partition("</head>")[2]
    for text in (plain, squeezed(html.unescape(re.sub(r"<[^>]+>", " ", page)))):
        for fault in FAULTS:
            assert fault.title in text
        for plan in JOB_PLANS:
            assert not any(squeezed(step)[:40] in text for step in plan.steps)
        assert "does not authorise work" in text
        assert "begins with the isolation points" in text
        assert "A remote stop is not isolation." in text
        assert claims(text) == ()


def test_a_report_names_no_work_and_says_where_the_isolation_stands() -> None:
    """With every fault raised, open and wasting; as mail, page and paper."""
    month = a_month()
    tickets = tuple(
        replace(month.tickets[0], id=n, number=f"BW-{n:06d}", fault=fault.slug)
        for n, fault in enumerate(FAULTS)
    )
    raised = tuple(replace(month.raised[0], fault=fault.slug) for fault in FAULTS)
    full = replace(month, tickets=tickets, raised=raised)
    report = site_report(full, FaultNames((), [full.site]), PRICES, full.until_ms)
    page = html_page(report).partition("</head>")[2]
    paper = PdfReader(BytesIO(report_pdf(report))).pages
    for text in (
        squeezed(text_page(report)),
        squeezed(html.unescape(re.sub(r"<[^>]+>", " ", page))),
        squeezed(" ".join(p.extract_text() for p in paper)),
    ):
        for plan in JOB_PLANS:
            assert not any(squeezed(step)[:40] in text for step in plan.steps)
        assert "does not authorise work" in text
        assert "begins with the isolation points" in text
        assert "A remote stop is not isolation." in text
        assert claims(text) == ()


def test_what_other_systems_are_told_carries_the_whole_isolation() -> None:
    """A work order may be made of the event's data alone."""
    for base in PLACES.values():
        for fault, cause, plan in CASES:
            scene = scene_of(base, fault, cause)
            data = json.loads(cloud_event(RENDER.ticket(scene), scene, "here"))["data"]
            assert data["job"]["steps"] == list(plan.steps)
            check(squeezed(in_the_mails_words(data)), plan, fault.title)


@pytest.mark.parametrize("kind", EVENT_NAMES)
def test_every_kind_of_event_carries_it(kind: NoticeKind) -> None:
    scene = notice(kind)
    ticket = RENDER.ticket(scene)
    data = json.loads(cloud_event(ticket, scene, "here"))["data"]
    check(squeezed(in_the_mails_words(data)), ticket.plan, ticket.title)


def in_the_mails_words(data: dict[str, Any]) -> str:
    """Every text of an event's data in the order in which it stands there.

    The release is part of the isolation's object but comes after the job, so it is put last here.
    """
    release = data["isolation"].pop("release")
    names = {"procedure": "energy-control procedure", "points": "Isolation points"}

    def words(node: Any, key: str = "") -> Iterator[str]:
        if key in names:
            yield names[key]
        if isinstance(node, dict):
            if {"number", "title", "actions"} <= node.keys():
                yield f"{node['number']}. {node['title']}"
                yield from node["actions"]
                return
            for name, value in node.items():
                yield from words(value, name)
        elif isinstance(node, list):
            for value in node:
                yield from words(value)
        elif isinstance(node, str):
            yield node

    return " ".join((*words(data), *words(release)))


def test_a_short_text_names_no_work_and_says_to_lock_out_first() -> None:
    for fault, cause, plan in CASES:
        for place in PLACES.values():
            scene = scene_of(place, fault, cause)
            text = squeezed(short_text(RENDER.ticket(scene), scene))
            assert "LOCK OUT BEFORE WORK" in text
            assert not any(squeezed(step)[:40] in text for step in plan.steps)
            assert claims(text) == ()


# --- work packs of visits -------------------------------------------------------------------------


def visit_of(site_ids: tuple[str, ...], jobs: tuple[str, ...]) -> VisitRow:
    """A visit with every one of these jobs at each site's first unit, and its panel's."""
    stops = []
    for site_id in site_ids:
        site = next(s for s in (quay_site(), mesa_site()) if s.id == site_id)
        units = {slug: "" if job_plan(slug).place == "panel" else site.units[0].id for slug in jobs}
        stops.append(
            CourseStop(
                site_id, 10_000_000, 20_000_000, 0.5, "The limit is near.", True, 5_000_000,
                tuple(
                    CourseJob(f"{site_id}/{unit}/{slug}", unit, slug, slug, 1.0, True, (), "Due.")
                    for slug, unit in units.items()
                ),
            )
        )  # fmt: skip
    course = Course("Van 1", 9_000_000, 30_000_000, 1.0, 2.0, "", tuple(stops))
    return VisitRow(
        "V-000007", VisitState.PROPOSED, "van-1", "1970-01-01", 9_000_000, 30_000_000, -1, "",
        course, 1, "plan", "",
    )  # fmt: skip


def pack_with(*jobs: str, sites: tuple[str, ...] = ("quay-cold-store", "mesa-produce")) -> Pack:
    row = visit_of(sites, jobs)
    return build_pack(row, (quay_site(), mesa_site()), {}, {}, kind="new", now_ms=1)


def pdf_of(pack: Pack) -> str:
    reader = PdfReader(BytesIO(pack_paper(pack, made_ms=1)))
    return squeezed(" ".join(page.extract_text() for page in reader.pages))


PACK_MAILS: dict[str, Callable[[Pack], str]] = {
    "text": lambda pack: squeezed(pack_text(pack)),
    "html": lambda pack: squeezed(
        html.unescape(re.sub(r"<[^>]+>", " ", pack_html(pack).partition("</head>")[2]))
    ),
}


@pytest.mark.parametrize("way", PACK_MAILS)
def test_a_work_packs_mail_carries_the_isolation_of_every_job_and_no_step(way: str) -> None:
    pack = pack_with(*(plan.slug for plan in JOB_PLANS))
    text = PACK_MAILS[way](pack)
    for said in (*SAID, "local codes", "licensed practice"):
        assert said in text, said
    at = 0
    for mark in (*ORDER, *RELEASE):
        at = text.find(mark, at)
        assert at >= 0, f"'{mark}' is missing, or comes too early"
    for job in pack.jobs:
        for step in job.isolation.steps:
            for action in step.actions:
                assert squeezed(action) in text
        for point in job.isolation.points:
            assert squeezed(point.verify) in text
        for gap in job.isolation.gaps:
            assert squeezed(gap) in text
        assert text.index(job.document.plan.title) > text.index("does not authorise work")
        assert not any(squeezed(step)[:40] in text for step in job.document.plan.steps)
    assert claims(text) == ()


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
def test_a_work_packs_paper_carries_the_isolation_before_each_job(plan: JobPlan) -> None:
    place = "quay-cold-store" if JOB_PLANS.index(plan) % 2 else "mesa-produce"
    text = pdf_of(pack_with(plan.slug, sites=(place,)))
    front, _, sheet_text = text.partition("JOB SHEET")
    for said in (*SAID, "local codes", "licensed practice"):
        assert said in front, said
    assert not any(squeezed(step)[:40] in front for step in plan.steps)
    check(sheet_text, plan, plan.title)
    assert claims(text) == ()


def test_a_pack_of_several_jobs_has_a_sheet_for_each() -> None:
    pack = pack_with("pads", "pump-screen", "telemetry")
    sheets = pdf_of(pack).split("JOB SHEET")[1:]
    assert len(sheets) == len(pack.jobs) == 6
    for text, job in zip(sheets, pack.jobs, strict=True):
        check(text, job.document.plan, job.document.plan.title)


def test_a_pack_without_a_job_is_refused() -> None:
    with pytest.raises(SafetyTextMissing, match="V-000007 has no job"):
        build_pack(visit_of((), ()), (), {}, {}, kind="new", now_ms=1)


def test_a_visits_calendar_entry_and_its_cancellation_name_no_work() -> None:
    row, to = visit_of(("quay-cold-store",), ("pads",)), (Recipient("Van", "van@north.example"),)
    sender = Sender("desk@north.example", "abc")
    letter = pack_letter(pack_with("pads"), row, to, sender, now_ms=1)
    entry = letter.files[1].content.decode().replace("\r\n ", "").replace("\\,", ",")
    off = cancel_letter(row, to, sender, by="P. Lane", note="", zone=UTC, now_ms=1)
    assert "LOCK OUT BEFORE WORK" in entry
    assert "does not authorise work" in entry
    assert "Do not begin its work" in off.text
    for text in (squeezed(entry), squeezed(off.text)):
        assert not any(step[:40] in text for plan in JOB_PLANS for step in plan.steps)
        assert claims(text) == ()
