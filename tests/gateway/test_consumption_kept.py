"""Monthly figures: read from a real store, kept in the records, worked out again without harm."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from consumption_kept_scenes import MONTH, SITE_ID, fleet_site, write_basin
from sqlalchemy.engine import URL
from support.records import raised, returned, step

from gateway.consumption.keeper import SETTLED_AFTER_MS, ConsumptionKeeper, work_out
from gateway.consumption.reader import read_trace
from gateway.records import Records
from gateway.telemetry import EmbeddedStore
from rules.events import AlarmState, BaselineChange, Change, Severity, StepResult

ZONE = ZoneInfo("Europe/Lisbon")
START_MS = MONTH.start_ms(ZONE)
HOUR_MS = 3_600_000


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = Records(records_url)
    records.sync_units({(SITE_ID, "ac-1"): 0, (SITE_ID, "ac-2"): 1})
    yield records
    records.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    store = EmbeddedStore(
        tmp_path / "telemetry.sqlite", {0: (SITE_ID, "ac-1"), 1: (SITE_ID, "ac-2")},
        retention_days=3650, rollup_retention_days=3650,
    )  # fmt: skip
    yield store
    store.close()


def test_a_month_is_worked_out_kept_and_the_same_again(
    records: Records, store: EmbeddedStore
) -> None:
    told = write_basin(store, 0, START_MS, days=3)
    site = fleet_site()
    later_ms = MONTH.end_ms(ZONE) + SETTLED_AFTER_MS
    first = work_out(records, store, (site, site.units[0]), MONTH, later_ms, {})
    assert first.settled
    bleed = first.use.amounts["bleed"].value
    assert bleed == pytest.approx(told.bled, rel=0.01)
    # 31 days of October and an hour, of which three days were heard.
    heard = first.use.amounts["heard"]
    assert heard.coverage_frac == pytest.approx(3 * 24 / (31 * 24 + 1), rel=0.001)
    assert records.uses(str(MONTH)) == [first]
    assert work_out(records, store, (site, site.units[0]), MONTH, later_ms, {}) == first
    assert records.uses(str(MONTH), SITE_ID, "ac-1") == [first]
    assert records.uses(str(MONTH), "elsewhere") == []


def test_a_unit_counts_from_its_first_reading_on(records: Records, store: EmbeddedStore) -> None:
    begins_ms = START_MS + 20 * 24 * HOUR_MS
    write_basin(store, 0, begins_ms, days=2)
    now_ms = begins_ms + 3 * 24 * HOUR_MS
    site = fleet_site()
    unit = (site, site.units[0])
    use = work_out(records, store, unit, MONTH, now_ms, {}).use
    assert use.start_ms == begins_ms
    assert use.amounts["heard"].coverage_frac == pytest.approx(2 / 3)
    # Heard before the month, it was silent in it.
    write_basin(store, 0, START_MS - 90 * 24 * HOUR_MS, days=1)
    use = work_out(records, store, unit, MONTH, now_ms, {}).use
    assert use.start_ms == START_MS
    assert use.amounts["heard"].coverage_frac == pytest.approx(2 / 23)


def test_a_unit_that_never_sent_counts_from_its_registration_on(
    records: Records, store: EmbeddedStore
) -> None:
    known_ms = START_MS + 10 * 24 * HOUR_MS
    records.sync_units({(SITE_ID, "ac-1"): 0, (SITE_ID, "ac-3"): 2}, known_ms)
    assert records.unit_known_ms(SITE_ID, "ac-1") is None, "it was known before, unknown since when"
    assert records.unit_known_ms(SITE_ID, "ac-3") == known_ms
    site = fleet_site()
    unit = site.units[0].model_copy(update={"id": "ac-3"})
    for month, days in ((MONTH.before, 0), (MONTH, 5)):
        use = work_out(records, store, (site, unit), month, known_ms + 5 * 24 * HOUR_MS, {}).use
        assert use.end_ms - use.start_ms == days * 24 * HOUR_MS
        assert use.amounts["heard"].coverage_frac == 0.0
    use = work_out(records, store, (site, site.units[0]), MONTH, known_ms, {}).use
    assert use.start_ms == START_MS


def test_a_setting_of_the_whole_fleet_counts_in_the_month_and_those_of_site_and_unit_before_it(
    records: Records, store: EmbeddedStore
) -> None:
    write_basin(store, 0, START_MS, days=1, fan_speed=50.0, fan_run=3.0)
    now_ms = START_MS + 24 * HOUR_MS

    def evaporated(fleet: dict[str, dict[str, float]], own: float | None = None) -> float:
        site = fleet_site()
        if own is not None:
            site = site.model_copy(update={"settings": {"fan-not-proven": {"staged": own}}})
        row = work_out(records, store, (site, site.units[0]), MONTH, now_ms, fleet)
        amount = row.use.amounts["evaporation"].value
        assert amount is not None
        return amount

    together = {"fan-not-proven": {"staged": 0.0}}
    # Two of four fans move half of the air in stages, and a quarter at half speed.
    assert evaporated(together) == pytest.approx(0.5 * evaporated({}), rel=0.01)
    assert evaporated(together, own=1.0) == pytest.approx(evaporated({}), rel=1e-6)


def test_a_unit_without_weather_of_its_own_evaporates_by_its_site_s(
    records: Records, store: EmbeddedStore, tmp_path: Path
) -> None:
    """As the rules take it: one sensor for the air serves the whole site."""
    fans = {"fan_speed": 100.0, "fan_run": 15.0}
    write_basin(store, 0, START_MS, days=1, **fans)
    dry_air = {"ambient_temperature": np.nan, "relative_humidity": np.nan}
    write_basin(store, 1, START_MS, days=1, **fans, **dry_air)
    site = fleet_site()
    now_ms = START_MS + 24 * HOUR_MS
    own, served = (
        work_out(records, store, (site, unit), MONTH, now_ms, {}).use.amounts["evaporation"].value
        for unit in site.units
    )
    assert own is not None
    assert own > 0
    assert served == pytest.approx(own, rel=1e-6)
    # The sensor of the first dies halfway; that of a third goes on.
    third = site.units[0].model_copy(update={"id": "ac-3"})
    wide = site.model_copy(update={"units": (*site.units, third)})
    two = EmbeddedStore(tmp_path / "two.sqlite",
                        {i: (SITE_ID, f"ac-{i + 1}") for i in range(3)},
                        retention_days=3650, rollup_retention_days=3650)  # fmt: skip
    try:
        half = np.where(np.arange(288) < 144, 1.0, np.nan)
        air = {"ambient_temperature": 25.0 * half, "relative_humidity": 50.0 * half}
        write_basin(two, 0, START_MS, days=1, **fans, **air)
        write_basin(two, 1, START_MS, days=1, **fans, **dry_air)
        write_basin(two, 2, START_MS, days=1, **fans)
        trace = read_trace(two, (wide, wide.units[1]), START_MS, now_ms, {})
        assert not np.isnan(trace.signal("ambient_temperature")).any()
        assert trace.signal("ambient_temperature")[0] == 25.0
        assert trace.signal("ambient_temperature")[-1] != 25.0
    finally:
        two.close()
    alone = site.model_copy(update={"units": site.units[1:]})
    use = work_out(records, store, (alone, alone.units[0]), MONTH, now_ms, {}).use
    assert use.amounts["evaporation"].value is None


def test_only_the_month_s_own_water_counts(records: Records, store: EmbeddedStore) -> None:
    """By the site's clock: the first hours of November there are still October in UTC or not."""
    write_basin(store, 0, MONTH.end_ms(ZONE) - 12 * HOUR_MS, days=1)
    site = fleet_site()
    now_ms = MONTH.end_ms(ZONE) + 40 * 86_400_000
    halves = [
        work_out(records, store, (site, site.units[0]), month, now_ms, {}).use
        for month in (MONTH, MONTH.after)
    ]
    hours = [use.amounts["wet_hours"].value for use in halves]
    assert hours == [pytest.approx(12.0), pytest.approx(12.0)]


