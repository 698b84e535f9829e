"""Proof of a cleaning: helped, did not help, cannot tell, in like conditions."""

from __future__ import annotations

import numpy as np
import pytest
from support.cleaned_unit import days_of
from support.fleet import T0_MS, rows_of, site

from rules.like_conditions import HOUR_MS, Hours, Means, alike, fans_of, hours_of
from rules.plan import FleetPlan
from rules.proof import PROVEN_BY, STATED, Proof, ProofVerdict, judge_cleaning, judge_hours
from rules.signals import INDEX
from rules.state import CLEANABLE_PARTS

SITES = [site()]
PLAN = FleetPlan.build(SITES, rows_of(SITES), {})
DAY_MS = 24 * HOUR_MS


def means(time_ms, values) -> Means:
    return Means(time_ms, values, values, values)


def stretch(start_day, days, **wear) -> Means:
    return means(*days_of(T0_MS + start_day * DAY_MS, days, **wear))


def proof(part, before, after, *, days=6.0, after_days=4.0, **both) -> Proof:
    return judge_cleaning(
        PLAN, 0, part,
        stretch(0, days, seed=1, **both, **before),
        stretch(20, after_days, seed=2, **both, **after),
    )  # fmt: skip


HELPED, DID_NOT, CANNOT = ProofVerdict.HELPED, ProofVerdict.DID_NOT, ProofVerdict.CANNOT_TELL


@pytest.mark.parametrize(
    ("part", "worn", "witness", "gain_pct"),
    [
        # Orifice law: 15 % less flow is 27.75 % less pressure; cleaned it is 38.4 % more of that.
        ("pump-screen", {"flow": 0.85}, "spray_pressure", 38.4),
        ("coil", {"coil": 1.25}, "td_dry", 20.0),
        ("pads", {"drop": 1.5}, "pad_pressure_drop", 33.3),
        ("distribution", {"holes": 0.75}, "opening", None),
    ],
)
def test_a_cleaning_that_brings_a_worn_part_back_helped(part, worn, witness, gain_pct):
    found = proof(part, worn, {})
    assert found.verdict is HELPED
    assert found.quantity == witness
    assert found.confidence_pct > 99.0
    if gain_pct is not None:
        assert found.low_pct - 1.0 <= gain_pct <= found.high_pct + 1.0
    assert "better" in found.said


@pytest.mark.parametrize(
    ("part", "worn"),
    [("pump-screen", {"flow": 0.85}), ("coil", {"coil": 1.25}), ("pads", {"drop": 1.5})],
)
def test_a_cleaning_that_changed_nothing_did_not_help(part, worn):
    assert proof(part, worn, worn).verdict is DID_NOT
    assert proof(part, {}, {}).verdict is DID_NOT, "a clean part has nothing to gain"


def test_a_change_of_weather_and_mode_is_no_help():
    """Twelve kelvin cooler after the work: the hours alike say that the coil is as it was."""
    found = proof("coil", {"coil": 1.25, "warmer_k": 5.0}, {"coil": 1.25, "warmer_k": 0.0})
    assert found.verdict is not HELPED


def test_without_hours_alike_nobody_can_tell():
    found = proof("coil", {"coil": 1.25, "warmer_k": 30.0}, {"warmer_k": -10.0})
    assert found.verdict is CANNOT
    assert "alike in mode, weather, load and airflow" in found.said
    assert found.effect_pct is None


def test_too_few_hours_are_too_few():
    found = proof("coil", {"coil": 1.25}, {}, after_days=0.2)
    assert found.verdict is CANNOT


def test_a_part_that_no_reading_shows_cannot_be_told():
    found = proof("basin", {}, {})
    assert found.verdict is CANNOT
    assert "No reading" in found.said
    assert set(PROVEN_BY) == set(CLEANABLE_PARTS)


def test_the_next_best_witness_serves_where_the_best_is_missing():
    found = proof("pump-screen", {"flow": 0.8}, {}, without=("spray_pressure",))
    assert found.quantity == "pump_current"
    assert found.verdict is HELPED


