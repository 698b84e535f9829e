"""Lists and files of the API: page by page, of what there is, and so many at once."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient
from support.shown_api import is_problem

from gateway.board.app import make_app
from gateway.board.limits import export_limit
from gateway.due_keeper import DueKeeper
from gateway.export import lists
from gateway.records.session import RecordsUnavailable
from rules.condition import PartCondition
from rules.events import Severity, StepResult

DAY_MS = 86_400_000


def test_a_list_is_read_page_by_page(api):
    token = api.token("view")
    for path, key in (("alarm-events", "id"), ("tickets", "number"), ("sites", "id")):
        whole = [one[key] for one in api.get(path, token).json()["items"]]
        found, after = [], ""
        while after is not None:
            page = api.get(f"{path}?limit=1&after={after}", token).json()
            found += [one[key] for one in page["items"]]
            after = page["next"]
        assert found == whole
        assert len(found) == 2


def test_a_list_that_changes_between_pages_skips_and_repeats_no_other_row(api):
    token = api.token("view")
    api.fleet.commit(
        *(api.fleet.alarm(row, "fan-fault", Severity.MEDIUM, ago_min=20.0 - row) for row in (0, 1))
    )
    first = api.get("alarms?limit=2", token).json()
    given = [(a["unit"], a["fault"]) for a in first["items"]]
    # A graver one comes before what was read, and one that was read goes.
    api.fleet.commit(api.fleet.alarm(1, "pump-not-running", Severity.HIGH, ago_min=1.0))
    rest = api.get(f"alarms?limit=10&after={first['next']}", token).json()["items"]
    seen = given + [(a["unit"], a["fault"]) for a in rest]
    assert len(seen) == len(set(seen)) == 4
    assert ("ac-2", "pump-not-running") not in seen, "it came meanwhile, before the mark"
    # A mark that another kind of list gave is none of this one.
    mark = api.get("sites?limit=1", token).json()["next"]
    is_problem(api.get(f"alarms?after={mark}", token), 422)


@pytest.mark.parametrize(
    "path",
    [
        "alarms", "alarm-events", "tickets", "parts-due", "learned", "figures",
        "export/alarms.csv", "export/alarm-events.csv", "export/tickets.csv",
    ],
)  # fmt: skip
def test_a_list_of_a_site_that_never_was_is_a_problem_and_no_empty_list(api, path):
    token = api.token("view")
    assert "no site 'no-such'" in is_problem(api.get(f"{path}?site=no-such", token), 404)
    if path not in {"learned", "figures"}:
        site = api.get("sites", token).json()["items"][0]["id"]
        assert "no unit 'x'" in is_problem(api.get(f"{path}?site={site}&unit=x", token), 404)
        assert api.get(f"{path}?site={site}&unit=ac-1", token).status_code == 200
    # What has left the files, but not the records, is answered for.
    api.records.sync_units({("old-site", "ac-1"): 90})
    assert api.get(f"{path}?site=old-site", token).status_code == 200


def test_so_many_files_are_made_at_once_and_no_more(api):
    """RFC 6585, section 4, and RFC 9110, section 10.2.3."""
    api.board.exports = limit = export_limit(in_all=3, of_one=2)
    app = make_app(replace(api.board))
    client = TestClient(app, base_url="https://board.example")
    one, other = ({"Authorization": f"Bearer {api.token('view')}"} for _ in range(2))
    number = api.records.accounts.tokens()[1].id
    path = "/api/1/export/tickets.csv"
    assert [client.get(path, headers=one).status_code for _ in range(4)] == [200] * 4
    limit.enter(f"token {number}")
    assert client.get(path, headers=one).status_code == 200
    limit.enter(f"token {number}")
    refused = client.get(path, headers=one)
    assert "Too many of your files are being made at this moment." in is_problem(refused, 429)
    assert int(refused.headers["retry-after"]) > 0
    assert client.get(path, headers=other).status_code == 200, "another has room"
    limit.enter("somebody else")
    full = is_problem(client.get(path, headers=other), 503)
    assert "Too many files are being made at this moment." in full
    limit.leave(f"token {number}")
    assert client.get(path, headers=one).status_code == 200
    # What is refused for its range takes no room.
    backwards = f"{path}?from=2026-02-01T00:00:00Z&to=2026-01-01T00:00:00Z"
    for _ in range(4):
        is_problem(client.get(backwards, headers=one), 422)
    assert client.get(path, headers=one).status_code == 200


def test_a_file_whose_reader_goes_away_makes_room(api, monkeypatch):
    api.board.exports = limit = export_limit(in_all=1, of_one=1)
    app = make_app(replace(api.board))
    client = TestClient(app, base_url="https://board.example", raise_server_exceptions=False)
    headers = {"Authorization": f"Bearer {api.token('view')}"}

    def torn(*_: object) -> Iterator[tuple[object, ...]]:
        yield ("BW-000001",)
        yield ("BW-000002",)
        raise RecordsUnavailable("The disk is away.")

    monkeypatch.setattr(lists, "ticket_rows", torn)
    with contextlib.suppress(Exception):  # the answer is torn off, whichever way that shows
        client.get("/api/1/export/tickets.csv", headers=headers)
    limit.enter("anybody")  # refused where there is no room


def test_parts_are_due_at_what_is_in_the_files_alone(api):
    token, now_ms = api.token("view"), api.fleet.now_ms
    gone_row = 90
    api.records.sync_units({**api.fleet.rows, ("old-site", "ac-1"): gone_row})
    worn = [
        PartCondition(
            row, "pads", now_ms - ago * DAY_MS, 20.0 + ago, 3.0, 20.0, "spray pressure", 200,
            now_ms, 1, "20 %.",
        )
        for row in (0, gone_row)
        for ago in range(30, -1, -1)
    ]  # fmt: skip
    api.fleet.step(StepResult((), conditions=tuple(worn)))
    waiting = api.get("parts-due", token).json()
    assert (waiting["items"], waiting["awaited"]) == ([], 1), "of the old site nothing is awaited"
    DueKeeper(api.records, lambda: now_ms).run()
    assert {one.site for one in api.records.due_known(now_ms=now_ms).ranges} > {"old-site"}
    [due] = api.get("parts-due", token).json()["items"]
    assert (due["site"], due["unit"]) == next(iter(api.fleet.rows))
    old = api.get("parts-due?site=old-site", token).json()
    assert (old["items"], old["awaited"]) == ([], 0)
