"""Hand-back: what the readings of one unit prove after work on it, and what they cannot."""

from __future__ import annotations

import pytest
from support.fleet import Feed, engine_of, lived_feed

from rules.events import Action, ActionKind
from rules.handback import Answer, HandBackItem, hand_back, is_normal, is_proven

HOUR = 3600.0
OK, NOT_OK, NOT_KNOWN = Answer.OK, Answer.NOT_OK, Answer.NOT_KNOWN


@pytest.fixture
def learned() -> Feed:
    """A healthy unit after eight hours."""
    feed = lived_feed(8.0)
    assert feed.events == []
    return feed


def look(feed: Feed, fault="fan-fault", **more) -> dict[str, HandBackItem]:
    at = feed.engine.look(0)
    assert at is not None
    return {item.what: item for item in hand_back(at, fault, **more)}


def answers(items: dict[str, HandBackItem]) -> list[Answer]:
    return [item.answer for item in items.values()]


def test_a_machine_in_order_is_proven_by_readings_taken_since(learned: Feed) -> None:
    since = learned.now_ms + 1
    before = look(learned, since_ms=since)
    assert set(answers(before)) == {NOT_KNOWN}
    assert {item.why for item in list(before.values())[:5]} == {"no reading since the hand-back"}
    assert not is_proven(list(before.values()))
    learned.run(300)
    items = look(learned, since_ms=since)
    assert answers(items) == [OK] * 6
    assert is_proven(list(items.values()))
    pump = items["Pump current"].reading
    assert pump is not None
    assert pump.low is not None
    assert pump.high is not None
    # Learned at 3.6 A: 8 % down, and up to the lowest ratio of the overload, 1.12.
    assert (pump.low, pump.high) == pytest.approx((0.92 * 3.6, 1.12 * 3.6), rel=0.02)


@pytest.mark.parametrize(
    ("what", "changes", "why"),
    [
        ("Fans proven", {"fan_run": 7.0}, "1 are missing"),
        ("Fans proven", {"fan_fault": 2.0}, "1 of 4 fans report a fault"),
        ("Pump current", {"pump_current": 3.0}, "learned when clean"),
        ("Pump current", {"pump_current": 4.4}, "learned when clean"),
        ("Pump current", {"pump_current": 0.0}, "commanded to run and does not"),
        ("Basin level", {"basin_level": 100.0}, "not rising yet"),
        ("Basin level", {"basin_level": 239.0}, "at the overflow"),
        ("Conductivity", {"conductivity": 1600.0}, ""),
        ("Head pressure", {"head_pressure": 1600.0}, "to the cut-out, 4 K wanted"),
        ("The ticket's alarm", {"fan_fault": 2.0}, "stands"),
    ],
)
def test_what_is_not_in_order_is_told_with_why(
    learned: Feed, what: str, changes: dict[str, float], why: str
) -> None:
    since = learned.now_ms + 1
    learned.run(600, **changes)
    items = look(learned, since_ms=since)
    assert items[what].answer is NOT_OK
    assert why in items[what].why
    assert not is_proven(list(items.values()))


def test_what_a_unit_never_sends_is_not_held_against_it() -> None:
    feed = Feed(engine_of())
    silent = {
        "fan_run": None, "fan_fault": None, "conductivity": None, "head_pressure": None,
        "supply_voltage": None,
    }  # fmt: skip
    feed.run(600, **silent)
    items = look(feed, "pump-screen-clogging", since_ms=feed.now_ms - 300_000)
    for what in ("Fans proven", "Conductivity", "Head pressure"):
        assert (items[what].answer, items[what].sent, items[what].why) == (
            NOT_KNOWN, False, "signal not sent",
        )  # fmt: skip
    assert is_proven(list(items.values()))
    assert not is_proven([items["Fans proven"]]), "what shows nothing proves nothing"


def test_a_machine_that_is_not_wanted_proves_nothing(learned: Feed) -> None:
    since = learned.now_ms + 1
    learned.run(300, fan_run=0.0, fan_speed=0.0, pump_command=0.0, pump_current=0.0, wet_mode=0.0)
    items = look(learned, since_ms=since)
    assert items["Fans proven"].why == "the fans are not commanded to run"
    assert items["Pump current"].why == "the pump is not commanded to run"
    assert [items[w].answer for w in ("Fans proven", "Pump current")] == [NOT_KNOWN] * 2
    assert not is_proven(list(items.values()))