def test_alarms_stand_from_onset_to_return_and_into_the_month(records: Records) -> None:
    before_ms = START_MS - 10 * HOUR_MS
    records.commit(1, step(raised(before_ms, Severity.LOW, row=0)), [], before_ms)
    records.commit(2, step(returned(START_MS + HOUR_MS, row=0)), [], START_MS + HOUR_MS)
    again_ms = START_MS + 5 * HOUR_MS
    records.commit(3, step(raised(again_ms, row=0)), [], again_ms)
    end_ms = START_MS + 7 * HOUR_MS
    spans = records.alarm_spans(SITE_ID, "ac-1", start_ms=START_MS, end_ms=end_ms)
    assert [s.end_ms for s in spans] == [START_MS + HOUR_MS, end_ms]
    assert spans[0].start_ms == START_MS
    assert START_MS + HOUR_MS < spans[1].start_ms <= again_ms
    assert records.alarm_spans(SITE_ID, "ac-2", start_ms=START_MS, end_ms=end_ms) == []
    assert records.alarm_spans("no-site", "x", start_ms=START_MS, end_ms=end_ms) == []


def put_event(
    records: Records,
    at_h: float,
    change: Change,
    state: AlarmState,
    severity: Severity = Severity.MEDIUM,
) -> None:
    """One more event of the first unit's alarm."""
    time_ms = START_MS + int(at_h * HOUR_MS)
    event = replace(
        raised(time_ms, severity, row=0), change=change, state=state, evidence=None, by="Rui Prata"
    )
    records.commit(100 + int(10 * at_h), step(event), [], time_ms)


