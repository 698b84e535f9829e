"""A ticket cannot be built without its isolation block, and says things in the site's own terms."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from ticket_scenes import (
    FAN_FAULT,
    HOUR_MS,
    ONSET_MS,
    SCENES,
    SCREEN_EVIDENCE,
    SITE_CUT_OFF,
    cut_off_notice,
    fan_notice,
    fault,
    mesa_site,
    notice,
    quay_site,
)

from gateway.tickets.document import build, clean
from gateway.tickets.notice import NoticeKind, TicketEntry, TicketEventKind
from gateway.tickets.ticket import Ticket
from rules.events import Evidence, Reading, Severity
from rules.jobplans import INSPECTION, JOB_PLANS, JobPlan, job_plan
from rules.safety import IsolationBlock, SafetyTextMissing, isolation_block

SITES = {site.id: site for site in (quay_site(), mesa_site())}


def _build(scene, fault_entry=None, plan: JobPlan | None = None, site=None) -> Ticket:
    site = site or SITES[scene.site_id]
    unit = site.unit(scene.unit_id) if scene.unit_id else None
    entry = fault_entry or fault()
    return build(scene, site, unit, entry, plan or job_plan(entry.job_plan))


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
@pytest.mark.parametrize("scene", SCENES.values(), ids=SCENES)
@pytest.mark.parametrize(
    "instead",
    [None, "isolate first", (), {}, object()],
    ids=["None", "words", "tuple", "dict", "object"],
)
def test_no_ticket_is_built_without_an_isolation_block(scene, plan, instead) -> None:
    """For every job plan, on units and on whole sites, the constructor itself refuses."""
    ticket = _build(scene, plan=plan)
    values = {f.name: getattr(ticket, f.name) for f in fields(Ticket)}
    assert Ticket(**values) == ticket
    with pytest.raises(SafetyTextMissing, match="no isolation block"):
        Ticket(**{**values, "isolation": instead})
    del values["isolation"]
    with pytest.raises(TypeError, match="isolation"):
        Ticket(**values)


@pytest.mark.parametrize("plan", JOB_PLANS, ids=lambda p: p.slug)
@pytest.mark.parametrize("scene", SCENES.values(), ids=SCENES)
def test_every_scene_carries_a_whole_block_for_its_own_machine_and_job(scene, plan) -> None:
    block = _build(scene, plan=plan).isolation
    assert type(block) is IsolationBlock
    assert (block.site_id, block.unit_id, block.plan) == (scene.site_id, scene.unit_id, plan.slug)


def test_the_block_of_another_machine_or_job_is_refused() -> None:
    ticket = _build(notice())
    other = mesa_site()
    with pytest.raises(SafetyTextMissing, match="mesa-produce"):
        replace(ticket, isolation=isolation_block(other, other.units[0], ticket.plan))
    with pytest.raises(SafetyTextMissing, match="'fan'"):
        replace(ticket, isolation=isolation_block(quay_site(), quay_site().units[0],
                                                  job_plan("fan")))  # fmt: skip


def test_names_times_and_units_are_the_sites() -> None:
    ticket = _build(notice())
    assert ticket.place == "Quay Cold Store / AC-1"
    assert ticket.since == "Tue 21 Jul 2026, 02:40 WEST (32 min before this event)"
    assert [r.measured for r in ticket.readings] == ["61.0 kPa", "2.41 A", "158.0 L/min", "171 mm"]
    assert ticket.readings[0].difference == "31 % below"
    assert ticket.readings[1].allowed == "2.45 A to 2.70 A"
    assert ticket.respond == "today, before the hot hours"


def test_a_us_site_reads_us_units_and_its_own_clock() -> None:
    """1760 kPa is 255.3 psia and 42.6 °C is 108.7 °F (scipy.constants, see the units' tests)."""
    ticket = _build(fan_notice(), FAN_FAULT)
    assert ticket.since.startswith("Mon 20 Jul 2026, 19:40 MDT")
    rows = {r.quantity: r for r in ticket.readings}
    assert rows["Head pressure"].measured == "255.3 psia"
    assert rows["Condensing temperature"].measured == "108.7 °F"
    assert rows["Condensing temperature"].difference == "9.9 °F above"
    assert "1540 to 1760 kPa (223.4 to 255.3 psi)" in ticket.summary
    assert ("Head pressure", "psia") in [(r.what, r.unit) for r in ticket.readings_to_take]


def test_a_missing_isolation_point_is_said_and_the_ticket_still_goes_out() -> None:
    assert "water" in _build(fan_notice(), plan=job_plan("pump-screen")).isolation.gaps[0]


def test_a_whole_site_is_named_without_a_unit() -> None:
    ticket = _build(cut_off_notice(), SITE_CUT_OFF)
    assert (ticket.place, ticket.unit_name, ticket.location) == ("Quay Cold Store", "", "")


def test_a_site_that_is_no_longer_on_file_is_said_to_be_missing() -> None:
    ticket = build(notice(), None, None, fault(), INSPECTION)
    assert ticket.place == "quay-cold-store / ac-1"
    assert "site file is missing" in ticket.address
    assert ticket.since.startswith("Tue 21 Jul 2026, 01:40 UTC")
    assert ticket.isolation.points[0].label == "NOT RECORDED"


def test_causes_are_ranked_and_what_is_ruled_out_is_kept_apart() -> None:
    ticket = _build(notice())
    assert [c.title for c in ticket.causes] == [
        "Suction screen clogged",
        "Worn or damaged impeller",
    ]
    assert ticket.causes[0].look_at == "screen, basin floor"
    assert ticket.causes[0].agreement == "fits well, 95 % of the signs"
    assert [c.title for c in ticket.ruled_out] == [
        "Pump drawing air",
        "Distribution holes blocked",
    ]


@pytest.mark.parametrize(
    ("left_s", "to", "text"),
    [
        (None, "trip", "cannot be told from these readings"),
        (float("nan"), "", "cannot be told from these readings"),
        (0.0, "trip", "none; then: trip"),
        (-5.0, "", "none"),
        (45 * 60.0, "", "about 45 min at this rate, until Tue 21 Jul 2026, 03:57 WEST"),
        (26 * 3600.0, "trip", "about 1 d 2 h at this rate, until Wed 22 Jul 2026, 05:12 WEST; "
                              "then: trip"),
        (9 * 86400.0, "", "about 9 days at this rate, until Thu 30 Jul 2026, 03:12 WEST"),
        (1e12, "", "longer than a year"),
    ],
)  # fmt: skip
def test_how_long_there_is(left_s, to, text) -> None:
    evidence = replace(SCREEN_EVIDENCE, time_left_s=left_s, time_left_to=to)
    assert _build(notice(evidence=evidence)).time_left == text


def test_time_left_is_right_over_the_end_of_summer_time() -> None:
    """The clocks of Lisbon go back on 25 October 2026 at 02:00: 24 h later it is an hour less."""
    eve_ms = 1_792_843_200_000  # Sat 24 Oct 2026, 13:00 in Lisbon (WEST, UTC+1)
    evidence = replace(SCREEN_EVIDENCE, time_left_s=86_400.0, time_left_to="")
    ticket = _build(notice(evidence=evidence, time_ms=eve_ms, onset_ms=eve_ms - HOUR_MS))
    assert ticket.since == "Sat 24 Oct 2026, 12:00 WEST (1 h before this event)"
    assert ticket.time_left == "about 1 d at this rate, until Sun 25 Oct 2026, 12:00 WET"


@pytest.mark.parametrize(
    ("confidence", "words"),
    [
        (0.97, "Very sure that the condition is real (about 95 %)"),
        (0.86, "Fairly sure that the condition is real (about 85 %)"),
        (0.55, "More likely than not that the condition is real (about 55 %)"),
        (0.3, "Only a suspicion that the condition is real (about 30 %)"),
        (7.0, "Very sure that the condition is real (about 100 %)"),
        (float("nan"), "Only a suspicion that the condition is real (about 0 %)"),
    ],
)
def test_confidence_is_said_in_words(confidence, words) -> None:
    ticket = _build(notice(evidence=replace(SCREEN_EVIDENCE, confidence=confidence)))
    assert ticket.confidence == words


def test_what_changed_is_said_first() -> None:
    assert _build(SCENES["screen-opened"]).outcome == ""
    worse = _build(SCENES["screen-worsened"])
    assert worse.outcome == "The priority rose from MEDIUM to HIGH."
    assert "same fault came back" in _build(SCENES["screen-repeated"]).outcome


@pytest.mark.parametrize("scene", ["screen-returned", "screen-passed"])
def test_what_is_over_sends_nobody_out_and_forecasts_nothing(scene: str) -> None:
    ticket = _build(SCENES[scene])
    assert ticket.is_over
    assert ticket.time_left == ""
    assert ticket.respond == "when next at the site"
    assert "Nobody needs to set out" in ticket.outcome
    assert "stays open until a person" in ticket.outcome
    assert ", until Tue 21 Jul 2026" in ticket.since


def test_history_names_who_did_what_when() -> None:
    rows = _build(SCENES["screen-worsened"]).history
    assert [r.what for r in rows] == [
        "opened, priority MEDIUM", "acknowledged, priority MEDIUM", "worsened, priority HIGH",
    ]  # fmt: skip
    assert rows[1].by == "Rui Prata"
    assert rows[1].note == "Will go at 9. Screen and brush are in the van."


@pytest.mark.parametrize(
    ("reading", "shown"),
    [
        (Reading("Level", None, "mm", expected=100.0), ("no reading", "100 mm", "", "")),
        (Reading("Level", float("nan"), "mm", expected=100.0), ("no reading", "100 mm", "", "")),
        (Reading("Level", 100.2, "mm", expected=100.0), ("100 mm", "100 mm", "as expected", "")),
        (Reading("Humidity", 70.0, "%", expected=60.0), ("70 %", "60 %", "10 points above", "")),
        (Reading("Air", 30.0, "°C", expected=33.5), ("30.0 °C", "33.5 °C", "3.5 K below", "")),
        (Reading("Bits", 3.0, "", expected=0.0), ("3", "0", "", "")),
        (Reading("Level", 90.0, "mm", low=95.0), ("90 mm", "", "", "at least 95 mm")),
        (Reading("Level", 90.0, "mm", high=80.0), ("90 mm", "", "", "at most 80 mm")),
    ],
)  # fmt: skip
def test_readings_against_what_was_expected(reading, shown) -> None:
    row = _build(notice(evidence=Evidence("s", 0.9, readings=(reading,)))).readings[0]
    assert (row.measured, row.expected, row.difference, row.allowed) == shown


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("two\nlines\r\nBcc: x@y.example", "two lines Bcc: x@y.example"),
        ("a\x00b\x1b[31mred", "a b [31mred"),
        ("turned \u202earound\u2069", "turned around"),
        ("  much   space\t", "much space"),
        ("\u2028sep\u2029arated", "sep arated"),
        ("lone \ud800 surrogate", "lone surrogate"),
        ("Straße 日本 می‌روم", "Straße 日本 می‌روم"),
    ],
)
def test_text_from_outside_becomes_one_clean_line(text: str, line: str) -> None:
    assert clean(text) == line


def test_too_much_text_is_cut_and_shows_it() -> None:
    assert clean("x" * 600) == "x" * 499 + "…"


def test_times_outside_the_calendar_do_not_stop_a_ticket() -> None:
    entry = TicketEntry(1, -(10**18), TicketEventKind.NOTE, Severity.LOW)
    ticket = _build(notice(time_ms=10**18, onset_ms=-(10**18), history=(entry,)))
    assert ticket.event_time == "at an unknown time"
    assert ticket.history[0].when == "at an unknown time"


def test_a_fault_without_a_response_time_gets_the_meaning_of_its_priority() -> None:
    ticket = _build(notice(priority="low"), fault(response={}))
    assert ticket.respond == "with the next planned work"


def test_the_scenes_cover_every_kind_of_notice() -> None:
    of_several = {
        NoticeKind.DIGEST,
        NoticeKind.HAND_OVER,
        NoticeKind.OUTAGE,
        NoticeKind.LETTER,
    }  # lists and letters, not documents
    assert {scene.kind for scene in SCENES.values()} == set(NoticeKind) - of_several
    assert notice().onset_ms == ONSET_MS
