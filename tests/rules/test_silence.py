"""Silence by the receiver's clock: a unit that is not heard, and a site that is cut off."""

from __future__ import annotations

from support.fleet import HEALTHY, Feed, engine_of, row_of_values, site, unit_data

from rules.engine import Engine
from rules.events import Action, ActionKind, AlarmState, Change
from rules.plan import FleetPlan

HOUR = 3600.0


def two_sites():
    return engine_of(site("north-hall", [unit_data("ac-1"), unit_data("ac-2")]), site("south-hall"))


def tick(feed, seconds, *, listening=True, speak=()):
    """Ticks of the receiver's clock, every five seconds; ``speak`` rows send a frame a minute."""
    for i in range(int(seconds / 5)):
        feed.now_ms += 5000
        if i % 12 == 0:
            for row in speak:
                feed.send(row, feed.now_ms, row_of_values(HEALTHY))
        feed.events += feed.engine.clock(feed.now_ms, listening=listening).events


def test_a_silent_unit_is_stale_and_heard_again():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    tick(feed, 3800, speak=(0, 2))
    assert [(e.fault, e.unit_row) for e in feed.events] == [("unit-stale", 1)]
    assert feed.events[0].evidence.causes[0].slug == "unit-link"
    tick(feed, 200, speak=(0, 1, 2))
    assert feed.events[-1].change is Change.RETURNED


def test_a_site_that_falls_silent_is_one_alarm_not_one_a_unit():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    tick(feed, 6 * HOUR, speak=(2,))
    assert [(e.fault, e.unit_row) for e in feed.events] == [("site-cut-off", 0)]


def test_a_cut_off_explains_the_silence_of_its_own_units_whatever_others_are_silent():
    """Units that are silent already are judged beside those of other sites."""
    feed = Feed(
        engine_of(
            site("north-hall", [unit_data("ac-1"), unit_data("ac-2")]),
            site("south-hall"),
            site("west-hall"),
        )
    )
    tick(feed, 120, speak=(0, 1, 2, 3))
    tick(feed, 3800, speak=(0, 3))
    tick(feed, HOUR, speak=(3,))
    assert [(e.fault, e.unit_row, e.change) for e in feed.events] == [
        ("unit-stale", 1, Change.RAISED),
        ("unit-stale", 2, Change.RAISED),
        ("site-cut-off", 0, Change.RAISED),
        ("unit-stale", 1, Change.SUPPRESSED),
    ]


def test_a_link_that_comes_back_within_half_an_hour_is_no_cut_off():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    tick(feed, 1700, speak=(2,))
    tick(feed, 600, speak=(0, 1, 2))
    feed.engine.site_status(feed.now_ms, "south-hall", False)
    tick(feed, 1100, speak=(0, 1))
    tick(feed, 600, speak=(0, 1, 2))
    assert feed.events == []


def test_a_unit_that_is_heard_later_than_its_site_again_is_not_stale():
    """A site comes back unit by unit; one that stays away is told an hour after the site."""
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    tick(feed, 6 * HOUR, speak=(2,))
    tick(feed, 3500, speak=(0, 2))
    assert feed.raised() == ["site-cut-off"]
    tick(feed, 200, speak=(0, 2))
    assert feed.raised() == ["site-cut-off", "unit-stale"]


def test_a_link_that_drops_each_hour_does_not_hide_a_dead_unit():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    for _ in range(3):
        feed.engine.site_status(feed.now_ms, "north-hall", False)
        tick(feed, 60, speak=(2,))
        tick(feed, 1500, speak=(0, 2))
    assert feed.raised() == ["unit-stale"]
    feed.engine.site_status(feed.now_ms, "north-hall", False)
    tick(feed, 60, speak=(2,))
    tick(feed, 600, speak=(0, 2))
    assert [e.change for e in feed.events] == [Change.RAISED], "it was not heard meanwhile"


def test_a_last_will_cuts_the_site_off_until_it_is_heard():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    feed.engine.site_status(feed.now_ms, "south-hall", False)
    tick(feed, 2500, speak=(0, 1))
    assert [(e.fault, e.unit_row) for e in feed.events] == [("site-cut-off", 2)]
    assert "its connection to the broker broke" in feed.events[0].evidence.summary
    tick(feed, 200, speak=(0, 1, 2))
    assert feed.events[-1].change is Change.RETURNED


def test_one_tick_of_a_wrong_clock_does_not_deafen_the_gateway():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    feed.engine.clock(feed.now_ms + 86_400_000)
    tick(feed, 2 * HOUR, speak=(2,))
    assert [(e.fault, e.unit_row) for e in feed.events] == [("site-cut-off", 0)]


def test_a_unit_at_work_does_not_mute_its_site():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    work = Action(1, ActionKind.OUT_OF_SERVICE, 0, "", feed.now_ms, "operator", "")
    feed.events += feed.engine.act(work).events
    tick(feed, 2 * HOUR, speak=(2,))
    assert feed.raised() == ["site-cut-off"]


def test_a_sites_alarm_ends_when_another_unit_carries_it():
    before = [site("north-hall", [unit_data("ac-1"), unit_data("ac-2")])]
    feed = Feed(engine_of(*before))
    tick(feed, 120, speak=(0, 1))
    tick(feed, 2 * HOUR)
    assert feed.raised() == ["site-cut-off"]
    after = [site("north-hall", [unit_data("ac-2")])]
    rows = {("north-hall", "ac-1"): 0, ("north-hall", "ac-2"): 1}
    moved = Engine(FleetPlan.build(after, rows, {}))
    moved.restore(feed.engine.snapshot())
    (event,) = [e for e in moved.clock(feed.now_ms + 5000).events if e.unit_row == 0]
    assert (event.fault, event.change, event.state) == (
        "site-cut-off", Change.RETURNED, AlarmState.NORMAL
    )  # fmt: skip


def test_the_order_of_units_in_the_file_does_not_move_the_sites_alarms():
    rows = {("north-hall", "ac-1"): 0, ("north-hall", "ac-2"): 1}
    turned = [site("north-hall", [unit_data("ac-2"), unit_data("ac-1")])]
    assert FleetPlan.build(turned, rows, {}).anchor_row.tolist() == [0]


def test_silence_while_the_gateway_could_not_listen_accuses_nobody():
    feed = Feed(two_sites())
    tick(feed, 120, speak=(0, 1, 2))
    tick(feed, 6 * HOUR, listening=False)
    feed.now_ms += int(48 * HOUR * 1000)  # and it was down for two days
    tick(feed, 300)
    assert feed.events == []
