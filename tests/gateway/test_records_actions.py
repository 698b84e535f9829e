"""People's requests go from the board through the journal to the rules."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy.engine import URL
from support.records import HOUR_MS, NOW_MS, open_records

from gateway.records import Records, RecordsError
from rules.events import Action, ActionKind, StepResult


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url)
    yield records
    records.close()


def acknowledge(records: Records) -> int:
    return records.request_action(
        ActionKind.ACKNOWLEDGE, "hill-dairy", "ac-1", by=" Ana ", fault="fan-fault",
        note="Seen.", now_ms=NOW_MS,
    )  # fmt: skip


def test_a_request_waits_until_it_is_in_the_journal(records: Records) -> None:
    first, second = acknowledge(records), acknowledge(records)
    assert records.pending_actions()[0] == Action(
        first, ActionKind.ACKNOWLEDGE, 2, "fan-fault", NOW_MS, "Ana", "Seen.", 0
    )
    records.mark_journalled([first], 40)
    assert [a.id for a in records.pending_actions()] == [second]
    records.commit(41, StepResult(), [], NOW_MS, [first])
    records.mark_journalled([first], 44)  # a repeated mark does not take it back
    assert [a.id for a in records.pending_actions()] == [second]


def test_ids_of_requests_are_never_used_twice(records: Records, records_url: URL) -> None:
    first = acknowledge(records)
    records.commit(1, StepResult(), [], NOW_MS, [first])
    records.close()
    again = open_records(records_url)
    assert acknowledge(again) == first + 1
    again.close()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"by": "  "}, "needs the name of the person"),
        ({"kind": ActionKind.SHELVE, "until_ms": NOW_MS}, "must have an end that lies ahead"),
        ({"kind": ActionKind.UNSHELVE, "fault": ""}, "Name the fault"),
        ({"unit": "ac-7"}, "There is no unit 'ac-7' at site 'hill-dairy'"),
    ],
)
def test_a_request_that_cannot_be_meant_is_refused(
    records: Records, changes: dict[str, object], message: str
) -> None:
    values: dict[str, object] = {
        "kind": ActionKind.SHELVE, "site": "hill-dairy", "unit": "ac-1", "by": "Ana",
        "fault": "fan-fault", "now_ms": NOW_MS, "until_ms": NOW_MS + HOUR_MS,
    }  # fmt: skip
    with pytest.raises(RecordsError, match=message):
        records.request_action(**(values | changes))  # type: ignore[arg-type]  # mixed on purpose
    assert records.pending_actions() == []
