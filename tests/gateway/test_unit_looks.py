"""What the board is shown of each unit: looked at in turns, kept in the records."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

import pytest
from support.fleet import HEALTHY, Feed, engine_of, row_of_values, rows_of, site, unit_data

import gateway.unit_looks
from gateway.records import Records
from gateway.unit_looks import HEARD_EVERY_MS, UnitLooks

SITES = (site(units=[unit_data("ac-1"), unit_data("ac-2"), unit_data("ac-3")]),)
KEYS = rows_of(SITES)


class Rig:
    """An engine, records and what looks at the units in between."""

    def __init__(self, url: Any) -> None:
        self.feed = Feed(engine_of(*SITES))
        self.records = Records(url)
        self.records.sync_units(KEYS)
        self.asked = 0
        self.now_ms = self.feed.now_ms
        self.looks = UnitLooks(
            self.records, self.ask, lambda: list(KEYS.values()), lambda: self.now_ms
        )

    def ask(self, what: Callable[..., Any]) -> Future[Any]:
        self.asked += 1
        done: Future[Any] = Future()
        done.set_result(what(self.feed.engine))
        return done

    def send(self, row: int) -> None:
        self.feed.now_ms += 60_000
        self.feed.send(row, self.feed.now_ms, row_of_values(HEALTHY))

    def heard(self) -> list[int]:
        found = [self.records.unit_look(site, unit) for site, unit in KEYS]
        return [0 if look is None else look.heard_ms for look in found]


@pytest.fixture
def rig(records_url):
    made = Rig(records_url)
    yield made
    made.records.close()


def test_a_look_comes_back_as_it_was_taken(rig):
    rig.feed.run(3600)
    rig.looks.run()
    look = rig.records.unit_look("north-hall", "ac-1")
    assert look.heard_ms == rig.feed.now_ms
    assert look.looked_ms == rig.now_ms
    assert look.state.wet is True
    assert look.state.pump_runs is True
    by_name = {r.signal: r for r in look.readings}
    assert by_name["basin_level"].reading.low == 140.0  # shut at 180 mm, band of 40 mm
    assert by_name["basin_level"].reading.high == 240.0
    assert rig.records.unit_look("north-hall", "none") is None


def test_units_take_turns_and_the_silent_are_not_looked_at_again(rig, monkeypatch):
    monkeypatch.setattr(gateway.unit_looks, "AT_ONCE", 1)
    for row in range(3):
        rig.send(row)
    seen = []
    for _ in range(3):
        rig.looks.run()
        rig.now_ms += 5_000
        seen.append([k for k in KEYS if (x := rig.records.unit_look(*k)) and x.state is not None])
    assert [len(s) for s in seen] == [1, 2, 3]
    before = [rig.records.unit_look(*k).looked_ms for k in KEYS]
    rig.send(1)
    rig.looks.run()
    after = [rig.records.unit_look(*k).looked_ms for k in KEYS]
    assert [a != b for a, b in zip(after, before, strict=True)] == [False, True, False]


def test_when_units_were_heard_is_written_at_intervals_for_all_of_them(rig, monkeypatch):
    monkeypatch.setattr(gateway.unit_looks, "AT_ONCE", 0)
    rig.send(0)
    first = rig.feed.now_ms
    rig.looks.run()
    assert rig.heard() == [first, 0, 0]
    rig.send(2)
    rig.looks.run()
    assert rig.heard() == [first, 0, 0]
    rig.now_ms += HEARD_EVERY_MS
    rig.looks.run()
    assert rig.heard() == [first, 0, rig.feed.now_ms]


def test_a_look_of_another_version_is_passed_over(rig):
    rig.feed.run(600)
    rig.looks.run()
    from sqlalchemy import create_engine, update

    from gateway.records.engines import parsed
    from gateway.records.models import UnitLookRecord

    engine = create_engine(parsed(rig.records._database.url))
    with engine.begin() as connection:
        connection.execute(update(UnitLookRecord).values(look={"state": {"speed": 3}}))
    engine.dispose()
    look = rig.records.unit_look("north-hall", "ac-1")
    assert look.heard_ms == rig.feed.now_ms
    assert look.state is None
    assert look.readings == ()
