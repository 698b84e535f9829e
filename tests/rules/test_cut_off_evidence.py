"""What is told of a site that is cut off: the age of its newest reading, where there is one."""

from __future__ import annotations

from support.fleet import T0_MS, Feed, engine_of, site, unit_data

from rules.engine import Engine
from rules.events import Reading


def age_told(engine: Engine, now_ms: int) -> Reading:
    """Of the one cut-off that the next ticks of the clock raise."""
    engine.site_status(now_ms, "north-hall", False)
    events = [e for i in range(3) for e in engine.clock(now_ms + 5000 * i).events]
    [cut] = [e for e in events if e.fault == "site-cut-off"]
    assert cut.evidence is not None
    [age] = [r for r in cut.evidence.readings if r.quantity == "Age of the newest reading"]
    return age


def an_engine() -> Engine:
    units = [unit_data("ac-1"), unit_data("ac-2")]
    return engine_of(site("north-hall", units), settings={"site-cut-off": {"on_delay_s": 0.0}})


def test_a_site_that_was_heard_is_told_with_the_age_of_its_newest_reading() -> None:
    engine = an_engine()
    feed = Feed(engine)
    feed.run(600)
    age = age_told(engine, feed.now_ms + 240_000)
    assert (age.measured, age.unit) == (4.0, "min")


def test_a_site_never_heard_of_has_no_age() -> None:
    """A retained ``offline`` may be the first that a new gateway hears of a site."""
    age = age_told(an_engine(), T0_MS)
    assert age.measured is None
    assert "ever heard" in age.note
