"""When the gateway holds itself for the problem: at which limit, until when, and in which words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from support.gateway_status import STATUS

from gateway.journal import Fill, JournalState
from gateway.status import GatewayStatus, OutboxStatus, ReaderStatus
from gateway.watching.conditions import CONDITIONS, Sight, lasting
from gateway.watching.settings import WatchSettings

LIMITS = WatchSettings()
AT_REST = ReaderStatus(90, 0, 0, 0)
FINE = replace(
    STATUS, rules=AT_REST, store=AT_REST, outbox=OutboxStatus({}, None, 0), mail_waiting=0,
    troubles=(), store_up=True,
)  # fmt: skip
BY_SLUG = {c.slug: c for c in CONDITIONS}


def behind(seconds: float = 0.0, frames: int = 1) -> ReaderStatus:
    return ReaderStatus(40, 50, 0, 0, frames, seconds)


def waiting(seconds: float) -> GatewayStatus:
    oldest_ms = FINE.now_ms - int(1000 * seconds)
    return replace(FINE, outbox=OutboxStatus({"pending": 3}, oldest_ms, 0), mail_waiting=3)


def filled(fill: Fill) -> GatewayStatus:
    return replace(FINE, journal=JournalState(fill, 410_000_000, 500_000_000, 1, 90, 0))


@dataclass(frozen=True)
class Case:
    """A sight that is just in order, one just beyond, one that still counts once it stands, one
    that then does not, and words of the value.
    """

    at: Sight
    beyond: Sight
    still: Sight
    calm: Sight
    words: str


CASES = {
    "broker-away": Case(
        Sight(FINE, broker_away_s=300), Sight(FINE, broker_away_s=301),
        Sight(FINE, broker_away_s=1), Sight(FINE), "away for 5 min",
    ),
    "journal-away": Case(
        Sight(FINE, journal_away_s=60), Sight(FINE, journal_away_s=61),
        Sight(FINE, journal_away_s=1), Sight(FINE), "not written for 61 s",
    ),
    "journal-near-budget": Case(
        Sight(FINE), Sight(filled(Fill.NEAR)), Sight(filled(Fill.FULL)), Sight(FINE),
        "82 %, 410 MB",
    ),
    "rules-behind": Case(
        Sight(replace(FINE, rules=behind(300))), Sight(replace(FINE, rules=behind(301, 7000))),
        Sight(replace(FINE, rules=behind(151))), Sight(replace(FINE, rules=behind(149))),
        "5 min, 7,000 frames",
    ),
    "store-behind": Case(
        Sight(replace(FINE, store=behind(frames=2_000_000))),
        Sight(replace(FINE, store=behind(frames=2_000_001))),
        Sight(replace(FINE, store=behind(901))), Sight(replace(FINE, store=behind(899))),
        "2,000,001 frames",
    ),
    "mail-not-going-out": Case(
        Sight(waiting(1800)), Sight(waiting(1801)), Sight(waiting(901)), Sight(waiting(899)),
        "3 waiting, the oldest for 30 min",
    ),
    "all-sites-silent": Case(
        Sight(FINE, unheard_s=600), Sight(FINE, unheard_s=601), Sight(FINE, unheard_s=201),
        Sight(FINE, unheard_s=199), "no message from any of 3 sites for 10 min",
    ),
    "many-refused": Case(
        Sight(FINE, refused=60, records=300), Sight(FINE, refused=61, records=300),
        Sight(FINE, refused=55, records=549), Sight(FINE, refused=55, records=551),
        "20 % (61 of 300 records in 10 min)",
    ),
    "clock-stepped": Case(
        Sight(FINE, clock_step_s=-10), Sight(FINE, clock_step_s=-3600),
        Sight(FINE, clock_step_s=11), Sight(FINE), "set back by 60 min",
    ),
    "thread-stuck": Case(
        Sight(FINE, still={"pipeline": 120}), Sight(FINE, still={"pipeline": 121, "outbox": 5}),
        Sight(FINE, still={"outbox": 200}), Sight(FINE), "pipeline for 2 min",
    ),
}  # fmt: skip


def test_every_condition_has_its_case():
    assert CASES.keys() == BY_SLUG.keys()
    assert len(BY_SLUG) == len(CONDITIONS)


@pytest.mark.parametrize("slug", CASES)
def test_it_begins_beyond_its_limit_and_ends_well_below(slug):
    judge, case = BY_SLUG[slug].judge, CASES[slug]
    assert judge(case.at, LIMITS, False) is None
    finding = judge(case.beyond, LIMITS, False)
    assert finding is not None
    assert finding.value == case.words
    assert finding.limit
    assert judge(case.still, LIMITS, True) is not None
    assert judge(case.calm, LIMITS, True) is None


@pytest.mark.parametrize("slug", CASES)
def test_only_the_condition_that_is_met_is_found(slug):
    found = [c.slug for c in CONDITIONS if c.judge(CASES[slug].beyond, LIMITS, False)]
    assert found == [slug]


@pytest.mark.parametrize("condition", CONDITIONS, ids=lambda c: c.slug)
def test_each_says_what_it_means_and_what_to_do(condition):
    for text in (condition.means, condition.action):
        assert text[0].isupper()
        assert text.endswith(".")
    assert len(condition.action) > 40
    assert not condition.title.endswith(".")


def test_a_gateway_that_knows_nothing_yet_accuses_itself_of_nothing():
    blank = replace(FINE, journal=None, outbox=None, alarms=None, mail_waiting=None)
    assert [c.slug for c in CONDITIONS if c.judge(Sight(blank), LIMITS, False)] == []


def test_silence_of_two_sites_is_theirs():
    few = replace(FINE, sites=2)
    assert BY_SLUG["all-sites-silent"].judge(Sight(few, unheard_s=9999), LIMITS, False) is None


def test_a_handful_of_refused_records_is_no_share():
    sight = Sight(FINE, refused=49, records=49)
    assert BY_SLUG["many-refused"].judge(sight, LIMITS, False) is None


def test_what_stands_for_long_says_since_when_and_why():
    finding = BY_SLUG["broker-away"].judge(
        Sight(FINE, broker_away_s=301, broker_why="Cannot reach it."), LIMITS, False
    )
    assert finding is not None
    assert (finding.why, finding.lasted_s) == ("Cannot reach it.", 301)


@pytest.mark.parametrize(
    ("seconds", "words"), [(0, "0 s"), (119.4, "119 s"), (120, "2 min"), (7199, "120 min"),
                           (7200, "2.0 h"), (90_000, "25.0 h")],
)  # fmt: skip
def test_times_are_told_as_people_say_them(seconds, words):
    assert lasting(seconds) == words
