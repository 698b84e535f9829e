"""What is said of fans that are missing: how many, which, and no more than was sent."""

from __future__ import annotations

import pytest
from support.fleet import Feed, engine_of

from rules.events import Evidence
from rules.faults.rejection import causes_of, heat_of


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


def signs_of(run: int, *, staged: float = 0.5, fault: float = 0.0) -> tuple[str, ...]:
    """What the causes of a warm condensing say of the fans, of four at a command of half."""
    feed = Feed(engine_of(settings={"fan-not-proven": {"staged": staged}}))
    feed.run(1800.0, fan_speed=50.0, fan_run=float(run), fan_fault=fault)
    look = feed.engine.look(0)
    assert look is not None
    causes = {c.slug: c for c in causes_of(look, heat_of(look))}
    found = (causes["coil-fouled"].fits, causes["fan-capacity-lost"].fits)
    return tuple(text for fits in found for text in fits if "fans" in text)


@pytest.mark.parametrize("staged", [0.5, 1.0])
def test_fans_that_no_stage_asks_for_are_not_missing(staged):
    """Two of four run at half of the stages: nothing says that they are ill, or that all are."""
    assert signs_of(0b0011, staged=staged) == ()


@pytest.mark.parametrize("case", [{"run": 0b0001, "staged": 1.0}, {"run": 0b0111, "staged": 0.0},
                                  {"run": 0b0011, "staged": 1.0, "fault": 8.0}])  # fmt: skip
def test_fans_that_are_asked_for_and_do_not_run_are_missing(case):
    assert signs_of(**case) == ("fans are missing or drop out",)
