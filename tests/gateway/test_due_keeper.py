"""Dates at which parts are due: kept by the gateway, read by pages, never older than the news."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from board_bench import Page
from sqlalchemy import event
from sqlalchemy.engine import URL
from support.records import NOW_MS, open_records
from support.shown_board import board_of, client
from support.shown_fleet import ShownFleet, fleet_of

from gateway.due_keeper import DueKeeper
from gateway.records import Records, RecordsUnavailable, wear
from gateway.records.due_dates import DueKnown
from rules.condition import PartCondition
from rules.events import StepResult
from rules.forecast import Verdict

DAY_MS = 86_400_000
PLACES = (("quay-cold-store", "ac-1"), ("quay-cold-store", "ac-2"), ("hill-dairy", "ac-1"))


def worn(
    row: int, part: str, level_pct: float, a_day: float, *, to_ms: int = NOW_MS, days: int = 31
) -> StepResult:
    """Daily figures that fall to the level."""
    figures = []
    for back in range(days - 1, -1, -1):
        time_ms = to_ms - back * DAY_MS
        pct = level_pct + a_day * back + (0.6 if back % 2 else -0.6)
        figures.append(
            PartCondition(
                row, part, time_ms, pct, 3.0, pct, "spray pressure", 200, NOW_MS, 1, f"{pct:.0f} %."
            )
        )
    return StepResult((), conditions=tuple(figures))


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    """Of three units one part falls, one is at its limit, one stays as it is."""
    records = open_records(records_url)
    records.commit(1, worn(0, "pads", 12.0, 1.2), [], NOW_MS)
    records.commit(2, worn(1, "coil", -2.0, 0.1), [], NOW_MS)
    records.commit(3, worn(2, "screen", 90.0, 0.0), [], NOW_MS)
    yield records
    records.close()


def kept(records: Records, now_ms: int = NOW_MS) -> None:
    DueKeeper(records, lambda: now_ms).run()


def test_what_is_kept_is_what_would_be_worked_out(records: Records) -> None:
    assert records.units_awaiting_dates(NOW_MS, 10) == [0, 1, 2]
    assert records.first_due(NOW_MS, 10).awaited == 3
    exact = records.due_ranges(now_ms=NOW_MS)
    assert records.due_known(now_ms=NOW_MS) == DueKnown((), tuple(sorted(PLACES)))
    kept(records)
    assert records.units_awaiting_dates(NOW_MS, 10) == []
    assert records.due_known(now_ms=NOW_MS) == DueKnown(tuple(exact), ())
    for site, unit in PLACES:
        alone = records.due_known(site, unit, now_ms=NOW_MS).ranges
        assert list(alone) == [one for one in exact if (one.site, one.unit) == (site, unit)]
    by_part = {one.due.part: one for one in exact}
    first = records.first_due(NOW_MS, 10)
    assert first.ranges == (by_part["coil"], by_part["pads"])  # due already, then by date
    assert (first.total, first.awaited) == (2, 0)
    assert by_part["coil"].due.verdict is Verdict.THERE
    cut = records.first_due(NOW_MS, 1)
    assert ([one.due.part for one in cut.ranges], cut.total) == (["coil"], 2)
    assert records.first_due(NOW_MS, 10, ["hill-dairy"]).ranges == ()
    assert records.first_due(NOW_MS, 10, []).total == 0
    assert [r.due.part for r in records.first_due(NOW_MS, 10, ["quay-cold-store"]).ranges] == [
        "coil", "pads",
    ]  # fmt: skip


def test_dates_are_renewed_with_each_figure_each_cleaning_and_each_day(records: Records) -> None:
    kept(records)
    records.commit(4, worn(0, "pads", 10.8, 1.2, to_ms=NOW_MS + DAY_MS // 2, days=1), [], NOW_MS)
    assert records.units_awaiting_dates(NOW_MS, 10) == [0]
    with records._database.write() as connection:
        wear.note_cleaning(
            connection, unit_row=1, parts=["coil"], by="Ana", work_from_ms=NOW_MS,
            cleaned_ms=NOW_MS + 1,
        )  # fmt: skip
    assert records.units_awaiting_dates(NOW_MS, 10) == [0, 1]
    assert records.units_awaiting_dates(NOW_MS, 1) == [0]
    # Yesterday's date of the pads holds on; that of the coil, which was cleaned, is void.
    meanwhile = records.due_known(now_ms=NOW_MS)
    assert [one.due.part for one in meanwhile.ranges] == ["screen", "pads"]
    assert meanwhile.awaited == (PLACES[1],)
    kept(records)
    assert records.units_awaiting_dates(NOW_MS, 10) == []
    assert [one.due.part for one in records.first_due(NOW_MS, 10).ranges] == ["pads"]
    assert list(records.due_known(now_ms=NOW_MS).ranges) == records.due_ranges(now_ms=NOW_MS)
    # What no figure comes from any more grows old: a day later all is looked at again.
    assert records.units_awaiting_dates(NOW_MS + DAY_MS - 1, 10) == []
    assert records.units_awaiting_dates(NOW_MS + DAY_MS, 10) == [0, 1, 2]
    assert records.units_awaiting_dates(NOW_MS - 1, 10) == [0, 1, 2]  # the clock was set back
    kept(records, NOW_MS + 40 * DAY_MS)
    assert records.first_due(NOW_MS + 40 * DAY_MS, 10).ranges == ()


def test_no_date_that_is_kept_lies_before_now(records: Records) -> None:
    kept(records)
    (pads,) = [r.due for r in records.first_due(NOW_MS, 10).ranges if r.due.part == "pads"]
    assert pads.early_ms is not None
    later_ms = pads.early_ms + DAY_MS
    (pads,) = [r.due for r in records.first_due(later_ms, 10).ranges if r.due.part == "pads"]
    assert pads.early_ms == later_ms


def test_units_are_renewed_some_at_a_time_and_none_is_forgotten(records_url: URL) -> None:
    records = open_records(records_url)
    rows = {(f"site-{i}", "ac-1"): i for i in range(100)}
    records.sync_units(rows)
    for i in range(100):
        records.commit(i + 1, worn(i, "pads", 50.0, 0.0, days=2), [], NOW_MS)
    waiting = []
    while left := len(records.units_awaiting_dates(NOW_MS, 1_000)):
        waiting.append(left)
        kept(records)
    assert waiting == [100, 60, 20]
    records.close()


def test_all_are_renewed_at_once_for_who_needs_them_whole(records: Records) -> None:
    DueKeeper(records, lambda: NOW_MS).catch_up()
    assert records.units_awaiting_dates(NOW_MS, 10) == []


def test_records_that_are_away_are_waited_for(records: Records, monkeypatch) -> None:
    def away(*_: object) -> None:
        msg = "away"
        raise RecordsUnavailable(msg)

    monkeypatch.setattr(records, "keep_due_dates", away)
    kept(records)
    monkeypatch.undo()
    kept(records)
    assert records.units_awaiting_dates(NOW_MS, 10) == []


@contextmanager
def asked(records: Records) -> Iterator[list[str]]:
    """The statements that the records send meanwhile."""
    statements: list[str] = []

    def note(_c: object, _cursor: object, statement: str, *_: object) -> None:
        statements.append(statement)

    engine = records._database.engine
    event.listen(engine, "before_cursor_execute", note)
    yield statements
    event.remove(engine, "before_cursor_execute", note)


def test_the_plans_page_and_a_units_page_read_no_daily_figure(tmp_path) -> None:
    fleet = ShownFleet(tmp_path, fleet_of(2, 2))
    fleet.step(replace(worn(0, "pads", 12.0, 1.2, to_ms=fleet.now_ms)))
    browser = client(board_of(fleet))
    site, unit = next(iter(fleet.rows))
    waiting = Page(browser.get("/plan").text).text
    assert "The gateway still works out the dates of 1 unit." in waiting
    assert "No part has a date yet" in waiting
    with asked(fleet.records) as statements:
        assert "Still being worked out" in Page(browser.get(f"/sites/{site}/{unit}").text).text
    assert not [s for s in statements if "condition_days" in s], "nobody waits for it"
    DueKeeper(fleet.records, lambda: fleet.now_ms).run()
    for path in ("/plan", "/plan?team=north", f"/sites/{site}/{unit}"):
        with asked(fleet.records) as statements:
            page = browser.get(path)
        assert page.status_code == 200
        assert statements
        assert not [s for s in statements if "condition_days" in s], path
        assert "still works out" not in page.text
    assert "Parts by condition 1" in Page(browser.get("/plan").text).text
    assert "Parts by condition 0" in Page(browser.get("/plan?team=south").text).text
    fleet.close()


def test_a_unit_whose_dates_fail_holds_up_no_other_and_is_tried_a_day_later(
    records: Records, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    work_out, asked = records.due_dates_of, []

    def fails_at_first(rows, now_ms):
        asked.append(list(rows))
        if 0 in rows:
            raise ZeroDivisionError
        return work_out(rows, now_ms)

    monkeypatch.setattr(records, "due_dates_of", fails_at_first)
    times = iter([NOW_MS, NOW_MS + 1, NOW_MS + DAY_MS])
    keeper = DueKeeper(records, lambda: next(times))
    keeper.run()
    assert records.units_awaiting_dates(NOW_MS, 10) == [0]
    assert "unit row 0" in caplog.text
    asked.clear()
    keeper.run()
    assert asked == [], "not every few seconds"
    monkeypatch.setattr(records, "due_dates_of", work_out)
    keeper.run()
    assert records.units_awaiting_dates(NOW_MS + DAY_MS, 10) == []