def test_a_pump_that_has_just_started_is_waited_for(learned: Feed) -> None:
    learned.run(600, pump_command=0.0, pump_current=0.0, wet_mode=0.0)
    since = learned.now_ms + 1
    learned.run(120)
    assert look(learned, since_ms=since)["Pump current"].why == "the pump has just started"
    learned.run(180)
    assert look(learned, since_ms=since)["Pump current"].answer is OK


def test_a_basin_that_fills_is_in_order_before_it_is_full(learned: Feed) -> None:
    since = learned.now_ms + 1
    learned.run(60, basin_level=90.0)
    learned.run(60, basin_level=100.0)
    low = look(learned, since_ms=since, lowest_mm=90.0)["Basin level"]
    assert (low.answer, low.why) == (OK, "below the float's band, and rising")
    assert look(learned, since_ms=since, lowest_mm=99.0)["Basin level"].answer is NOT_OK


def test_the_alarm_counts_while_its_delay_runs_and_not_while_out_of_service(learned: Feed) -> None:
    since = learned.now_ms + 1
    learned.run(60, fan_fault=1.0)
    assert "delay still runs" in look(learned, since_ms=since)["The ticket's alarm"].why
    action = Action(1, ActionKind.OUT_OF_SERVICE, 0, "", learned.now_ms, "Ana")
    learned.engine.act(action)
    learned.run(300)
    item = look(learned, since_ms=since)["The ticket's alarm"]
    assert (item.answer, item.why) == (NOT_KNOWN, "it is out of service")


@pytest.mark.parametrize(("sends_command", "answer"), [(True, NOT_KNOWN), (False, OK)])
def test_the_mode_stands_for_a_command_only_where_none_was_ever_sent(sends_command, answer) -> None:
    """A unit without a current, whose command falls silent after the work."""
    silent = {"pump_current": None, "pump_command": None}
    feed = Feed(engine_of())
    feed.run(10 * HOUR, step_s=300.0, **(silent if not sends_command else {"pump_current": None}))
    since = feed.now_ms + 1
    feed.run(900.0, **silent)
    item = look(feed, "pump-not-running", since_ms=since)["The ticket's alarm"]
    assert item.answer is answer
    assert ("pump command" in item.why) is sends_command


def test_an_own_rule_is_answered_by_what_the_records_know(learned: Feed) -> None:
    for stands, answer in ((True, NOT_OK), (False, OK), (None, NOT_KNOWN)):
        items = look(learned, "own-basin-cold", since_ms=0, stands=stands)
        assert items["The ticket's alarm"].answer is answer


def test_without_a_learned_current_the_nameplate_gives_a_wide_band() -> None:
    feed = Feed(engine_of())
    feed.run(600)
    item = look(feed, since_ms=0)["Pump current"]
    assert item.reading is not None
    # At shut-off half the shaft power: sqrt(0.45² + (1 - 0.45²) 0.5²) = 0.634 of 4.0 A.
    assert item.reading.low == pytest.approx(0.634 * 4.0, rel=0.002)
    assert item.reading.high == pytest.approx(1.12 * 4.0)
    assert "nothing learned" in item.why


def test_normal_is_told_apart_from_not_known(learned: Feed) -> None:
    def normal(fault: str) -> bool | None:
        at = learned.engine.look(0)
        assert at is not None
        return is_normal(at, fault)

    assert [normal(f) for f in ("fan-fault", "pump-overload", "conductivity-high")] == [True] * 3
    learned.run(300, fan_speed=0.0, fan_run=0.0, pump_command=0.0, pump_current=0.0, wet_mode=0.0)
    assert [normal(f) for f in ("fan-fault", "pump-overload")] == [None, None]
    assert normal("conductivity-high") is True
    learned.run(1800, conductivity=None)
    assert normal("conductivity-high") is None, "a value that is too old proves nothing"
    learned.run(600, fan_fault=1.0)
    assert normal("fan-fault") is False


def test_items_are_read_back_from_json(learned: Feed) -> None:
    items = look(learned, since_ms=learned.now_ms)
    assert [HandBackItem.from_json(i.to_json()) for i in items.values()] == list(items.values())


def test_a_row_that_is_not_judged_has_no_look(learned: Feed) -> None:
    assert learned.engine.look(7) is None
    assert learned.engine.look(-1) is None