@pytest.mark.parametrize(
    ("change", "state"),
    [
        (Change.SHELVED, AlarmState.SHELVED),
        (Change.SUPPRESSED, AlarmState.SUPPRESSED),
        (Change.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE),
    ],
)
def test_an_alarm_that_is_held_while_it_stands_stands_on(
    records: Records, change: Change, state: AlarmState
) -> None:
    """Until it is judged again: out of sight is not mended."""
    records.commit(1, step(raised(START_MS + HOUR_MS, row=0)), [], START_MS + HOUR_MS)
    put_event(records, 3.0, change, state)
    end_ms = START_MS + 7 * HOUR_MS
    spans = records.alarm_spans(SITE_ID, "ac-1", start_ms=START_MS, end_ms=end_ms)
    assert spans[-1].end_ms == end_ms
    assert sum(s.end_ms - s.start_ms for s in spans) >= 6 * HOUR_MS
    assert spans[-1].explained == (state is AlarmState.SUPPRESSED)
    later = records.alarm_spans(SITE_ID, "ac-1", start_ms=START_MS + 5 * HOUR_MS, end_ms=end_ms)
    assert [(s.start_ms, s.end_ms) for s in later] == [(START_MS + 5 * HOUR_MS, end_ms)]
    put_event(records, 6.0, Change.UNSHELVED, AlarmState.NORMAL)
    spans = records.alarm_spans(SITE_ID, "ac-1", start_ms=START_MS, end_ms=end_ms)
    assert spans[-1].end_ms == START_MS + 6 * HOUR_MS


def test_an_alarm_that_was_healthy_when_it_was_held_does_not_stand(records: Records) -> None:
    records.commit(1, step(raised(START_MS + HOUR_MS, row=0)), [], START_MS + HOUR_MS)
    records.commit(2, step(returned(START_MS + 2 * HOUR_MS, row=0)), [], START_MS + 2 * HOUR_MS)
    put_event(records, 3.0, Change.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE, Severity.NONE)
    end_ms = START_MS + 7 * HOUR_MS
    spans = records.alarm_spans(SITE_ID, "ac-1", start_ms=START_MS, end_ms=end_ms)
    assert [s.end_ms for s in spans] == [START_MS + 2 * HOUR_MS]


