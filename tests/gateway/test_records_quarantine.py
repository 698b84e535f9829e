"""Refusals are counted in a bounded number of rows, whatever arrives."""

from __future__ import annotations

import random
from collections.abc import Sequence

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete
from sqlalchemy.engine import URL
from support.records import NOW_MS, open_records

from gateway.batch import Reason, Reject
from gateway.records import Records
from gateway.records.models import QuarantineRecord
from gateway.records.quarantine import OTHER_TOPICS, QuarantineLimits
from rules.events import StepResult

DAY_MS = 86_400_000


def reject(topic: str, *, time_ms: int = NOW_MS, detail: str = "", count: int = 1) -> Reject:
    return Reject(time_ms, topic, Reason.TOPIC, detail, "excerpt", count=count)


def put(records: Records, rejects: Sequence[Reject]) -> None:
    offset = records.committed_offset() + 1
    assert records.commit(offset, StepResult(), rejects, NOW_MS)


def test_equal_refusals_are_counted_with_the_latest_example(records_url: URL) -> None:
    records = open_records(records_url)
    put(records, [reject("a", time_ms=NOW_MS + 5, detail="newest"), reject("a", detail="older")])
    put(records, [reject("a", time_ms=NOW_MS - 5, detail="oldest", count=3)])
    (row,) = records.quarantine()
    assert (row.count, row.detail, row.first_ms, row.last_ms) == (
        5, "newest", NOW_MS - 5, NOW_MS + 5,
    )  # fmt: skip
    assert row.day == "2026-03-01"
    records.close()


def test_beyond_the_limit_of_a_day_refusals_are_counted_together(records_url: URL) -> None:
    records = open_records(records_url, limits=QuarantineLimits(rows_per_day=10))
    put(records, [reject(f"t{i}") for i in range(8)])
    put(records, [reject(f"u{i}") for i in range(50)])
    put(records, [reject("t0"), reject("later")])
    rows = {r.topic: r.count for r in records.quarantine()}
    assert len(rows) == 11
    assert rows["t0"] == 2
    assert rows[OTHER_TOPICS] == 49
    assert sum(rows.values()) == 60
    records.close()
    reopened = open_records(records_url, limits=QuarantineLimits(rows_per_day=10))
    put(reopened, [reject("after a restart"), reject("t0")])
    rows = {r.topic: r.count for r in reopened.quarantine()}
    assert (rows["t0"], rows[OTHER_TOPICS], len(rows)) == (3, 50, 11)
    reopened.close()


def test_days_are_counted_apart_and_forgotten_in_the_end(records_url: URL) -> None:
    records = open_records(records_url, limits=QuarantineLimits(retention_days=2))
    for day in range(5):
        put(records, [reject("a", time_ms=NOW_MS + day * DAY_MS)])
    days = [r.day for r in records.quarantine()]
    assert days == ["2026-03-05", "2026-03-04", "2026-03-03"]
    assert [r.day for r in records.quarantine(first_day="2026-03-05")] == ["2026-03-05"]
    records.close()


@settings(
    max_examples=15,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    texts=st.lists(
        st.text(st.characters(codec=None, categories=None), max_size=400), min_size=5, max_size=5
    )
)
def test_any_text_can_be_put_in_quarantine(records_url: URL, texts: list[str]) -> None:
    topic, site, unit, detail, excerpt = texts
    records = open_records(records_url)
    with records._database.write() as connection:
        connection.execute(delete(QuarantineRecord))
    one = Reject(NOW_MS, topic, Reason.RECORD, detail, excerpt, site, unit)
    put(records, [one, one])
    put(records, [one])
    (row,) = records.quarantine()
    assert row.count == 3
    assert max(map(len, (row.topic, row.site, row.unit, row.excerpt))) <= 200
    records.close()


def test_the_longest_keys_fit_into_the_index(records_url: URL) -> None:
    """A row of a PostgreSQL index has 2,704 bytes at most; text that does not compress counts."""
    rng = random.Random(4)
    topic, site, unit = (
        "".join(chr(rng.randrange(0x10000, 0x110000)) for _ in range(300)) for _ in range(3)
    )
    records = open_records(records_url)
    put(records, [Reject(NOW_MS, topic, Reason.RECORD, topic, topic, site, unit)])
    assert len(records.quarantine()) == 1
    records.close()