def test_a_unit_that_sends_no_pump_current_is_taken_at_its_controllers_word():
    for part, worn in (("pump-screen", {"flow": 0.8}), ("distribution", {"holes": 0.75})):
        found = proof(part, worn, {}, without=("pump_current",))
        assert found.verdict is (HELPED if part == "pump-screen" else CANNOT), found.said
    silent = proof("pump-screen", {"flow": 0.8}, {}, without=("pump_current", "pump_command"))
    assert silent.verdict is CANNOT, "nothing says when the pump runs"


def test_fans_in_stages_move_the_air_of_those_that_run():
    """One of four at full speed is a quarter of the airflow, not a quarter of a quarter."""
    seen = hours_of(PLAN, 0, stretch(0, 2.0, seed=3, stages=1))
    assert seen.airflow_frac == pytest.approx(0.25)
    found = proof("coil", {"coil": 1.3, "stages": 2}, {"stages": 2})
    assert found.verdict is HELPED
    assert found.quantity == "td_dry"


def test_a_common_speed_that_one_side_shows_holds_for_the_other():
    """All four at part speed before the work; after it one is missing, which moves no air."""
    before, after = stretch(0, 2.0, seed=1), stretch(20, 2.0, seed=2)
    after.mean[:, INDEX["fan_run"]] = 7.0
    fans = fans_of(PLAN, 0, (before, after))
    assert (fans.staged, fans.told) == (False, True)
    hours = hours_of(PLAN, 0, after, fans)
    assert (hours.airflow_frac < 0.6).all()
    assert fans_of(PLAN, 0, (after,)).staged


def test_fans_at_a_common_speed_that_is_not_sent_hide_what_the_coil_does():
    """A controller turns worn coils' fans up: all proven is no full airflow."""
    found = proof("coil", {"coil": 1.3}, {}, without=("fan_speed",))
    assert found.verdict is CANNOT
    assert not fans_of(PLAN, 0, (stretch(0, 2.0, seed=1, without=("fan_speed",)),)).told


def test_fans_that_come_and_go_one_by_one_need_no_speed_command():
    days = stretch(0, 4.0, seed=1, without=("fan_speed",))
    hour = np.arange(len(days.start_ms)) // 12
    days.mean[:, INDEX["fan_run"]] = np.where(hour % 4 < 2, 15.0, 3.0)
    assert fans_of(PLAN, 0, (days,)).told
    assert set(hours_of(PLAN, 0, days).airflow_frac) == {0.5, 1.0}


def test_no_load_is_matched_by_the_hour_of_the_day_and_asks_for_more_days():
    """Days differ by their load then, which four of them do not tell from the cleaning."""
    few, more = (
        proof("coil", {"coil": 1.3}, {}, without=("heat_load",), after_days=days)
        for days in (4.0, 10.0)
    )
    assert few.verdict is not DID_NOT
    assert more.verdict is HELPED
    assert more.low_pct > few.low_pct


def test_parts_that_were_cleaned_together_share_the_credit():
    before, after = stretch(0, 6.0, seed=1, coil=1.3), stretch(20, 4.0, seed=2)
    found = judge_cleaning(PLAN, 0, "coil", before, after, ("coil", "fans"))
    assert "Cleaned together with fans" in found.said


def hours(start_ms: int, values) -> Hours:
    """Hours of one mode, weather and airflow, which differ by what they witness alone."""
    level = np.asarray(values).reshape(-1)
    n = len(level)
    same = np.full(n, 0.5)
    at = start_ms + HOUR_MS * np.arange(n, dtype=np.int64)
    return Hours(at, np.zeros(n), 20.0 * same, same, same,
                 {"td_dry": level, "td_wet": np.full(n, np.nan)})  # fmt: skip


