"""Conditions by day, date ranges and cleanings in the records."""

from __future__ import annotations

import math

import numpy as np
from sqlalchemy.engine import URL
from support.cleaned_unit import days_of
from support.fleet import site, unit_data
from support.records import NOW_MS, open_records

from gateway.batch import Batch
from gateway.journal import Stored
from gateway.records import wear
from gateway.rules_step import Step, drive
from rules.condition import PARTS, PartCondition
from rules.engine import Engine
from rules.events import Reading, StepResult
from rules.forecast import Verdict
from rules.plan import FleetPlan

DAY_MS = 86_400_000


def figure(day: int, raw_pct: float | None, row: int = 0, part: str = "pads") -> PartCondition:
    reading = Reading("Pad pressure drop", 31.0, "Pa", expected=25.0)
    return PartCondition(
        row, part, NOW_MS + day * DAY_MS, None if raw_pct is None else min(raw_pct, 100.0),
        None if raw_pct is None else 3.0, raw_pct, "pressure drop", 12, NOW_MS, NOW_MS - DAY_MS,
        "Pressure drop +12 %." if raw_pct is not None else "No wet running.", (reading,),
    )  # fmt: skip


def step(*figures: PartCondition) -> StepResult:
    return StepResult(conditions=figures)


def test_the_newest_figure_and_all_days_are_kept_by_part(records_url: URL) -> None:
    """A day without a figure says why, and leaves no day in the series."""
    records = open_records(records_url)
    records.commit(1, step(figure(1, 104.0), figure(2, 96.0)), [], NOW_MS)
    records.commit(2, step(figure(3, None), figure(3, 80.0, part="coil")), [], NOW_MS)
    coil, pads = records.conditions("quay-cold-store", "ac-1")
    assert (coil.part, coil.condition_pct, coil.raw_pct) == ("coil", 80.0, 80.0)
    assert (pads.condition_pct, pads.said) == (None, "No wet running.")
    assert pads.readings == figure(3, None).readings
    days = records.condition_days(part="pads")
    assert [d.raw_pct for d in days] == [104.0, 96.0]
    assert [d.condition_pct for d in days] == [100.0, 96.0]
    assert records.conditions("hill-dairy") == []
    records.close()


def test_a_past_month_is_shown_as_it_stood_at_its_end(records_url: URL) -> None:
    """Worn by 2 % a day for 30 days, cleaned after that and as new since: of the end of the month
    the report tells what was known then, figure and date, and nothing of what came later."""
    records = open_records(records_url)
    worn = [figure(day, 100.0 - 2.0 * day) for day in range(1, 31)]
    clean = [figure(day, 100.0) for day in range(32, 45)]
    records.commit(1, step(*worn, *clean, figure(60, 70.0, part="coil")), [], NOW_MS)
    with records._database.write() as connection:
        at_ms = NOW_MS + 31 * DAY_MS
        wear.note_cleaning(connection, unit_row=0, parts=["pads"], by="Ana", work_from_ms=at_ms,
                           cleaned_ms=at_ms)  # fmt: skip
    then_ms = NOW_MS + 30 * DAY_MS + 1
    coil, pads = records.conditions("quay-cold-store", "ac-1", at_ms=then_ms)
    assert (pads.time_ms, pads.condition_pct) == (NOW_MS + 30 * DAY_MS, 40.0)
    assert (coil.condition_pct, coil.time_ms) == (None, then_ms), "it was first seen later"
    due = {one.due.part: one.due for one in records.due_ranges(now_ms=then_ms, of_the_past=True)}
    assert due["pads"].verdict is Verdict.DUE
    assert due["pads"].condition_pct is not None
    assert abs(due["pads"].condition_pct - 40.0) < 2.0
    assert due["coil"].verdict is Verdict.TOO_LITTLE
    now_ms = NOW_MS + 61 * DAY_MS
    assert records.conditions(at_ms=now_ms) == records.conditions()
    # What is older than a forecast would take is no condition of that day.
    long_ago = records.conditions("quay-cold-store", "ac-1", at_ms=NOW_MS + 59 * DAY_MS)
    assert long_ago[1].condition_pct == 100.0
    records.close()