def test_each_baseline_holds_from_its_own_time_on(records: Records) -> None:
    """Learned, learned anew, reset by a person, and learned from what came then."""
    learned = [(1, 10.0), (50, 11.0), (100, None), (200, 12.0), (300, None)]
    changes = tuple(
        BaselineChange(0, "td_dry", "dry", value, 0.1, 9, START_MS + at * HOUR_MS, "K")
        for at, value in learned
    )
    records.commit(1, StepResult((), changes), [], START_MS)
    steps = records.clean_td_k(SITE_ID, "ac-1")["td_dry"]
    hours = [(from_ms - START_MS) / HOUR_MS for from_ms, _ in steps]
    assert hours == [1.0, 50.0, 100.0, 300.0], "from the reset on, what was learned after it"
    np.testing.assert_equal([v for _, v in steps], [10.0, 11.0, 12.0, np.nan])
    assert records.clean_td_k(SITE_ID, "ac-2") == {}


def test_a_month_is_compared_with_the_baseline_of_each_day(
    records: Records, store: EmbeddedStore
) -> None:
    """Learned anew at noon of the second day, a kelvin higher: what came before is not judged by
    it. The same readings with the old one alone condense half a kelvin less above clean."""
    write_basin(store, 0, START_MS, days=3, head_pressure=1600.0)
    site, later_ms = fleet_site(), MONTH.end_ms(ZONE) + 40 * 86_400_000

    def learn(offset: int, at_h: float, value: float) -> float:
        change = BaselineChange(
            0, "td_wet", "wet", value, 0.1, 9, START_MS + int(at_h * HOUR_MS), "K"
        )
        records.commit(offset, StepResult((), (change,)), [], START_MS)
        use = work_out(records, store, (site, site.units[0]), MONTH, later_ms, {}).use
        raised_k = use.amounts["raised"].value
        assert raised_k is not None
        return raised_k

    before = learn(1, -100.0, 12.0)
    after = learn(2, 36.0, 13.0)
    wholly = learn(3, -50.0, 13.0)
    assert before - after == pytest.approx(0.5 * (before - wholly), rel=1e-6)
    assert before - wholly > 0.5


def test_the_keeper_works_out_what_is_due_a_little_at_a_time(
    records: Records, store: EmbeddedStore
) -> None:
    write_basin(store, 0, START_MS, days=2)
    now = [START_MS + 3 * 86_400_000]
    keeper = ConsumptionKeeper(
        records, store, lambda: [fleet_site()], dict, lambda: now[0], at_once_s=0.0
    )
    assert [keeper.run() for _ in range(6)] == [1, 1, 1, 1, 0, 0], "two units, two months"
    assert [row.settled for row in records.uses(str(MONTH.before))] == [True, True]
    assert [row.settled for row in records.uses(str(MONTH))] == [False, False]
    now[0] += 86_400_000
    assert [keeper.run() for _ in range(3)] == [1, 1, 0], "the running month, once a day"
    now[0] = MONTH.end_ms(ZONE) + SETTLED_AFTER_MS
    while keeper.run():
        pass
    assert all(row.settled for row in records.uses(str(MONTH)))


def test_a_store_that_is_away_is_waited_for(records: Records, tmp_path: Path) -> None:
    (tmp_path / "broken.sqlite").write_bytes(b"nothing of ours" * 1000)
    store = EmbeddedStore(tmp_path / "broken.sqlite", {})
    keeper = ConsumptionKeeper(records, store, lambda: [fleet_site()], dict, lambda: START_MS)
    assert keeper.run() == 0
    assert records.uses(str(MONTH)) == []
    store.close()
