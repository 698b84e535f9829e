"""What is said of fans that are missing: how many, which, and no more than was sent."""

from __future__ import annotations

import pytest
from support.fleet import Feed, engine_of

from rules.events import Evidence


def told(fault: str, **frame: float | None) -> Evidence:
    """The evidence of four fans that are all commanded at full speed, ten minutes long."""
    feed = Feed(engine_of())
    feed.run(1800.0, fan_speed=100.0)
    feed.run(600.0, **{"fan_speed": 100.0, **frame})
    (event,) = [e for e in feed.events if e.fault == fault]
    assert event.evidence is not None
    return event.evidence


@pytest.mark.parametrize(
    ("run", "said"),
    [(0b0111, "1 of 4 fans is commanded"), (0b0011, "2 of 4 fans are commanded")],
)
def test_where_stages_hide_which_fan_is_missing_their_number_is_said(run, said):
    assert told("fan-not-proven", fan_run=float(run)).summary.startswith(said)


def test_bits_of_fans_that_are_not_there_are_not_counted():
    """A controller of sixteen fans sends all its bits, and four of them are here."""
    proven = told("fan-not-proven", fan_run=float(0xFFF7)).readings[0]
    assert (proven.measured, proven.expected) == (3.0, 4.0)


@pytest.mark.parametrize(("fault", "fits"), [(0.0, ("no fault is reported",)), (None, ())])
def test_no_fault_is_reported_only_where_faults_are(fault, fits):
    feed = Feed(engine_of())
    feed.run(1800.0, fan_speed=100.0, fan_fault=fault)
    feed.run(600.0, fan_speed=100.0, fan_fault=fault, fan_run=7.0)
    (event,) = [e for e in feed.events if e.fault == "fan-not-proven"]
    cause = next(c for c in event.evidence.causes if c.slug == "contactor")
    assert cause.fits == fits


def test_such_bits_hide_no_missing_fan_behind_a_high_head_pressure():
    found = told("head-pressure-high", fan_run=float(0xFFF7), fan_speed=70.0, head_pressure=1690.0)
    proven = next(r for r in found.readings if r.quantity == "Fans proven running")
    assert (proven.measured, proven.expected) == (3, 4)
    lost = next(c for c in found.causes if c.slug == "fan-capacity-lost")
    assert "fans are missing" in lost.fits
