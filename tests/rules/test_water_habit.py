"""The solids ledger and the habit of bleeding, against an integrator that counts litres and solids.

The basin of these tests holds its level; by day it evaporates ten times what it does by night.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import engine_of, site, unit_data

from rules.baselines import act_on_baselines
from rules.events import Action, ActionKind
from rules.state import BIN_MS, LEDGER_LINES, TRACE, TRACE_BINS
from rules.water_habit import Says, keep_habits, verdict
from rules.water_ledger import newest_lines, open_and_close

MAKEUP_US_CM = 300.0
LEVEL_MM, AREA_M2, PULL_DOWN_MM = 160.0, 2.0, 20.0
VOLUME_L = AREA_M2 * (LEVEL_MM + PULL_DOWN_MM)
BINS_A_DAY = 288


def always(l_min):
    return lambda _evaporation: l_min


def paced(cycles):
    return lambda evaporation: evaporation / (cycles - 1.0)


class Running:
    """A unit that runs wet all day, bin by bin: what the rules remember of it, and the truth."""

    def __init__(self, bleed, *, weather=True):
        engine = engine_of(site(units=[unit_data()]))
        self.plan, self.state = engine.plan, engine.state
        self.bleed, self.makeup_us_cm, self.probe = bleed, MAKEUP_US_CM, 1.0
        self.weather = weather
        self.solids = 800.0 * VOLUME_L
        self.bin = 5_900_000
        self.rng = np.random.default_rng(4)
        self.said = []

    def step(self, *, empty=False, on=True):
        evaporation = 0.35 + 3.0 * max(0.0, np.sin(2 * np.pi * self.bin / BINS_A_DAY)) ** 2
        conductivity = 0.0
        for _ in range(5):
            c = self.solids / VOLUME_L
            out = self.bleed(evaporation)
            self.solids += (evaporation + out) * self.makeup_us_cm - out * c
            conductivity += c / 5.0
        if empty:
            self.solids = self.makeup_us_cm * VOLUME_L
        row = np.full(len(TRACE), np.nan)
        noise = 1.0 + self.rng.normal(0.0, 0.005)
        if not empty:
            row[TRACE.index("conductivity")] = conductivity * noise * self.probe
        if self.weather:
            row[TRACE.index("evaporation")] = evaporation * on
        level = 2.0 if empty else LEVEL_MM + self.rng.normal(0.0, 0.6)
        row[TRACE.index("level_running" if on else "level_at_rest")] = level
        state = self.state
        state.trace[0, :, self.bin % TRACE_BINS] = row
        state.trace_bin[0] = self.bin
        state.pump_state[0] = int(on)
        at = np.array([self.bin])
        written = open_and_close(self.plan, state, np.array([0]), at, np.array([float(on)]))
        if len(written):
            keep_habits(self.plan, state, np.array([0]))
        self.said.append(Says(int(state.ledger_says[0])))
        self.bin += 1

    def run(self, days):
        for _ in range(round(days * BINS_A_DAY)):
            self.step()
        return self

    def refill(self):
        for _ in range(10):
            self.step(empty=True, on=False)
        return self

    @property
    def says(self):
        return self.said[-1]


@pytest.mark.parametrize("bleed", [0.0, 0.4, 1.5, 4.0])
def test_a_line_of_the_ledger_finds_the_bleed_whatever_the_hour(bleed):
    unit = Running(always(bleed)).run(1.5)
    lines = newest_lines(unit.state, np.array([0]), 8)
    found = lines.gained / (lines.ratio - 1.0)
    # Solids that gather are counted, so the climb after a change does not spoil it.
    np.testing.assert_allclose(found, bleed, atol=0.12 + 0.05 * bleed)
    assert unit.state.ledger_count[0] == 12


@pytest.mark.parametrize(("bleed", "steady"), [(always(1.5), True), (paced(3.0), False)])
def test_both_ways_of_bleeding_are_learned_and_stay_fine(bleed, steady):
    unit = Running(bleed).run(6)
    b0, b1, _, _ = unit.state.habit[0]
    if steady:
        assert b0 == pytest.approx(1.5, rel=0.08)
        assert b1 == pytest.approx(0.0, abs=0.05)
    else:
        assert b1 == pytest.approx(0.5, rel=0.08)
        assert b0 == pytest.approx(0.0, abs=0.1)
    # Cool nights say nothing of a bleed that is paced.
    assert set(unit.said[-BINS_A_DAY:]) <= {Says.NOTHING, Says.FINE}
    assert Says.FINE in unit.said[-BINS_A_DAY:]


@pytest.mark.parametrize(
    ("usual", "fault", "expected"),
    [
        (always(1.5), {"bleed": always(3.3)}, Says.MORE),
        (paced(3.0), {"bleed": always(3.3)}, Says.MORE),
        (always(1.5), {"bleed": always(0.4)}, Says.LESS),
        (paced(3.0), {"bleed": paced(8.0)}, Says.LESS),
        (paced(3.0), {"bleed": always(0.0)}, Says.LESS),
        (always(1.5), {"makeup_us_cm": 1.8 * MAKEUP_US_CM}, Says.HARDER),
        (always(1.5), {"probe": 0.55}, Says.LOWER),
        (paced(3.0), {"probe": 0.55}, Says.LOWER),
    ],
)  # fmt: skip
def test_each_change_is_told_by_what_fits_all_hours(usual, fault, expected):
    unit = Running(usual).run(4)
    vars(unit).update(fault)
    before = len(unit.said)
    unit.run(3)
    told = [s for s in unit.said[before:] if s not in (Says.NOTHING, Says.FINE)]
    assert unit.says is expected
    assert told.index(expected) == 0 or told[: told.index(expected)].count(expected) == 0
    assert len(told) > BINS_A_DAY
    found = verdict(unit.plan, unit.state, np.array([0]))
    if expected is Says.MORE:
        assert found.bleed_l_min[0] == pytest.approx(3.3, rel=0.1)
    if "makeup_us_cm" in fault:
        assert found.makeup_ratio[0] == pytest.approx(1.8, rel=0.1)
    # Mended, it says so within a day.
    unit.bleed, unit.makeup_us_cm, unit.probe = usual, MAKEUP_US_CM, 1.0
    unit.run(1.5)
    assert unit.says is Says.FINE


def test_a_basin_filled_anew_tells_harder_make_up_from_a_bleed_that_carries_less():
    for change, expected in (
        ({"makeup_us_cm": 1.8 * MAKEUP_US_CM}, Says.HARDER),
        ({"bleed": paced(8.0)}, Says.LESS),
    ):
        unit = Running(paced(3.0)).run(4)
        vars(unit).update(change)
        for _ in range(3):
            unit.refill().run(1.2)
        assert expected in unit.said[-BINS_A_DAY:]
        wrong = {Says.LESS, Says.HARDER} - {expected}
        assert not wrong & set(unit.said[-BINS_A_DAY:])


def test_without_weather_only_a_tight_habit_is_learned():
    swings = Running(always(1.5), weather=False).run(5)
    assert np.isnan(swings.state.habit[0]).all()
    assert swings.says is Says.NOTHING
    tight = Running(paced(3.0), weather=False).run(5)
    assert tight.says is Says.FINE
    tight.probe = 0.55
    tight.run(2)
    assert tight.says is Says.LOWER


def test_a_run_too_short_or_with_a_gap_makes_no_line():
    unit = Running(always(1.5))
    for _ in range(20):
        unit.step()
    unit.step(on=False)
    assert unit.state.ledger_count[0] == 0
    for _ in range(30):
        unit.step()
    unit.bin += 12  # silent for an hour
    unit.step()
    assert unit.state.ledger_count[0] == 0
    assert unit.state.ledger_from[0] == unit.bin - 1


def test_habits_are_frozen_and_reset_by_a_person():
    unit = Running(always(1.5))
    unit.state.baseline_frozen[0] = True
    unit.run(3)
    assert np.isnan(unit.state.habit[0]).all()
    unit.state.baseline_frozen[0] = False
    unit.run(0.5)
    assert not np.isnan(unit.state.habit[0]).any()
    action = Action(1, ActionKind.RESET_BASELINE, 0, "", unit.bin * BIN_MS, "who", "")
    act_on_baselines(unit.state, 0, action)
    assert np.isnan(unit.state.habit[0]).all()
    assert unit.state.ledger_count[0] == 0
    assert unit.state.ledger_says[0] == Says.NOTHING
    assert LEDGER_LINES == 12
