"""What a bleed line is used to pass, and that a line that closes does not teach its own remnant.

Flows and conductivities are worked out by hand: at 3.1 L/min of evaporation and make-up of
300 µS/cm a bleed of B holds the water at 300 (1 + 3.1 / B), a solids balance as in any textbook.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import engine_of

from rules.bleed_habit import AS_EVER_FRAC, close_bleed, share_of_usual

DAY_BINS = 288
DUE_US_CM = 1.2 * 3.0 * 300.0


class Line:
    """The bleed line of one unit, by its meter."""

    def __init__(self) -> None:
        engine = engine_of()
        self.plan, self.state, self.row = engine.plan, engine.state, np.array([0])

    def bin(self, l_min: float, us_cm: float = 900.0) -> None:
        """One mean of five minutes of wet running."""
        close_bleed(self.plan, self.state, self.row, np.ones(1), np.array([l_min]),
                    np.array([us_cm]))  # fmt: skip

    def days(self, days: float, l_min: float, us_cm: float = 900.0) -> Line:
        """So long with the same flow."""
        for _ in range(round(days * DAY_BINS)):
            self.bin(l_min, us_cm)
        return self

    def share(self, l_min: float) -> float:
        """What such a flow is of the usual one."""
        return float(share_of_usual(self.plan, self.state, self.row, np.full((1, 24), l_min))[0])


def test_a_bleed_that_is_open_a_tenth_of_the_time_is_used_to_the_flow_of_that_tenth():
    line = Line()
    for k in range(8 * DAY_BINS):
        line.bin(10.0 if k % 10 == 9 else 0.0)
    assert line.share(10.0) == pytest.approx(1.0, rel=0.02)
    assert line.share(2.5) < AS_EVER_FRAC


def test_one_that_opens_first_after_days_is_known_by_its_first_hours_of_flow():
    line = Line().days(3.0, 0.0).days(0.1, 1.0).days(0.4, 4.0, us_cm=2.0 * DUE_US_CM)
    assert line.share(4.0) < 1.5


def test_a_line_that_closes_over_three_months_is_still_known_as_it_was():
    """From 1.55 L/min, the three cycles intended, to 0.4. It is overdue from 1.19 L/min on."""
    line = Line()
    for l_min in np.linspace(1.55, 0.4, 90 * DAY_BINS):
        line.bin(l_min, 300.0 * (1.0 + 3.1 / l_min))
    assert line.share(0.4) < 0.6 * AS_EVER_FRAC


@pytest.mark.parametrize("wanders", [-0.1, 0.1])
def test_water_above_where_the_bleed_is_due_teaches_no_flow(wanders):
    line = Line().days(4.0, 1.5)
    before = line.share(1.5)
    line.days(10.0, 1.5 * (1.0 + wanders), us_cm=1.05 * DUE_US_CM)
    assert line.share(1.5) == before


@pytest.mark.parametrize("us_cm", [900.0, np.nan])
def test_less_that_suffices_or_of_which_nothing_is_known_is_learned_slowly(us_cm):
    """Ten days of a smaller flow take 10 / 80 of the way to it, of a greater one 10 / 20."""
    less = Line().days(4.0, 1.5).days(10.0, 0.75, us_cm)
    assert less.share(0.75) == pytest.approx(0.75 / (0.75 + 0.75 * np.exp(-10 / 80)), rel=0.01)
    more = Line().days(4.0, 1.0).days(10.0, 1.4, us_cm)
    assert more.share(1.4) == pytest.approx(1.4 / (1.4 - 0.4 * np.exp(-10 / 20)), rel=0.01)