def test_a_step_that_comes_twice_leaves_one_row(records_url: URL) -> None:
    """The offset refuses a replay; and should a figure come again, it takes its own place."""
    records = open_records(records_url)
    assert records.commit(1, step(figure(1, 90.0)), [], NOW_MS)
    assert not records.commit(1, step(figure(1, 10.0)), [], NOW_MS)
    assert records.commit(2, step(figure(1, 91.0)), [], NOW_MS)
    assert [d.raw_pct for d in records.condition_days()] == [91.0]
    records.close()


def test_what_is_not_a_number_is_not_known(records_url: URL) -> None:
    records = open_records(records_url)
    records.commit(1, step(figure(1, math.nan)), [], NOW_MS)
    (row,) = records.conditions()
    assert row.condition_pct is None
    assert records.condition_days() == []
    records.close()


def test_date_ranges_begin_at_the_last_cleaning(records_url: URL) -> None:
    """Worn to 40 %, cleaned, and as good as new since: the slope before is not carried over."""
    records = open_records(records_url)
    worn = [figure(day, 100.0 - 2.0 * day + (day % 3)) for day in range(30)]
    records.commit(1, step(*worn), [], NOW_MS)
    (before,) = records.due_ranges(now_ms=NOW_MS + 30 * DAY_MS)
    assert before.due.verdict is Verdict.DUE
    assert before.due.early_ms is not None
    assert before.due.likely_ms is not None
    assert before.due.early_ms <= before.due.likely_ms
    assert abs(before.due.likely_ms - (NOW_MS + 50.5 * DAY_MS)) < 3 * DAY_MS
    with records._database.write() as connection:
        wear.note_cleaning(
            connection, unit_row=0, parts=["pads"], by="Ana",
            work_from_ms=NOW_MS + 30 * DAY_MS, cleaned_ms=NOW_MS + 30 * DAY_MS + 1,
        )  # fmt: skip
    fresh = [figure(day, 100.0 + (-1) ** day) for day in range(31, 45)]
    records.commit(2, step(*fresh), [], NOW_MS)
    (after,) = records.due_ranges("quay-cold-store", now_ms=NOW_MS + 45 * DAY_MS)
    assert after.due.verdict is Verdict.NO_TREND
    (cleaning,) = records.cleanings(part="pads")
    assert (cleaning.by, cleaning.verdict, cleaning.ticket) == ("Ana", "", "")
    records.close()


def test_journal_entries_become_figures_in_the_records(records_url: URL) -> None:
    """Two days and a half of a unit, played in two steps that a restart from a snapshot parts."""
    records = open_records(records_url)
    sites = [site("quay-cold-store", [unit_data("ac-1")])]
    plan = FleetPlan.build(sites, {("quay-cold-store", "ac-1"): 0}, {})
    time_ms, values = days_of(NOW_MS, 2.5, seed=3)
    rows = np.zeros(len(time_ms), np.int32)
    entries = [
        Stored(i + 1, int(time_ms[at][-1]), Batch(rows[at], time_ms[at], values[at]))
        for i, at in enumerate(np.array_split(np.arange(len(time_ms)), 60))
    ]
    first, memory = Engine(plan), b""
    for part in (entries[:31], entries[31:]):
        engine = Engine(plan)
        if memory:
            engine.restore(memory)
        step_ = drive(engine, part, Step(part[-1].offset, 0))
        records.commit(step_.offset, step_.result, [], step_.now_ms)
        memory = engine.snapshot()
    whole = drive(first, entries, Step(60, 0)).result.conditions
    days = records.condition_days("quay-cold-store", "ac-1", "pump-screen")
    assert [(d.time_ms, d.raw_pct) for d in days] == [
        (c.time_ms, c.raw_pct) for c in whole if c.part == "pump-screen" and c.raw_pct is not None
    ]
    assert 1 <= len(days) <= 3
    assert {c.part for c in records.conditions()} == set(PARTS)
    records.close()
