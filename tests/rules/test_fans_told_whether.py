"""Fans in stages whose command is all or nothing: it says whether they should run, not how many.

Many step controllers send 100 % while any fan is wanted. The same course of proofs under a command
that counts the fans is another thing: there one that is left out is missing.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import Life, live
from side_by_side import Columns, Played, hour_of, play, times_ms, without_fan_words
from support.fleet import Feed, engine_of

from rules.events import AlarmEvent, Change
from rules.faults.fans import fans_missing
from rules.look import UnitLook
from rules.staging import says_nothing_of_airflow

STEP_S = 300.0
DAYS, BREAKS_H = 3.0, 60.0
TRIES_H, STOPS_H = 48.0, 50.0
FANS = 4
N = int(DAYS * 86_400 / STEP_S)
HOURS = np.arange(1, N + 1) * STEP_S / 3600.0


def wanted() -> np.ndarray:
    """Fans that the load wants, none to four and back within seven hours, half an hour each."""
    course = np.array([0, 1, 2, 3, 4, 4, 3, 2, 3, 4, 3, 2, 1, 1])
    return course[(np.arange(N) // 6) % len(course)]


def scenes() -> dict[str, Columns]:
    rng = np.random.default_rng(3)
    n = wanted()
    broken = HOURS >= BREAKS_H
    all_or_nothing = np.where(n > 0, 100.0, 0.0)

    def bank(running: np.ndarray, command: np.ndarray) -> Columns:
        proofs = 2.0 ** np.minimum(running, FANS) - 1.0
        return without_fan_words(proofs, rng) | {
            "fan_speed": command.astype(float), "fan_fault": np.zeros(N),
        }  # fmt: skip

    return {
        "all or nothing": bank(n, all_or_nothing),
        "all or nothing, then none": bank(np.where(broken, 0, n), all_or_nothing),
        "all or nothing, then in hand": bank(
            np.where(broken, 1, n), np.where(broken, 0.0, all_or_nothing)
        ),
        "counted": bank(n, 25.0 * n),
        "counted, then one less": bank(np.where(broken, np.maximum(n - 1, 0), n), 25.0 * n),
        "all at once, then one less": bank(
            np.where(n > 0, np.where(broken, FANS - 1, FANS), 0), all_or_nothing
        ),
        "always wanted, one never runs": bank(np.full(N, FANS - 1), np.full(N, 100.0)),
        "always wanted, then one less": bank(
            np.where(HOURS >= 2.0, FANS - 1, FANS), np.full(N, 100.0)
        ),
        "well known, then tries and stops": bank(
            np.where((HOURS >= TRIES_H) & ((HOURS < TRIES_H + 1.0) | (HOURS >= STOPS_H)),
                     FANS - 1, FANS),
            np.full(N, 100.0),
        ) | {"heat_load": np.full(N, 150.0)},
    }  # fmt: skip


def said(staged: float) -> dict[str, dict[str, dict[str, float]]]:
    """The part of a plate that says whether the fans are in stages."""
    return {"settings": {"fan-not-proven": {"staged": staged}}}


TOGETHER = "all or nothing, and the site file says that all run together"
COUNTED = "always wanted, one never runs, and the site file says that its command counts"


@pytest.fixture(scope="module")
def lived() -> Played:
    told = scenes()
    more = {TOGETHER: told["all or nothing"], COUNTED: told["always wanted, one never runs"]}
    return play(told | more, times_ms(N, STEP_S), {TOGETHER: said(0.0), COUNTED: said(1.0)})


def after_a_day(events: list[AlarmEvent]) -> list[str]:
    return [e.fault for e in events if e.change is Change.RAISED and hour_of(e) > 24.0]


@pytest.mark.parametrize("name", ["all or nothing", "counted"])
def test_fans_that_nobody_wants_are_not_missing(lived, name):
    assert after_a_day(lived.events[name]) == []


@pytest.mark.parametrize("fault", ["fan-not-proven", "fan-capacity-lost"])
def test_nothing_is_said_before_its_stages_are_known(lived, fault):
    assert lived.of(fault)["all or nothing"] == []


def test_a_fan_that_never_ran_is_missing_after_two_days(lived):
    """Nothing says that the bank is in stages, but nothing says that it is not."""
    (told,) = lived.of("fan-not-proven")["always wanted, one never runs"]
    assert told.change is Change.RAISED
    assert 48.0 <= hour_of(told) < 49.0


def test_a_fan_that_stops_where_all_ran_is_missing_at_once(lived):
    told = lived.of("fan-not-proven")["always wanted, then one less"][0]
    assert told.change is Change.RAISED
    assert 2.0 <= hour_of(told) < 3.0


def test_a_fan_that_trips_again_is_missing_at_once_where_the_clean_td_is_known(lived):
    """Two days are long enough to have shown stages."""
    name = "well known, then tries and stops"
    assert "td_wet" in [b.quantity for b in lived.baselines[name]]
    told = lived.of("fan-not-proven")[name]
    raised = [hour_of(e) for e in told if e.change is Change.RAISED]
    assert STOPS_H <= raised[-1] < STOPS_H + 1.0


def test_the_site_file_has_the_last_word(lived):
    assert "fan-not-proven" in after_a_day(lived.events[TOGETHER])


def test_no_two_days_are_waited_for_where_the_site_file_says_that_the_command_counts(lived):
    (told,) = lived.of("fan-not-proven")[COUNTED]
    assert told.change is Change.RAISED
    assert hour_of(told) < 1.0


def test_nor_are_fans_that_drop_out_taken_for_fans_that_nobody_wants():
    """One trips for a moment; then all do, for 100 s of each ten minutes."""
    banks = {staged: Life(**said(staged)) for staged in (0.5, 1.0)}
    for life in banks.values():
        for duration_s, proofs in (
            (3600.0, 15.0), (20.0, 7.0), *((500.0, 15.0), (100.0, 0.0)) * 40
        ):  # fmt: skip
            life.run(duration_s, step_s=20.0, fan_speed=100.0, fan_run=proofs)
    live(banks.values())
    assert banks[0.5].raised() == []
    assert banks[1.0].raised() == ["fan-capacity-lost"]


def test_a_bank_of_which_none_runs_is_missing_all_the_same(lived):
    told = [
        e for e in lived.of("fan-not-proven")["all or nothing, then none"]
        if e.change is Change.RAISED and hour_of(e) > 24.0
    ]  # fmt: skip
    assert BREAKS_H <= hour_of(told[0]) < BREAKS_H + 2.0
    for event in told:
        assert event.evidence is not None
        assert "4 of 4 fans" in event.evidence.summary


def test_a_fan_that_runs_at_a_command_of_nothing_is_not_wanted(lived):
    told = after_a_day(lived.events["all or nothing, then in hand"])
    assert told == ["fan-not-commanded"]


@pytest.mark.parametrize("name", ["counted, then one less", "all at once, then one less"])
def test_under_a_command_that_counts_or_is_for_all_one_less_is_missing(lived, name):
    told = after_a_day(lived.events[name])
    assert "fan-not-proven" in told


def test_no_fan_is_missing_in_what_else_is_said_of_the_unit(lived):
    end_ms = int(times_ms(N, STEP_S)[-1])
    for name, missing in (("all or nothing", 0), ("counted, then one less", 1)):
        row = list(lived.events).index(name)
        look = UnitLook(lived.engine.plan, lived.engine.state, row, end_ms)
        assert fans_missing(look) == missing


@pytest.mark.parametrize(("speed", "tells_nothing"), [(60.0, False), (100.0, True)])
def test_a_command_between_nothing_and_all_tells_the_airflow_without_proofs(speed, tells_nothing):
    feed = Feed(engine_of())
    for part in (100.0, speed):
        feed.run(3600.0, step_s=300.0, fan_speed=part, fan_run=None, fan_fault=None)
    state, one = feed.engine.state, np.array([0])
    told = says_nothing_of_airflow(state, one, np.array([FANS]), 0.5)
    assert told.tolist() == [tells_nothing]