def following(rng, days, rho, sd):
    """Hourly noise of the first order: what is off now is off by ``rho`` of it an hour later."""
    n = 24 * days
    step = rng.normal(0.0, sd * np.sqrt(1.0 - rho**2), n)
    out = np.empty(n)
    now = rng.normal(0.0, sd)
    for i in range(n):
        now = rho * now + step[i]
        out[i] = now
    return out


@pytest.mark.parametrize(
    ("rho", "days_before"), [(0.0, 14), (0.8, 14), (0.9, 14), (0.95, 14), (0.95, 5), (0.9, 3)]
)
def test_noise_that_lasts_for_hours_is_called_help_no_more_often_than_stated(rho, days_before):
    """Coils whose temperature difference wanders by 6 % about one level, left as they were and
    looked at each day for two weeks, as the gateway does: at most 2 % end as helped."""
    rng = np.random.default_rng(int(1000 * rho) + days_before)
    helped, trials = 0, 250
    for _ in range(trials):
        before = hours(T0_MS, 10.0 * (1.0 + following(rng, days_before, rho, 0.06)))
        after = 10.0 * (1.0 + following(rng, 14, rho, 0.06))
        for day in range(1, 15):
            found = judge_hours("coil", before, hours(T0_MS + 20 * DAY_MS, after[: 24 * day]))
            if found.verdict is not CANNOT:
                helped += found.verdict is HELPED
                break
    assert helped <= (1.0 - STATED) * trials


def test_days_that_differ_as_a_whole_are_no_many_readings():
    """Each day has a level of its own, 4 % apart, and its hours agree among themselves: two or
    three days after the work prove nothing, however many hours they have."""
    rng = np.random.default_rng(4)
    helped = 0
    for _ in range(250):

        def days(n):
            level = rng.normal(0.0, 0.04, (n, 1)) + rng.normal(0.0, 0.01, (n, 24))
            return 10.0 * (1.0 + level)

        before, after = hours(T0_MS, days(14)), hours(T0_MS + 20 * DAY_MS, days(3))
        helped += judge_hours("coil", before, after).verdict is HELPED
    assert helped <= 5


def test_a_cleaning_that_gains_much_is_seen_through_such_noise():
    rng = np.random.default_rng(17)
    helped = 0
    for _ in range(100):
        before = hours(T0_MS, 12.5 * (1.0 + following(rng, 14, 0.9, 0.06)))
        after = hours(T0_MS + 20 * DAY_MS, 10.0 * (1.0 + following(rng, 7, 0.9, 0.06)))
        helped += judge_hours("coil", before, after).verdict is HELPED
    assert helped >= 90


def test_two_days_after_the_work_are_too_few():
    """48 steady hours with a gain of a fifth: nobody knows yet how the days differ."""
    found = judge_hours("coil", hours(T0_MS, [12.5] * 240), hours(T0_MS + 20 * DAY_MS, [10.0] * 48))
    assert found.verdict is CANNOT
    assert "3 days on each side" in found.said


def test_of_many_cleanings_that_changed_nothing_few_are_said_to_have_helped():
    """60 worn coils and screens left as they were, other weather each time: at most two."""
    wrong = 0
    for i in range(30):
        shift = 2.0 * np.sin(i)
        for part, wear in (("coil", {"coil": 1.2}), ("pump-screen", {"flow": 0.9})):
            found = judge_cleaning(
                PLAN, 0, part,
                stretch(0, 5.0, seed=100 + i, **wear),
                stretch(20, 3.0, seed=200 + i, warmer_k=shift, **wear),
            )  # fmt: skip
            wrong += found.verdict is HELPED
    assert wrong <= 2


def test_hours_are_steady_and_of_one_mode():
    found = hours_of(PLAN, 0, stretch(0, 2.0, seed=3))
    dry, wet = found.witness["td_dry"], found.witness["td_wet"]
    assert not (np.isfinite(dry) & np.isfinite(wet)).any()
    assert np.isfinite(dry).sum() >= 15
    assert np.isfinite(wet).sum() >= 15
    b, a = alike(found, found, "td_dry")
    assert len(b.start_ms) == len(a.start_ms) == np.isfinite(dry).sum()
